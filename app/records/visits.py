"""A visit as a whole: what was asked, what was complained of, and which rounds it has."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.care.safety import Answer, Verdict, judge
from app.errors import InputError, NotAllowedError, NotFoundError
from app.records import models
from app.records.people import AthleteRecord, athlete


@dataclass(frozen=True, slots=True)
class ClearanceRecord:
    """A clinician's decision to go on, with the reason."""

    reason: str
    made_at: datetime
    made_by: str | None


@dataclass(frozen=True, slots=True)
class ScreenRecord:
    """One asking of the safety questions, and what the answers mean by today's rules."""

    id: str
    answers: Mapping[str, Answer]
    asked_at: datetime
    asked_by: str | None
    verdict: Verdict
    clearance: ClearanceRecord | None

    @property
    def test_allowed(self) -> bool:
        """Whether a round may be begun: nothing speaks against it, or a clinician decided."""
        if self.clearance is not None:
            return True
        return self.verdict.may_test and not self.verdict.needs_clinician


@dataclass(frozen=True, slots=True)
class ComplaintRecord:
    """What the athlete complained of; pain 0 to 10."""

    words: str
    pain_now: int | None
    pain_worst: int | None
    sites: tuple[str, ...]
    told_at: datetime


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """A visit with the newest screen and complaint; ``round_ids`` in the order they were begun."""

    id: str
    kind: Literal["visit", "self-screen"]
    started_at: datetime
    accepted_at: datetime | None
    athlete: AthleteRecord
    screen: ScreenRecord | None
    complaint: ComplaintRecord | None
    round_ids: tuple[str, ...]

    @property
    def counts(self) -> bool:
        """Whether it belongs into the trend: a self-screen does so only after a member accepted it."""
        return self.kind == "visit" or self.accepted_at is not None


