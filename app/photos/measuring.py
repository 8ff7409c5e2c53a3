"""Measures one photo, and fits a trial again whenever something it rests on has changed."""

import io
from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version

from PIL import Image
from sqlalchemy.orm import Session

from app.errors import NotFoundError
from app.photos.measurer import Measurer, Viewed
from app.photos.store import ORIGINAL, SHOWN, PhotoStore
from app.records import corrections, measurements, photos, rounds
from app.records.database import Database
from app.records.stored import Projected
from vision.errors import KneelturnError
from vision.findings import Finding, finding
from vision.landmarks import Landmarks
from vision.photo import Photo
from vision.rotation import Rotation
from vision.sides import Side

Z95 = 1.959963984540054  # half width of a central 95 % interval in standard deviations


def software() -> str:
    """Return name and version of this program, as stored with each result."""
    try:
        return f"kneelturn {version('kneelturn')}"
    except PackageNotFoundError:
        return "kneelturn (not installed)"


def measure_photo(database: Database, store: PhotoStore, measurer: Measurer, photo_id: str, *, shown_px: int) -> None:
    """Measure one photo and fit its trial; safe to repeat.

    A photo that cannot be measured is kept with the reason, never an error.
    """
    with database.begin() as session:
        practice_id = photos.practice_of_photo(session, photo_id)
        if practice_id is None:
            return  # removed meanwhile
        photos.set_state(session, practice_id, photo_id, "measuring")
        trial = rounds.load_trial(session, practice_id, photos.photo(session, practice_id, photo_id).trial_id)
        twice = photos.same_photo_elsewhere(session, practice_id, photo_id)

    photo, found = _look(store, measurer, photo_id, trial.side)
    if photo is not None:
        store.put(photo_id, SHOWN, shown_copy(photo, shown_px))
    if twice:
        found = _with_finding(found, finding("photo-twice"))

    with database.begin() as session:
        try:
            if photo is not None:
                photos.describe_photo(
                    session,
                    practice_id,
                    photo_id,
                    width=photo.width,
                    height=photo.height,
                    focal_px=photo.focal_px,
                    media_type=photo.media_type,
                    taken_at=photo.taken_at,
                )
            measurements.add_measurement(session, practice_id, photo_id, found, software())
            photos.set_state(session, practice_id, photo_id, "measured" if found.points else "not-measurable")
            fit_trial_again(session, practice_id, trial.id, measurer)
        except NotFoundError:
            session.rollback()
            store.erase(photo_id)  # removed while it was being measured


def keep_unmeasured(database: Database, photo_id: str) -> None:
    """Keep a photo whose measuring broke down again and again, with that as the reason."""
    with database.begin() as session:
        practice_id = photos.practice_of_photo(session, photo_id)
        if practice_id is not None:
            found = Landmarks({}, finder="none", findings=(finding("measuring-broke"),))
            measurements.add_measurement(session, practice_id, photo_id, found, software())
            photos.set_state(session, practice_id, photo_id, "not-measurable")


def _look(store: PhotoStore, measurer: Measurer, photo_id: str, side: Side) -> tuple[Photo | None, Landmarks]:
    data = store.get(photo_id, ORIGINAL)
    if data is None:
        return None, Landmarks({}, finder="none", findings=(finding("photo-lost"),))
    try:
        photo = measurer.decode(data)
    except KneelturnError as error:
        return None, Landmarks({}, finder="none", findings=(as_finding(error),))
    try:
        return photo, measurer.find(photo, side)
    except KneelturnError as error:
        return photo, Landmarks({}, finder="none", findings=(as_finding(error),))


def as_finding(error: KneelturnError) -> Finding:
    """Return an error about a photo as the finding that is kept with it."""
    return Finding(error.code, error.message, error.advice, withholds=True)


def _with_finding(found: Landmarks, extra: Finding) -> Landmarks:
    return replace(found, findings=(*found.findings, extra))


