"""Drill plans, their links, and what was done."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.care.drills import BY_KEY, Dose, Drill
from app.errors import NotFoundError
from app.records import models
from app.records.columns import now
from app.records.people import athlete
from app.security.tokens import digest, new_token


@dataclass(frozen=True, slots=True)
class PlannedDrill:
    """A drill of a plan with its dose."""

    drill: Drill
    dose: Dose


@dataclass(frozen=True, slots=True)
class DoneRecord:
    """A drill done on one day; pain 0 to 10."""

    drill: str
    day: date
    pain: int | None


@dataclass(frozen=True, slots=True)
class PlanRecord:
    """A plan with everything done so far, newest day first."""

    id: str
    practice_id: str
    athlete_id: str
    items: tuple[PlannedDrill, ...]
    note: str
    given_at: datetime
    given_by: str | None
    link_until: datetime | None
    done: tuple[DoneRecord, ...]


def _record(session: Session, row: models.DrillPlan) -> PlanRecord:
    done = session.scalars(
        select(models.DrillDone)
        .where(models.DrillDone.plan_id == row.id)
        .order_by(models.DrillDone.day.desc(), models.DrillDone.drill)
    )
    return PlanRecord(
        id=row.id,
        practice_id=row.practice_id,
        athlete_id=row.athlete_id,
        items=tuple(
            PlannedDrill(BY_KEY[item["drill"]], Dose(**item["dose"])) for item in row.items if item["drill"] in BY_KEY
        ),
        note=row.note,
        given_at=row.given_at,
        given_by=row.given_by,
        link_until=row.link_until,
        done=tuple(DoneRecord(d.drill, date.fromisoformat(d.day), d.pain) for d in done),
    )


def plans_of(session: Session, practice_id: str, athlete_id: str) -> list[PlanRecord]:
    """Return the athlete's plans, oldest first; the last one holds."""
    athlete(session, practice_id, athlete_id)
    rows = session.scalars(
        select(models.DrillPlan)
        .where(models.DrillPlan.athlete_id == athlete_id)
        .order_by(models.DrillPlan.given_at, models.DrillPlan.id)
    )
    return [_record(session, row) for row in rows]


def add_plan(
    session: Session,
    practice_id: str,
    athlete_id: str,
    items: Sequence[tuple[str, Dose]],
    note: str,
    given_by: str | None,
    *,
    given_at: datetime | None = None,
) -> PlanRecord:
    """Give the athlete a new plan, now unless another moment is given; ``items`` are pairs of drill key and dose."""
    athlete(session, practice_id, athlete_id)
    row = models.DrillPlan(
        practice_id=practice_id,
        athlete_id=athlete_id,
        items=[{"drill": key, "dose": asdict(dose)} for key, dose in items],
        note=note,
        given_by=given_by,
        given_at=given_at or now(),
    )
    session.add(row)
    session.flush()
    return _record(session, row)


def plan(session: Session, practice_id: str, plan_id: str) -> PlanRecord:
    """Return one plan.

    Raises
    ------
    NotFoundError
        If the practice has no such plan.

    """
    return _record(session, _row(session, practice_id, plan_id))


def _row(session: Session, practice_id: str, plan_id: str) -> models.DrillPlan:
    row = session.get(models.DrillPlan, plan_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This drill plan does not exist.", "Go back to the athlete.")
    return row


def make_link(session: Session, practice_id: str, plan_id: str, until: datetime) -> str:
    """Make the plan readable through a link until then, and return the link's secret; an earlier link ends."""
    row = _row(session, practice_id, plan_id)
    token = new_token()
    row.link_digest, row.link_until = token.digest, until
    session.flush()
    return token.secret


def end_link(session: Session, practice_id: str, plan_id: str) -> None:
    """End the plan's link."""
    row = _row(session, practice_id, plan_id)
    row.link_digest = row.link_until = None


def plan_of_link(session: Session, secret: str, at: datetime) -> PlanRecord:
    """Return the plan that a link shows.

    Raises
    ------
    NotFoundError
        If there is no such link (any more); guessed, ended and expired ones cannot be told apart.

    """
    row = session.scalars(select(models.DrillPlan).where(models.DrillPlan.link_digest == digest(secret))).first()
    if row is None or row.link_until is None or row.link_until <= at:
        raise NotFoundError("This link does not work (any more).", "Ask your practitioner for a new one.")
    return _record(session, row)


def note_done(session: Session, record: PlanRecord, drill: str, day: date, pain: int | None) -> None:
    """Write down that a drill of the plan was done; a second note for the same day replaces the first."""
    row = session.scalars(
        select(models.DrillDone).where(
            models.DrillDone.plan_id == record.id,
            models.DrillDone.drill == drill,
            models.DrillDone.day == day.isoformat(),
        )
    ).first()
    if row is None:
        row = models.DrillDone(practice_id=record.practice_id, plan_id=record.id, drill=drill, day=day.isoformat())
        session.add(row)
    row.pain = pain
    session.flush()