def _row(session: Session, practice_id: str, visit_id: str) -> models.Visit:
    row = session.get(models.Visit, visit_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This visit does not exist.", "Go back to the athlete and choose another.")
    return row


def visit(session: Session, practice_id: str, visit_id: str) -> VisitRecord:
    """Read one visit.

    Raises
    ------
    NotFoundError
        If the practice has no such visit.

    """
    row = _row(session, practice_id, visit_id)
    return _record(session, row, athlete(session, practice_id, row.athlete_id))


def visits_of(session: Session, practice_id: str, athlete_id: str) -> list[VisitRecord]:
    """Return the athlete's visits, oldest first."""
    who = athlete(session, practice_id, athlete_id)
    rows = session.scalars(
        select(models.Visit)
        .where(models.Visit.athlete_id == athlete_id)
        .order_by(models.Visit.started_at, models.Visit.id)
    )
    return [_record(session, row, who) for row in rows]


def _record(session: Session, row: models.Visit, who: AthleteRecord) -> VisitRecord:
    return VisitRecord(
        id=row.id,
        kind=row.kind,  # type: ignore[arg-type]  # the table's check constraint
        started_at=row.started_at,
        accepted_at=row.accepted_at,
        athlete=who,
        screen=newest_screen(session, row.id),
        complaint=next(iter(complaints_of(session, row.id, most=1)), None),
        round_ids=tuple(
            session.scalars(
                select(models.Round.id).where(models.Round.visit_id == row.id).order_by(models.Round.number)
            )
        ),
    )


def newest_screen(session: Session, visit_id: str) -> ScreenRecord | None:
    """Return the newest asking of the safety questions at a visit."""
    return next(iter(screens_of(session, visit_id, most=1)), None)


def screens_of(session: Session, visit_id: str, *, most: int | None = None) -> list[ScreenRecord]:
    """Return every asking of the safety questions at a visit, newest first."""
    rows = session.scalars(
        select(models.SafetyScreen)
        .where(models.SafetyScreen.visit_id == visit_id)
        .order_by(models.SafetyScreen.number.desc())
        .limit(most)
    )
    return [_screen_record(session, row) for row in rows.all()]


def _screen_record(session: Session, row: models.SafetyScreen) -> ScreenRecord:
    answers = {key: Answer(value) for key, value in row.answers.items()}
    cleared = session.scalars(select(models.Clearance).where(models.Clearance.screen_id == row.id)).first()
    return ScreenRecord(
        id=row.id,
        answers=answers,
        asked_at=row.asked_at,
        asked_by=row.asked_by,
        verdict=judge(answers),
        clearance=None if cleared is None else ClearanceRecord(cleared.reason, cleared.made_at, cleared.member_id),
    )


def newest_screen_of(session: Session, athlete_id: str) -> ScreenRecord | None:
    """Return the newest asking of the safety questions at any visit of the athlete."""
    visit_id = session.scalar(
        select(models.SafetyScreen.visit_id)
        .join(models.Visit, models.Visit.id == models.SafetyScreen.visit_id)
        .where(models.Visit.athlete_id == athlete_id)
        .order_by(models.SafetyScreen.asked_at.desc(), models.SafetyScreen.number.desc())
        .limit(1)
    )
    return None if visit_id is None else newest_screen(session, visit_id)


def complaints_of(session: Session, visit_id: str, *, most: int | None = None) -> list[ComplaintRecord]:
    """Return everything the athlete complained of at a visit, newest first."""
    rows = session.scalars(
        select(models.Complaint)
        .where(models.Complaint.visit_id == visit_id)
        .order_by(models.Complaint.number.desc())
        .limit(most)
    )
    return [ComplaintRecord(r.words, r.pain_now, r.pain_worst, tuple(r.sites), r.told_at) for r in rows]


def add_screen(
    session: Session, practice_id: str, visit_id: str, answers: Mapping[str, Answer], asked_by: str | None
) -> Verdict:
    """Store the answers of one asking and return what they mean.

    Raises
    ------
    KeyError
        If a question is not answered.

    """
    verdict = judge(answers)
    _row(session, practice_id, visit_id)
    query = select(func.max(models.SafetyScreen.number)).where(models.SafetyScreen.visit_id == visit_id)
    session.add(
        models.SafetyScreen(
            practice_id=practice_id,
            visit_id=visit_id,
            number=(session.scalar(query) or 0) + 1,
            answers={key: answer.value for key, answer in answers.items()},
            asked_by=asked_by,
        )
    )
    session.flush()
    return verdict


def clear(
    session: Session, practice_id: str, visit_id: str, member_id: str, reason: str, *, screen_id: str | None = None
) -> None:
    """Store a clinician's decision to go on after the newest screen, which must be ``screen_id`` if that is given.

    Raises
    ------
    NotFoundError
        If the visit has no screen.
    InputError
        If the questions were asked again since the screen that the clinician saw.
    NotAllowedError
        If the answers are an emergency.

    """
    _row(session, practice_id, visit_id)
    screen = newest_screen(session, visit_id)
    if screen is None:
        raise NotFoundError("The safety questions were not asked yet.", "Ask them first.")
    if not screen.verdict.tier.clearable:
        raise NotAllowedError(screen.verdict.headline, "Ask again at another visit, after the athlete was seen.")
    if screen_id is not None and screen.id != screen_id:
        raise InputError(
            "The safety questions were asked again meanwhile.", "Go back, read the new answers, then decide."
        )
    if screen.clearance is None:
        session.add(models.Clearance(practice_id=practice_id, screen_id=screen.id, member_id=member_id, reason=reason))
        session.flush()


def add_complaint(
    session: Session,
    practice_id: str,
    visit_id: str,
    *,
    words: str,
    pain_now: int | None,
    pain_worst: int | None,
    sites: Sequence[str],
    written_by: str | None,
) -> None:
    """Store what the athlete complains of; it replaces what was said before at the same visit."""
    _row(session, practice_id, visit_id)
    query = select(func.max(models.Complaint.number)).where(models.Complaint.visit_id == visit_id)
    session.add(
        models.Complaint(
            practice_id=practice_id,
            visit_id=visit_id,
            number=(session.scalar(query) or 0) + 1,
            words=words,
            pain_now=pain_now,
            pain_worst=pain_worst,
            sites=list(sites),
            written_by=written_by,
        )
    )
    session.flush()


def last_setup(session: Session, practice_id: str, athlete_id: str) -> dict[str, str]:
    """Return how the athlete's newest round was set up, so that the next one repeats it; empty if there is none."""
    setup = session.scalar(
        select(models.Round.setup)
        .join(models.Visit, models.Visit.id == models.Round.visit_id)
        .where(models.Visit.athlete_id == athlete_id, models.Visit.practice_id == practice_id)
        .order_by(models.Round.started_at.desc())
        .limit(1)
    )
    return {key: str(value) for key, value in (setup or {}).items()}
