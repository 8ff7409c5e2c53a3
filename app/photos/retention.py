"""Erases the files of photos that were kept long enough; runs beside the server."""

import logging
import threading

from app.photos.store import PhotoStore
from app.records import erasing
from app.records.columns import now
from app.records.database import Database

log = logging.getLogger("kneelturn.retention")

EVERY_SECONDS = 6 * 3600.0


def erase_due(database: Database, store: PhotoStore) -> int:
    """Erase what is due now and return how many photos that were; safe to repeat and to break off."""
    with database.begin() as session:
        due = erasing.photos_due(session, now())
    for photo_id in due:
        store.erase(photo_id)
        with database.begin() as session:
            erasing.mark_erased(session, [photo_id], now())
    if due:
        log.info("%d photos were kept long enough and are erased", len(due))
    return len(due)


class RetentionThread:
    """Does it at the start and then every few hours."""

    def __init__(self, database: Database, store: PhotoStore) -> None:
        self._database = database
        self._store = store
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start; a second start of the same server changes nothing."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="retention", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End; work in hand is finished first."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=30)

    def _work(self) -> None:
        while not self._stopping.is_set():
            try:
                erase_due(self._database, self._store)
            except Exception:
                log.exception("photos could not be erased; trying again later")
            self._stopping.wait(EVERY_SECONDS)