def shown_copy(photo: Photo, longer_edge_px: int) -> bytes:
    """Return a JPEG of the upright photo without any metadata, at most ``longer_edge_px`` long."""
    picture = Image.fromarray(photo.pixels)
    picture.thumbnail((longer_edge_px, longer_edge_px), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85, optimize=True, progressive=True)
    return out.getvalue()


def fit_trial_again(session: Session, practice_id: str, trial_id: str, measurer: Measurer) -> Rotation | None:
    """Fit a trial from its photos and the corrections in force, store the result, and return what holds.

    The automatic fit is stored first, so that it stays beside whatever a person changed. Returns None as
    long as no photo of the trial was looked at and no angle was typed.
    """
    trial = rounds.load_trial(session, practice_id, trial_id)
    breadth_mm = rounds.breadth_of_trial(session, practice_id, trial_id)
    rotation = None
    if any(p.measurement is not None for p in trial.photos):
        rotation = _store(session, practice_id, trial_id, _fit(trial, {}, breadth_mm, measurer))
    typed, moved = corrections.in_force(trial.corrections)
    if typed is not None:
        rotation = typed_rotation(trial.side, typed.angle_deg or 0.0, typed.half_band_deg or 0.0)
        _store(session, practice_id, trial_id, (rotation, {}))
    elif moved:
        by_hand = fit_by_hand(trial, {photo_id: c.moved for photo_id, c in moved.items()}, breadth_mm, measurer)
        rotation = _store(session, practice_id, trial_id, by_hand)
    return rotation


def _store(session: Session, practice_id: str, trial_id: str, fit: tuple[Rotation, Projected]) -> Rotation:
    rotation, projected = fit
    measurements.add_fit(session, practice_id, trial_id, rotation, software(), projected)
    return rotation


def fit_by_hand(
    trial: rounds.TrialRecord,
    moved: Mapping[str, Mapping[str, tuple[float, float]]],
    breadth_mm: float | None,
    measurer: Measurer,
) -> tuple[Rotation, Projected]:
    """Fit a trial with some points placed by hand; stores nothing.

    ``moved`` maps photo id to the moved points: name to ``(x, y)`` in pixels.
    """
    rotation, projected = _fit(trial, moved, breadth_mm, measurer)
    return replace(rotation, origin="moved"), projected


def _fit(
    trial: rounds.TrialRecord,
    moved: Mapping[str, Mapping[str, tuple[float, float]]],
    breadth_mm: float | None,
    measurer: Measurer,
) -> tuple[Rotation, Projected]:
    views = {}
    unreadable: list[Finding] = []
    for photo in trial.photos:
        view = _view(photo)
        if view is None:
            unreadable += photo.measurement.landmarks.findings if photo.measurement else ()
        elif photo.id in moved:
            views[photo.id] = replace(view, landmarks=measurer.move(view.landmarks, moved[photo.id]))
        else:
            views[photo.id] = view
    if not views:
        return Rotation(trial.side, None, None, None, None, "automatic", tuple(unreadable)), {}
    fitted = measurer.fit(list(views.values()), trial.side, breadth_mm)
    return fitted.rotation, dict(zip(views, fitted.projected, strict=True))


def _view(photo: photos.PhotoRecord) -> Viewed | None:
    """Return what the fit sees of a photo; None as long as nobody looked at it or if it could not be decoded."""
    if photo.measurement is None or photo.width is None or photo.height is None:
        return None
    return Viewed(photo.measurement.landmarks, photo.width, photo.height, photo.focal_px, photo.roll_deg)


def typed_rotation(side: Side, angle_deg: float, half_band_deg: float) -> Rotation:
    """Return the rotation of a typed angle, degrees in the direction of ``side``."""
    right_deg = angle_deg * (side.sign or 1)
    return Rotation(
        side=side,
        right_deg=right_deg,
        band_right_deg=(right_deg - half_band_deg, right_deg + half_band_deg),
        sd_deg=half_band_deg / Z95,
        posterior=None,
        origin="typed",
    )
