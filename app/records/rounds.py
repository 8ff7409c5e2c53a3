"""Visits, rounds and trials, and a whole round read in one go."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import NotFoundError
from app.records import models
from app.records.columns import now
from app.records.corrections import CorrectionRecord, corrections_of, in_force
from app.records.measurements import FitRecord, fits_of
from app.records.people import AthleteRecord, athlete
from app.records.photos import PhotoRecord, photos_of
from vision.sides import Side


@dataclass(frozen=True, slots=True)
class TrialRecord:
    """One trial with everything known about it.

    Attributes
    ----------
    automatic
        The newest fit made without any correction, or None as long as there is none.
    current
        The fit that holds now; the automatic one unless a correction is in force.
    corrections
        All of them, reverted ones too, oldest first.

    """

    id: str
    round_id: str
    side: Side
    number: int
    pain: int | None
    end_feel: str | None
    faults: tuple[str, ...]
    left_out: bool
    photos: tuple[PhotoRecord, ...]
    automatic: FitRecord | None
    current: FitRecord | None
    corrections: tuple[CorrectionRecord, ...]

    @property
    def drawn(self) -> FitRecord | None:
        """The fit whose lines are drawn on the photos: the one that holds, the automatic one under a typed angle."""
        return self.current if self.current is not None and self.current.projected else self.automatic

    @property
    def waiting(self) -> bool:
        """Whether a photo of it is still to be measured."""
        return any(p.state in ("waiting", "measuring") for p in self.photos)


@dataclass(frozen=True, slots=True)
class RoundRecord:
    """A round with its trials in the order they were made."""

    id: str
    practice_id: str
    visit_id: str
    number: int
    started_at: datetime
    setup: Mapping[str, Any]
    athlete: AthleteRecord
    visit_kind: str
    trials: tuple[TrialRecord, ...]

    def of_side(self, side: Side) -> tuple[TrialRecord, ...]:
        """Return the trials of ``side``."""
        return tuple(t for t in self.trials if t.side == side)


@dataclass(frozen=True, slots=True)
class RoundLine:
    """A round in a list."""

    id: str
    number: int
    started_at: datetime
    athlete_code: str
    photo_count: int
    waiting_count: int
    kind: str
    counts: bool  # False: a self-screen that nobody has accepted


def add_visit(
    session: Session,
    practice_id: str,
    athlete_id: str,
    kind: Literal["visit", "self-screen"] = "visit",
    *,
    started_at: datetime | None = None,
) -> str:
    """Begin a visit, now unless another moment is given, and return its id."""
    athlete(session, practice_id, athlete_id)
    row = models.Visit(practice_id=practice_id, athlete_id=athlete_id, kind=kind, started_at=started_at or now())
    session.add(row)
    session.flush()
    return row.id


def add_round(
    session: Session,
    practice_id: str,
    visit_id: str,
    setup: Mapping[str, Any] | None = None,
    *,
    started_at: datetime | None = None,
) -> str:
    """Begin the next round of a visit, now unless another moment is given, and return its id."""
    visit = session.get(models.Visit, visit_id)
    if visit is None or visit.practice_id != practice_id:
        raise NotFoundError("This visit does not exist.")
    last = session.scalar(select(func.max(models.Round.number)).where(models.Round.visit_id == visit_id)) or 0
    row = models.Round(practice_id=practice_id, visit_id=visit_id, number=last + 1, setup=dict(setup or {}))
    if started_at is not None:
        row.started_at = started_at
    session.add(row)
    session.flush()
    return row.id


def add_trial(session: Session, practice_id: str, round_id: str, side: Side) -> str:
    """Add a trial at the end of the round's order and return its id."""
    _round_row(session, practice_id, round_id)
    last = session.scalar(select(func.max(models.Trial.number)).where(models.Trial.round_id == round_id)) or 0
    row = models.Trial(practice_id=practice_id, round_id=round_id, side=side.value, number=last + 1)
    session.add(row)
    session.flush()
    return row.id


def describe_trial(
    session: Session,
    practice_id: str,
    trial_id: str,
    *,
    pain: int | None,
    end_feel: str | None,
    faults: Sequence[str],
    left_out: bool,
) -> None:
    """Store what the person and the practitioner noticed at the trial."""
    row = _trial_row(session, practice_id, trial_id)
    row.pain, row.end_feel, row.faults, row.left_out = pain, end_feel, list(faults), left_out


def set_side(session: Session, practice_id: str, trial_id: str, side: Side) -> None:
    """Declare another side for a trial; its fits must then be made again."""
    _trial_row(session, practice_id, trial_id).side = side.value


def remove_trial(session: Session, practice_id: str, trial_id: str) -> list[str]:
    """Remove a trial with its photos and results; returns the ids of the photos whose files must go too."""
    row = _trial_row(session, practice_id, trial_id)
    photo_ids = list(session.scalars(select(models.Photo.id).where(models.Photo.trial_id == trial_id)))
    session.delete(row)
    session.flush()
    return photo_ids


