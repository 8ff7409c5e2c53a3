"""Automatic measurements of photos and fits of trials; rows are only ever added."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.records import models, stored
from app.records.stored import Projected
from vision.landmarks import Landmarks
from vision.rotation import Rotation


@dataclass(frozen=True, slots=True)
class MeasurementRecord:
    """What the finder said about one photo, once."""

    id: str
    photo_id: str
    made_at: datetime
    software: str
    landmarks: Landmarks


@dataclass(frozen=True, slots=True)
class FitRecord:
    """The rotation of one trial, once; ``projected`` says where the fitted body lies in its photos."""

    id: str
    trial_id: str
    number: int
    made_at: datetime
    software: str
    rotation: Rotation
    projected: Projected


def add_measurement(session: Session, practice_id: str, photo_id: str, landmarks: Landmarks, software: str) -> None:
    """Add the automatic result of a photo."""
    session.add(
        models.Measurement(
            practice_id=practice_id,
            photo_id=photo_id,
            finder=landmarks.finder,
            software=software,
            result=stored.landmarks_to_json(landmarks),
        )
    )
    session.flush()


def add_fit(
    session: Session, practice_id: str, trial_id: str, rotation: Rotation, software: str, projected: Projected
) -> None:
    """Add a rotation of a trial, unless the newest one of the same origin says the same already."""
    result = stored.rotation_to_json(rotation) | {"projected": stored.projected_to_json(projected)}
    newest = session.scalars(
        select(models.Fit)
        .where(models.Fit.trial_id == trial_id, models.Fit.origin == rotation.origin)
        .order_by(models.Fit.number.desc())
        .limit(1)
    ).first()
    if newest is not None and newest.result == result and newest.software == software:
        return
    last = session.scalar(select(func.max(models.Fit.number)).where(models.Fit.trial_id == trial_id)) or 0
    session.add(
        models.Fit(
            practice_id=practice_id,
            trial_id=trial_id,
            number=last + 1,
            origin=rotation.origin,
            software=software,
            result=result,
        )
    )
    session.flush()


def measurements_of(session: Session, photo_ids: Sequence[str]) -> dict[str, MeasurementRecord]:
    """Return photo id to its newest measurement."""
    rows = session.scalars(
        select(models.Measurement)
        .where(models.Measurement.photo_id.in_(photo_ids))
        .order_by(models.Measurement.made_at, models.Measurement.id)
    )
    return {
        r.photo_id: MeasurementRecord(r.id, r.photo_id, r.made_at, r.software, stored.landmarks_from_json(r.result))
        for r in rows
    }


def fits_of(session: Session, trial_ids: Sequence[str]) -> dict[str, list[FitRecord]]:
    """Return trial id to its fits, oldest first."""
    rows = session.scalars(select(models.Fit).where(models.Fit.trial_id.in_(trial_ids)).order_by(models.Fit.number))
    result: dict[str, list[FitRecord]] = defaultdict(list)
    for r in rows:
        rotation, projected = stored.rotation_from_json(r.result), stored.projected_from_json(r.result)
        result[r.trial_id].append(FitRecord(r.id, r.trial_id, r.number, r.made_at, r.software, rotation, projected))
    return result
