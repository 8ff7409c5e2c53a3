"""The audit log: who read or changed what, when. No health data stands in it."""

from sqlalchemy.orm import Session

from app.records import models


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