def _round_row(session: Session, practice_id: str, round_id: str) -> models.Round:
    row = session.get(models.Round, round_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This round does not exist.", "Go back to the list of rounds and choose another.")
    return row


def _trial_row(session: Session, practice_id: str, trial_id: str) -> models.Trial:
    row = session.get(models.Trial, trial_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This trial does not exist.", "Go back to the round and choose another.")
    return row


def round_of_trial(session: Session, practice_id: str, trial_id: str) -> str:
    """Return the id of the round a trial belongs to."""
    return _trial_row(session, practice_id, trial_id).round_id


def practice_of_round(session: Session, round_id: str) -> str | None:
    """Return the practice a round belongs to, for the fitting job; None if the round was removed."""
    return session.scalar(select(models.Round.practice_id).where(models.Round.id == round_id))


def athlete_of_trial(session: Session, practice_id: str, trial_id: str) -> str:
    """Return the id of the athlete a trial belongs to, for the audit log.

    Raises
    ------
    NotFoundError
        If the practice has no such trial.

    """
    row = _round_row(session, practice_id, _trial_row(session, practice_id, trial_id).round_id)
    return session.get_one(models.Visit, row.visit_id).athlete_id


def load_round(session: Session, practice_id: str, round_id: str) -> RoundRecord:
    """Read a round with its trials, photos, fits and corrections.

    Raises
    ------
    NotFoundError
        If the practice has no such round.

    """
    row = _round_row(session, practice_id, round_id)
    visit = session.get_one(models.Visit, row.visit_id)
    trial_rows = list(
        session.scalars(select(models.Trial).where(models.Trial.round_id == round_id).order_by(models.Trial.number))
    )
    ids = [t.id for t in trial_rows]
    photos, fits, corrections = photos_of(session, ids), fits_of(session, ids), corrections_of(session, ids)
    return RoundRecord(
        id=row.id,
        practice_id=row.practice_id,
        visit_id=row.visit_id,
        number=row.number,
        started_at=row.started_at,
        setup=row.setup,
        athlete=athlete(session, practice_id, visit.athlete_id),
        visit_kind=visit.kind,
        trials=tuple(_trial_record(t, photos[t.id], fits[t.id], corrections[t.id]) for t in trial_rows),
    )


def _trial_record(
    row: models.Trial,
    photos: Sequence[PhotoRecord],
    fits: Sequence[FitRecord],
    corrections: Sequence[CorrectionRecord],
) -> TrialRecord:
    newest: dict[str, FitRecord] = {f.rotation.origin: f for f in fits}
    typed, moved = in_force(corrections)
    origin = "typed" if typed is not None else "moved" if moved else "automatic"
    return TrialRecord(
        id=row.id,
        round_id=row.round_id,
        side=Side(row.side),
        number=row.number,
        pain=row.pain,
        end_feel=row.end_feel,
        faults=tuple(row.faults),
        left_out=row.left_out,
        photos=tuple(photos),
        automatic=newest.get("automatic"),
        current=newest.get(origin),
        corrections=tuple(corrections),
    )


def load_trial(session: Session, practice_id: str, trial_id: str) -> TrialRecord:
    """Read one trial with its photos, fits and corrections.

    Raises
    ------
    NotFoundError
        If the practice has no such trial.

    """
    row = _trial_row(session, practice_id, trial_id)
    return _trial_record(
        row,
        photos_of(session, [trial_id])[trial_id],
        fits_of(session, [trial_id])[trial_id],
        corrections_of(session, [trial_id])[trial_id],
    )


def recent_rounds(session: Session, practice_id: str, limit: int = 50) -> list[RoundLine]:
    """Return the newest rounds of the practice."""
    rows = session.execute(
        select(models.Round, models.Visit, models.Athlete.code)
        .join(models.Visit, models.Visit.id == models.Round.visit_id)
        .join(models.Athlete, models.Athlete.id == models.Visit.athlete_id)
        .where(models.Round.practice_id == practice_id)
        .order_by(models.Round.started_at.desc(), models.Round.id)
        .limit(limit)
    ).all()
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    states = session.execute(
        select(models.Trial.round_id, models.Photo.state)
        .join(models.Photo, models.Photo.trial_id == models.Trial.id)
        .where(models.Trial.round_id.in_([r.id for r, *_ in rows]))
    )
    for round_id, state in states:
        counts[round_id][0] += 1
        counts[round_id][1] += state in ("waiting", "measuring")
    return [
        RoundLine(
            id=r.id,
            number=r.number,
            started_at=r.started_at,
            athlete_code=code,
            photo_count=counts[r.id][0],
            waiting_count=counts[r.id][1],
            kind=v.kind,
            counts=v.kind == "visit" or v.accepted_at is not None,
        )
        for r, v, code in rows
    ]
