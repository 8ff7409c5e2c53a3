"""Practices, their members, and athletes."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import NotFoundError
from app.records import models


@dataclass(frozen=True, slots=True)
class PracticeRecord:
    """A practice."""

    id: str
    name: str
    demo: bool
    own_sem_deg: float | None
    keep_photos_days: int | None = None


@dataclass(frozen=True, slots=True)
class MemberRecord:
    """Someone who works in a practice."""

    id: str
    practice_id: str
    name: str
    role: str


@dataclass(frozen=True, slots=True)
class AthleteRecord:
    """The person measured."""

    id: str
    code: str
    breadth_mm: float | None
    created_at: datetime


def practice(session: Session, practice_id: str) -> PracticeRecord:
    """Return the practice.

    Raises
    ------
    NotFoundError
        If there is none.

    """
    row = session.get(models.Practice, practice_id)
    if row is None:
        raise NotFoundError("This practice does not exist.")
    return PracticeRecord(row.id, row.name, row.demo, row.own_sem_deg, row.keep_photos_days)


def set_own_sem(session: Session, practice_id: str, own_sem_deg: float | None) -> None:
    """Store the practice's own standard error of measurement, degrees; None goes back to the published one."""
    session.get_one(models.Practice, practice_id).own_sem_deg = own_sem_deg


def set_keep_photos_days(session: Session, practice_id: str, days: int | None) -> None:
    """Store after how many days photos are erased; None keeps them."""
    session.get_one(models.Practice, practice_id).keep_photos_days = days


def add_practice(session: Session, name: str, *, demo: bool = False) -> PracticeRecord:
    """Make a practice."""
    row = models.Practice(name=name, demo=demo)
    session.add(row)
    session.flush()
    return PracticeRecord(row.id, row.name, row.demo, row.own_sem_deg)


def add_member(session: Session, practice_id: str, name: str, role: str) -> MemberRecord:
    """Add a member; ``role`` is owner, clinician or coach."""
    row = models.Member(practice_id=practice_id, name=name, role=role)
    session.add(row)
    session.flush()
    return MemberRecord(row.id, row.practice_id, row.name, row.role)


def first_member(session: Session, *, demo: bool | None = None) -> MemberRecord | None:
    """Return the member who was added first and is not disabled, of a demo practice or of a real one if said."""
    query = select(models.Member).where(models.Member.disabled_at.is_(None))
    if demo is not None:
        query = query.join(models.Practice, models.Practice.id == models.Member.practice_id)
        query = query.where(models.Practice.demo.is_(demo))
    row = session.scalars(query.order_by(models.Member.created_at, models.Member.id).limit(1)).first()
    return None if row is None else MemberRecord(row.id, row.practice_id, row.name, row.role)


def member_names(session: Session, practice_id: str) -> dict[str, str]:
    """Return member id to name for the practice."""
    rows = session.execute(select(models.Member.id, models.Member.name).where(models.Member.practice_id == practice_id))
    return {row.id: row.name for row in rows}


def _athlete_record(row: models.Athlete) -> AthleteRecord:
    return AthleteRecord(row.id, row.code, row.breadth_mm, row.created_at)


def athletes(session: Session, practice_id: str) -> list[AthleteRecord]:
    """Return the athletes of the practice by code."""
    rows = session.scalars(
        select(models.Athlete).where(models.Athlete.practice_id == practice_id).order_by(models.Athlete.code)
    )
    return [_athlete_record(row) for row in rows]


def athlete(session: Session, practice_id: str, athlete_id: str) -> AthleteRecord:
    """Return one athlete.

    Raises
    ------
    NotFoundError
        If the practice has no such athlete.

    """
    row = session.get(models.Athlete, athlete_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This athlete does not exist.")
    return _athlete_record(row)


def athlete_by_code(session: Session, practice_id: str, code: str) -> AthleteRecord:
    """Return the athlete with this code, adding them if the practice has none."""
    row = session.scalars(
        select(models.Athlete).where(models.Athlete.practice_id == practice_id, models.Athlete.code == code)
    ).first()
    if row is None:
        row = models.Athlete(practice_id=practice_id, code=code)
        session.add(row)
        session.flush()
    return _athlete_record(row)


def set_breadth(session: Session, practice_id: str, athlete_id: str, breadth_mm: float | None) -> None:
    """Store the tape-measured shoulder breadth, millimetres, or forget it."""
    athlete(session, practice_id, athlete_id)
    row = session.get_one(models.Athlete, athlete_id)
    row.breadth_mm = breadth_mm
