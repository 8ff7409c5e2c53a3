"""Corrections: moved landmarks and typed angles, with who, why and when; reverted, never deleted."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import NotFoundError
from app.records import models
from app.records.columns import now
from app.records.locks import lock_row


@dataclass(frozen=True, slots=True)
class CorrectionRecord:
    """One correction.

    Attributes
    ----------
    moved
        Landmark name to ``(x, y)`` in pixels of the upright photo; empty for a typed angle.
    angle_deg, half_band_deg
        The typed angle in the trial's direction and half the width of its 95 % band.

    """

    id: str
    trial_id: str
    photo_id: str | None
    member_id: str | None
    number: int
    kind: Literal["moved", "typed"]
    moved: Mapping[str, tuple[float, float]]
    angle_deg: float | None
    half_band_deg: float | None
    reason: str
    blind: bool
    made_at: datetime
    reverted_at: datetime | None
    reverted_by: str | None


def _record(row: models.Correction) -> CorrectionRecord:
    return CorrectionRecord(
        id=row.id,
        trial_id=row.trial_id,
        photo_id=row.photo_id,
        member_id=row.member_id,
        number=row.number,
        kind=row.kind,  # type: ignore[arg-type]  # the table's check constraint
        moved={name: (xy[0], xy[1]) for name, xy in row.moved.items()},
        angle_deg=row.angle_deg,
        half_band_deg=row.angle_half_band_deg,
        reason=row.reason,
        blind=row.blind,
        made_at=row.made_at,
        reverted_at=row.reverted_at,
        reverted_by=row.reverted_by,
    )


def corrections_of(session: Session, trial_ids: Sequence[str]) -> dict[str, list[CorrectionRecord]]:
    """Return trial id to its corrections, oldest first, reverted ones too."""
    rows = session.scalars(
        select(models.Correction).where(models.Correction.trial_id.in_(trial_ids)).order_by(models.Correction.number)
    )
    result: dict[str, list[CorrectionRecord]] = defaultdict(list)
    for row in rows:
        result[row.trial_id].append(_record(row))
    return result


def _next_number(session: Session, trial_id: str) -> int:
    lock_row(session, models.Trial, trial_id)  # which of two corrections is the newer one must never be open
    query = select(func.max(models.Correction.number)).where(models.Correction.trial_id == trial_id)
    return (session.scalar(query) or 0) + 1


def add_moved(
    session: Session,
    practice_id: str,
    trial_id: str,
    photo_id: str,
    member_id: str | None,
    moved: Mapping[str, tuple[float, float]],
    *,
    reason: str = "",
    blind: bool = False,
) -> str:
    """Add moved landmarks of one photo; the newest ones of a photo replace earlier ones. Returns the id."""
    row = models.Correction(
        practice_id=practice_id,
        trial_id=trial_id,
        photo_id=photo_id,
        member_id=member_id,
        number=_next_number(session, trial_id),
        kind="moved",
        moved={name: [round(x, 2), round(y, 2)] for name, (x, y) in moved.items()},
        reason=reason,
        blind=blind,
    )
    session.add(row)
    session.flush()
    return row.id


def add_typed(
    session: Session,
    practice_id: str,
    trial_id: str,
    member_id: str | None,
    angle_deg: float,
    half_band_deg: float,
    *,
    reason: str,
    blind: bool = False,
) -> str:
    """Add a typed angle, degrees in the trial's direction. Returns the id."""
    row = models.Correction(
        practice_id=practice_id,
        trial_id=trial_id,
        member_id=member_id,
        number=_next_number(session, trial_id),
        kind="typed",
        angle_deg=angle_deg,
        angle_half_band_deg=half_band_deg,
        reason=reason,
        blind=blind,
    )
    session.add(row)
    session.flush()
    return row.id


def revert(session: Session, practice_id: str, correction_id: str, member_id: str | None) -> str:
    """Take a correction back (it stays in the history) and return the id of its trial.

    Raises
    ------
    NotFoundError
        If the practice has no such correction.

    """
    row = session.get(models.Correction, correction_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This correction does not exist.", "Reload the page: it may have changed meanwhile.")
    if row.reverted_at is None:
        row.reverted_at, row.reverted_by = now(), member_id
    return row.trial_id


def in_force(corrections: Sequence[CorrectionRecord]) -> tuple[CorrectionRecord | None, dict[str, CorrectionRecord]]:
    """Return what holds now: the typed angle or None, and photo id to its moved landmarks.

    A typed angle holds until landmarks are moved after it; of each photo the newest moved landmarks hold. Points
    placed blind are a second reading to compare with: they never hold.
    """
    active = [c for c in corrections if c.reverted_at is None and not c.blind]
    moved = {c.photo_id: c for c in active if c.kind == "moved" and c.photo_id is not None}
    newest = active[-1] if active else None
    return (newest if newest is not None and newest.kind == "typed" else None), moved
