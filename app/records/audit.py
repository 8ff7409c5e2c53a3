"""The audit log: who read or changed what, when. No health data stands in it."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.records import models

A_PAGE = 200


@dataclass(frozen=True, slots=True)
class EntryRecord:
    """One entry; ids only, since the member or the athlete may be gone."""

    at: datetime
    member_id: str | None
    athlete_id: str | None
    action: str
    subject_kind: str
    subject_id: str


def note(
    session: Session,
    practice_id: str,
    member_id: str | None,
    action: str,
    subject_kind: str,
    subject_id: str,
    *,
    athlete_id: str | None = None,
) -> None:
    """Write one entry, e.g. ``note(s, p, m, "read", "round", round_id, athlete_id=a)``."""
    session.add(
        models.AuditEntry(
            practice_id=practice_id,
            member_id=member_id,
            athlete_id=athlete_id,
            action=action,
            subject_kind=subject_kind,
            subject_id=subject_id,
        )
    )


def entries(
    session: Session, practice_id: str, *, athlete_id: str | None = None, until: datetime | None = None
) -> list[EntryRecord]:
    """Return up to :data:`A_PAGE` entries before ``until``, newest first, of one athlete if given."""
    query = select(models.AuditEntry).where(models.AuditEntry.practice_id == practice_id)
    if athlete_id is not None:
        query = query.where(models.AuditEntry.athlete_id == athlete_id)
    if until is not None:
        query = query.where(models.AuditEntry.at < until)
    rows = session.scalars(query.order_by(models.AuditEntry.at.desc(), models.AuditEntry.id).limit(A_PAGE))
    return [EntryRecord(r.at, r.member_id, r.athlete_id, r.action, r.subject_kind, r.subject_id) for r in rows]
