"""Takes an uploaded file in: stored first, measured later, never lost and never stored twice."""

import hashlib
from dataclasses import dataclass

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile

from app.errors import InputError, TooLargeError
from app.photos.jobs import MEASURE_PHOTO, JobQueue
from app.photos.location import without_location
from app.photos.store import ORIGINAL, PhotoStore
from app.records import photos, rounds
from app.records.columns import new_id
from app.records.database import Database
from vision.sides import Side

ATTEMPTS = 20  # photos sent at the same moment to the same round take their numbers one after the other


@dataclass(frozen=True, slots=True)
class Upload:
    """One file as sent.

    Attributes
    ----------
    upload_key
        Chosen by the sender, the same at each repetition of the same sending.
    trial_id
        The trial this is another viewpoint of; None begins a new trial.
    roll_deg
        Tilt of the phone from its motion sensor, if known.

    """

    data: bytes
    file_name: str
    upload_key: str
    side: Side
    trial_id: str | None = None
    roll_deg: float | None = None


def read_file(file: UploadFile, max_bytes: int) -> bytes:
    """Return the bytes of a file as sent.

    Raises
    ------
    TooLargeError
        If it has more than ``max_bytes``; then nothing of it is read.

    """
    if file.size is not None and file.size > max_bytes:
        raise TooLargeError(
            f"The file has {file.size / 1e6:.0f} million bytes, more than the {max_bytes / 1e6:.0f} allowed.",
            "Send the photo as the camera made it, not a film or a scan.",
        )
    return file.file.read()


def received_digest(data: bytes) -> str:
    """Return the digest of a file as it was received, before its place of taking was removed."""
    return hashlib.sha256(data).hexdigest()


def keys_of(upload_key: str, digest: str) -> tuple[str, str]:
    """Return the keys under which a file may lie: its own, and that of another picture sent under the same key."""
    return upload_key, f"{upload_key[:35]}-{digest}"


def take_in(
    database: Database,
    store: PhotoStore,
    queue: JobQueue,
    practice_id: str,
    round_id: str,
    upload: Upload,
) -> photos.PhotoRecord:
    """Store an uploaded photo and ask for its measuring; a repeated sending returns the photo of the first.

    Another picture under a key that was used before is a photo of its own: a form may be sent again after going back
    and choosing another file.

    Raises
    ------
    InputError
        If the sending has no key, or names a trial of another round or side.

    """
    if not 8 <= len(upload.upload_key) <= 100:
        raise InputError("The photo came without its sending key.", "Reload the page and send the photo again.")
    photo_id = new_id()
    try:
        store.put(photo_id, ORIGINAL, without_location(upload.data))
        record = _record(database, queue, practice_id, round_id, upload, photo_id)
    except BaseException:
        store.erase(photo_id)  # no row knows this file
        raise
    if record.id != photo_id:
        store.erase(photo_id)  # sent before
    queue.wake()
    return record


def _record(
    database: Database, queue: JobQueue, practice_id: str, round_id: str, upload: Upload, photo_id: str
) -> photos.PhotoRecord:
    """Add the photo's row and its job, or return the photo of the first sending."""
    digest = received_digest(upload.data)
    for attempt in range(ATTEMPTS):
        try:
            with database.begin() as session:
                key, other = keys_of(upload.upload_key, digest)
                earlier = photos.photo_by_upload_key(session, practice_id, key)
                if earlier is not None and earlier.digest != digest:
                    key = other
                    earlier = photos.photo_by_upload_key(session, practice_id, key)
                if earlier is not None:
                    return earlier
                trial_id = _trial(session, practice_id, round_id, upload)
                photos.add_photo(
                    session,
                    practice_id,
                    trial_id,
                    photo_id=photo_id,
                    upload_key=key,
                    file_name=upload.file_name,
                    digest=digest,
                    byte_count=len(upload.data),
                    roll_deg=upload.roll_deg,
                )
                queue.enqueue(session, MEASURE_PHOTO, photo_id)
                return photos.photo(session, practice_id, photo_id)
        except IntegrityError:
            # another sending at the same moment took the key or the number of the trial: look again
            if attempt == ATTEMPTS - 1:
                raise
    raise AssertionError("unreachable")


def _trial(session: Session, practice_id: str, round_id: str, upload: Upload) -> str:
    if upload.trial_id is None:
        return rounds.add_trial(session, practice_id, round_id, upload.side)
    trial = rounds.load_trial(session, practice_id, upload.trial_id)
    if trial.round_id != round_id or trial.side != upload.side:
        raise InputError("The trial chosen for this photo is another one.", "Reload the page, choose again.")
    return trial.id
