"""Erasing: a whole athlete, or photos whose time is over. What is left is a tombstone, or the results."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from app.records import models
from app.records.people import athlete


@dataclass(frozen=True, slots=True)
class TombstoneRecord:
    """That somebody was erased, and nothing about whom."""

    erased_at: datetime
    erased_by: str | None
    visits: int
    photos: int


def photo_ids_of(session: Session, practice_id: str, athlete_id: str) -> list[str]:
    """Return the ids of all photos of an athlete, whose files have to go first."""
    athlete(session, practice_id, athlete_id)
    return list(
        session.scalars(
            select(models.Photo.id)
            .join(models.Trial, models.Trial.id == models.Photo.trial_id)
            .join(models.Round, models.Round.id == models.Trial.round_id)
            .join(models.Visit, models.Visit.id == models.Round.visit_id)
            .where(models.Visit.athlete_id == athlete_id)
        )
    )


def erase_athlete(session: Session, practice_id: str, athlete_id: str, erased_by: str) -> None:
    """Remove every row about the athlete and set a tombstone.

    The files of the photos must be erased before, so that a crash in between leaves rows that say what is still
    to be done, never files that nobody knows of. Audit entries stay: they hold a random id and no health data.

    Raises
    ------
    NotFoundError
        If the practice has no such athlete.

    """
    photo_ids = photo_ids_of(session, practice_id, athlete_id)
    visits = session.scalar(select(func.count()).select_from(models.Visit).where(models.Visit.athlete_id == athlete_id))
    if photo_ids:
        session.execute(delete(models.Job).where(models.Job.subject_id.in_(photo_ids)))
    session.execute(delete(models.Athlete).where(models.Athlete.id == athlete_id))  # the rest follows by cascade
    session.add(
        models.Tombstone(practice_id=practice_id, erased_by=erased_by, visits=visits or 0, photos=len(photo_ids))
    )
    session.flush()


def tombstones(session: Session, practice_id: str) -> list[TombstoneRecord]:
    """Return the tombstones of the practice, newest first."""
    rows = session.scalars(
        select(models.Tombstone)
        .where(models.Tombstone.practice_id == practice_id)
        .order_by(models.Tombstone.erased_at.desc())
    )
    return [TombstoneRecord(r.erased_at, r.erased_by, r.visits, r.photos) for r in rows]


def photos_due(session: Session, at: datetime) -> list[str]:
    """Return the photos of all practices that were kept for as long as their practice wants, and no job is open."""
    due: list[str] = []
    keepers = session.execute(
        select(models.Practice.id, models.Practice.keep_photos_days).where(
            models.Practice.keep_photos_days.is_not(None)
        )
    ).all()
    for practice_id, days in keepers:
        due.extend(
            session.scalars(
                select(models.Photo.id).where(
                    models.Photo.practice_id == practice_id,
                    models.Photo.created_at < at - timedelta(days=days or 0),
                    models.Photo.erased_at.is_(None),
                    models.Photo.state.in_(("measured", "not-measurable")),
                )
            )
        )
    return due


def mark_erased(session: Session, photo_ids: Sequence[str], at: datetime) -> None:
    """Write down that the files of these photos are gone; their results stay."""
    session.execute(update(models.Photo).where(models.Photo.id.in_(photo_ids)).values(erased_at=at))
