"""What happens to a photo of a self-screen after it was stored and after it was measured."""

from app.photos.faces import without_face
from app.photos.measurer import Measurer
from app.photos.measuring import store_copies
from app.photos.store import ORIGINAL, PhotoStore
from app.records import photos, self_screens
from app.records.database import Database
from app.records.self_screen_steps import settle
from vision.errors import KneelturnError

FINISH_PHOTO = "finish-self-screen-photo"
"""Kind of the job that does :func:`after_measuring` for a photo that was measured before its step was stored."""


def after_measuring(database: Database, store: PhotoStore, measurer: Measurer, photo_id: str, *, shown_px: int) -> None:
    """Blur the face if that was asked for, and let the best try of the step count; safe to repeat."""
    with database.begin() as session:
        record = self_screens.submission_of_photo(session, photo_id)
        if record is None:
            return  # not of a self-screen, or its capture is not stored yet
        capture = next(c for c in record.captures if c.photo_id == photo_id)
        settle(session, record, [capture.step])
    if capture.face == "to-be-blurred":
        blur_face(database, store, measurer, record.practice_id, photo_id, shown_px=shown_px)


def blur_face(
    database: Database, store: PhotoStore, measurer: Measurer, practice_id: str, photo_id: str, *, shown_px: int
) -> None:
    """Replace the stored files of a measured photo by ones with the head made unrecognisable."""
    with database.begin() as session:
        photo = photos.photo(session, practice_id, photo_id)
    if photo.state in ("waiting", "measuring"):
        return  # done after measuring
    points = photo.measurement.landmarks.points if photo.measurement else {}
    data = store.get(photo_id, ORIGINAL)
    face: self_screens.Face = "head-not-found"
    if points and data is not None:
        try:
            covered = without_face(measurer.decode(data), points)
            blurred = None if covered is None else measurer.decode(covered)
        except KneelturnError:
            covered = blurred = None  # a file that cannot be decoded shows no face
        if covered is not None and blurred is not None:
            store_copies(store, photo_id, blurred, shown_px)
            store.put(photo_id, ORIGINAL, covered)
            face = "blurred-on-arrival"
    with database.begin() as session:
        present = photos.practice_of_photo(session, photo_id) is not None
        if present:
            self_screens.set_face(session, photo_id, face)
    if not present:
        store.erase(photo_id)  # removed while its face was being blurred


def give_up_finishing(database: Database, photo_id: str) -> None:
    """Say that the face was not blurred, if that was asked for."""
    with database.begin() as session:
        record = self_screens.submission_of_photo(session, photo_id)
        if record and any(c.photo_id == photo_id and c.face == "to-be-blurred" for c in record.captures):
            self_screens.set_face(session, photo_id, "head-not-found")
