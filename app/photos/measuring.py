"""Measures one photo: looks at it, keeps what was seen, and has its round fitted again."""

import io
from collections.abc import Mapping
from dataclasses import replace

from PIL import Image

from app.errors import NotFoundError
from app.photos.fitting import fit_round_again, software
from app.photos.jobs import FIT_ROUND, JobQueue
from app.photos.measurer import Measurer
from app.photos.store import ORIGINAL, SHOWN, SMALL, PhotoStore
from app.records import measurements, models, photos, rounds
from app.records.database import Database
from app.records.locks import lock_row
from vision import quality
from vision.errors import KneelturnError
from vision.findings import Finding, finding
from vision.landmarks import Landmarks
from vision.photo import Photo, decode
from vision.sides import Side

SMALL_PX = 320  # longer edge of the copy for lists


def measure_photo(database: Database, store: PhotoStore, measurer: Measurer, photo_id: str, *, shown_px: int) -> None:
    """Measure one photo and fit its round; safe to repeat.

    A photo that cannot be measured is kept with the reason, never an error.
    """
    with database.begin() as session:
        practice_id = photos.practice_of_photo(session, photo_id)
        if practice_id is None:
            return  # removed meanwhile
        photos.set_state(session, practice_id, photo_id, "measuring")
        before = photos.photo(session, practice_id, photo_id)
        trial = rounds.load_trial(session, practice_id, before.trial_id)
        earlier = photos.earlier_in_round(session, practice_id, photo_id)

    photo, found = _look(store, measurer, photo_id, trial.side)
    if photo is not None:
        shown = store_copies(store, photo_id, photo, shown_px)
        if _given_before(photo.digest, shown, earlier, store):
            found = replace(found, findings=(*found.findings, finding("photo-twice")))

    try:
        with database.begin() as session:
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
            erased = photos.photo(session, practice_id, photo_id).erased_at is not None
            if erased and before.measurement is not None:
                found = before.measurement.landmarks  # the picture's time is over, its result stays
            else:
                measurements.add_measurement(session, practice_id, photo_id, found, software())
            others_wait = photos.waiting_in_round(session, trial.round_id, besides=photo_id) > 0
        if erased:
            store.erase(photo_id)  # copies made of a file that was read just before it was erased
        fit_round_again(database, practice_id, trial.round_id, measurer, only=trial.id if others_wait else None)
        with database.begin() as session:
            lock_row(session, models.Round, trial.round_id)  # one of two that end together must be the last
            photos.set_state(session, practice_id, photo_id, "measured" if found.points else "not-measurable")
            last = photos.waiting_in_round(session, trial.round_id, besides=photo_id) == 0
        if others_wait and last:  # another worker ended meanwhile and left the whole round to this one
            fit_round_again(database, practice_id, trial.round_id, measurer)
    except NotFoundError:
        store.erase(photo_id)  # removed while it was being measured


def keep_unmeasured(database: Database, queue: JobQueue, photo_id: str) -> None:
    """Keep a photo whose measuring broke down again and again, with that as the reason; its round is fitted without."""
    with database.begin() as session:
        practice_id = photos.practice_of_photo(session, photo_id)
        if practice_id is not None:
            found = Landmarks({}, finder="none", findings=(finding("measuring-broke"),))
            measurements.add_measurement(session, practice_id, photo_id, found, software())
            photos.set_state(session, practice_id, photo_id, "not-measurable")
            trial_id = photos.photo(session, practice_id, photo_id).trial_id
            queue.enqueue(session, FIT_ROUND, rounds.round_of_trial(session, practice_id, trial_id))


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


def _given_before(digest: str, shown: bytes, earlier: Mapping[str, str], store: PhotoStore) -> bool:
    """Return whether the same picture was given before in the round; ``earlier`` maps photo id to digest."""
    copies = [(copy, earlier[i]) for i in earlier if (copy := store.get(i, SHOWN)) is not None]
    as_photos = [replace(decode(copy), digest=known) for copy, known in (*copies, (shown, digest))]
    return as_photos[-1] in quality.repeated_photos(as_photos)


def store_copies(store: PhotoStore, photo_id: str, photo: Photo, shown_px: int) -> bytes:
    """Store the copies of a photo that pages show, in place of earlier ones, and return the larger one."""
    shown = shown_copy(photo, shown_px)
    store.put(photo_id, SMALL, shown_copy(photo, SMALL_PX))
    store.put(photo_id, SHOWN, shown)
    return shown


def shown_copy(photo: Photo, longer_edge_px: int) -> bytes:
    """Return a JPEG of the upright photo without any metadata, at most ``longer_edge_px`` long."""
    picture = Image.fromarray(photo.pixels)
    picture.thumbnail((longer_edge_px, longer_edge_px), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=85, optimize=True, progressive=True)
    return out.getvalue()
