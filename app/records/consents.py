"""What an athlete agreed to; taken back, never deleted."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import NotAllowedError
from app.records import models
from app.records.columns import now
from app.records.people import athlete


@dataclass(frozen=True, slots=True)
class ConsentRecord:
    """One purpose agreed to; ``written_by`` is None if the athlete did it through a link."""

    purpose: str
    given_at: datetime
    written_by: str | None
    withdrawn_at: datetime | None


def consents_of(session: Session, practice_id: str, athlete_id: str) -> list[ConsentRecord]:
    """Return everything ever agreed to, oldest first."""
    athlete(session, practice_id, athlete_id)
    rows = session.scalars(
        select(models.Consent).where(models.Consent.athlete_id == athlete_id).order_by(models.Consent.given_at)
    )
    return [ConsentRecord(r.purpose, r.given_at, r.written_by, r.withdrawn_at) for r in rows]


def in_force(records: Collection[ConsentRecord]) -> frozenset[str]:
    """Return the purposes agreed to and not taken back."""
    return frozenset(r.purpose for r in records if r.withdrawn_at is None)


def refuse_if_taken_back(session: Session, practice_id: str, athlete_id: str, needed: frozenset[str]) -> None:
    """Do nothing unless something of ``needed`` was agreed to once and is not in force any more.

    Raises
    ------
    NotAllowedError
        If it was taken back: then nothing new may be stored.

    """
    records = consents_of(session, practice_id, athlete_id)
    if needed & frozenset(r.purpose for r in records) - in_force(records):
        raise NotAllowedError(
            "The athlete has taken back the consent to photos and records, so nothing new is stored.",
            "If they agree again, tick it on the athlete's page and send once more.",
        )


def set_consents(
    session: Session, practice_id: str, athlete_id: str, purposes: Collection[str], written_by: str | None
) -> None:
    """Make ``purposes`` the ones in force: new ones are added, missing ones taken back."""
    athlete(session, practice_id, athlete_id)
    rows = session.scalars(
        select(models.Consent).where(models.Consent.athlete_id == athlete_id, models.Consent.withdrawn_at.is_(None))
    ).all()
    have = {row.purpose for row in rows}
    for row in rows:
        if row.purpose not in purposes:
            row.withdrawn_at = now()
    for purpose in sorted(set(purposes) - have):
        session.add(
            models.Consent(practice_id=practice_id, athlete_id=athlete_id, purpose=purpose, written_by=written_by)
        )
    session.flush()
