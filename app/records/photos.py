"""Rows of photos; the files themselves are in the photo store."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import NotFoundError
from app.records import models
from app.records.locks import lock_row
from app.records.measurements import MeasurementRecord, measurements_of

State = Literal["waiting", "measuring", "measured", "not-measurable"]


@dataclass(frozen=True, slots=True)
class PhotoRecord:
    """One photo and its newest automatic measurement."""

    id: str
    trial_id: str
    viewpoint: int
    file_name: str
    digest: str
    state: State
    width: int | None
    height: int | None
    focal_px: float | None
    media_type: str | None
    roll_deg: float | None
    created_at: datetime
    measurement: MeasurementRecord | None
    erased_at: datetime | None = None

    @property
    def shown(self) -> bool:
        """Whether there is a picture to show (the file could be decoded)."""
        return self.width is not None


def _record(row: models.Photo, measurement: MeasurementRecord | None) -> PhotoRecord:
    return PhotoRecord(
        id=row.id,
        trial_id=row.trial_id,
        viewpoint=row.viewpoint,
        file_name=row.file_name,
        digest=row.digest,
        state=row.state,  # type: ignore[arg-type]  # the table's check constraint
        width=row.width,
        height=row.height,
        focal_px=row.focal_px,
        media_type=row.media_type,
        roll_deg=row.roll_deg,
        created_at=row.created_at,
        measurement=measurement,
        erased_at=row.erased_at,
    )


def _row(session: Session, practice_id: str, photo_id: str) -> models.Photo:
    row = session.get(models.Photo, photo_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This photo does not exist.", "Go back to the round and choose another.")
    return row


def add_photo(
    session: Session,
    practice_id: str,
    trial_id: str,
    *,
    photo_id: str,
    upload_key: str,
    file_name: str,
    digest: str,
    byte_count: int,
    roll_deg: float | None = None,
) -> None:
    """Add a photo as the next viewpoint of a trial."""
    lock_row(session, models.Trial, trial_id)
    last = session.scalar(select(func.max(models.Photo.viewpoint)).where(models.Photo.trial_id == trial_id)) or 0
    session.add(
        models.Photo(
            id=photo_id,
            practice_id=practice_id,
            trial_id=trial_id,
            viewpoint=last + 1,
            upload_key=upload_key,
            file_name=file_name.replace("\0", "")[-255:],
            digest=digest,
            byte_count=byte_count,
            roll_deg=roll_deg,
        )
    )
    session.flush()


def photo_by_upload_key(session: Session, practice_id: str, upload_key: str) -> PhotoRecord | None:
    """Return the photo that was sent under this key before, if any."""
    row = session.scalars(
        select(models.Photo).where(models.Photo.practice_id == practice_id, models.Photo.upload_key == upload_key)
    ).first()
    return None if row is None else _record(row, measurements_of(session, [row.id]).get(row.id))


def photo(session: Session, practice_id: str, photo_id: str) -> PhotoRecord:
    """Return one photo.

    Raises
    ------
    NotFoundError
        If the practice has no such photo.

    """
    row = _row(session, practice_id, photo_id)
    return _record(row, measurements_of(session, [row.id]).get(row.id))


def practice_of_photo(session: Session, photo_id: str) -> str | None:
    """Return the practice a photo belongs to, for the measuring job; None if the photo was removed."""
    return session.scalar(select(models.Photo.practice_id).where(models.Photo.id == photo_id))


def photos_of(session: Session, trial_ids: Sequence[str]) -> dict[str, list[PhotoRecord]]:
    """Return trial id to its photos by viewpoint."""
    rows = list(
        session.scalars(
            select(models.Photo).where(models.Photo.trial_id.in_(trial_ids)).order_by(models.Photo.viewpoint)
        )
    )
    newest = measurements_of(session, [r.id for r in rows])
    result: dict[str, list[PhotoRecord]] = defaultdict(list)
    for row in rows:
        result[row.trial_id].append(_record(row, newest.get(row.id)))
    return result


def earlier_in_round(session: Session, practice_id: str, photo_id: str) -> dict[str, str]:
    """Return id to digest of the photos that were sent earlier for the same round."""
    row = _row(session, practice_id, photo_id)
    round_id = select(models.Trial.round_id).where(models.Trial.id == row.trial_id).scalar_subquery()
    rows = session.execute(
        select(models.Photo.id, models.Photo.digest)
        .join(models.Trial, models.Trial.id == models.Photo.trial_id)
        .where(models.Trial.round_id == round_id, models.Photo.id != row.id, models.Photo.created_at <= row.created_at)
    )
    return {r.id: r.digest for r in rows}


def waiting_in_round(session: Session, round_id: str, *, besides: str) -> int:
    """Return how many photos of a round are still to be measured, besides the one named."""
    return (
        session.scalar(
            select(func.count())
            .select_from(models.Photo)
            .join(models.Trial, models.Trial.id == models.Photo.trial_id)
            .where(
                models.Trial.round_id == round_id,
                models.Photo.id != besides,
                models.Photo.state.in_(["waiting", "measuring"]),
            )
        )
        or 0
    )


def set_state(session: Session, practice_id: str, photo_id: str, state: State) -> None:
    """Store how far the photo is."""
    _row(session, practice_id, photo_id).state = state


def describe_photo(
    session: Session,
    practice_id: str,
    photo_id: str,
    *,
    width: int,
    height: int,
    focal_px: float | None,
    media_type: str,
    taken_at: datetime | None,
) -> None:
    """Store what decoding found out."""
    row = _row(session, practice_id, photo_id)
    row.width, row.height, row.focal_px, row.media_type = width, height, focal_px, media_type
    row.taken_at = None if taken_at is None else taken_at.isoformat()
