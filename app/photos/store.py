"""Where the files of photos are kept: an interface, and a local folder that fulfils it."""

import os
import re
import secrets
import shutil
from pathlib import Path
from typing import Protocol

ORIGINAL = "original"  # as received, location removed
SHOWN = "shown.jpg"  # upright, without metadata, for pages
SMALL = "small.jpg"  # the same, for lists


class PhotoStore(Protocol):
    """Keeps the files of a photo by the photo's id and a short file name."""

    def put(self, photo_id: str, name: str, data: bytes) -> None:
        """Store ``data``; after return it survives a crash. Replaces what was there."""
        ...

    def get(self, photo_id: str, name: str) -> bytes | None:
        """Return the bytes, or None if there are none."""
        ...

    def erase(self, photo_id: str) -> None:
        """Remove every file of the photo; no error if there is none.

        Raises
        ------
        OSError
            If a file cannot be removed: then nobody may be told that it is gone.

        """
        ...


class LocalFolder:
    """A photo store in a folder of this computer, readable by its owner alone."""

    def __init__(self, root: Path) -> None:
        self._root = root
        root.mkdir(parents=True, exist_ok=True, mode=0o700)

    def _folder(self, photo_id: str) -> Path:
        if not re.fullmatch(r"[0-9a-f]{32}", photo_id):
            raise ValueError("not the id of a photo")
        return self._root / photo_id[:2] / photo_id

    def put(self, photo_id: str, name: str, data: bytes) -> None:
        """Write to a temporary file, force it to disk, then give it its name."""
        folder = self._folder(photo_id)
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        temporary = folder / f".{secrets.token_hex(8)}"
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(folder / name)
        for changed in (folder, folder.parent, self._root):  # a name that is not on disk is a file that is not there
            _force_to_disk(changed)

    def get(self, photo_id: str, name: str) -> bytes | None:
        """Read the file."""
        path = self._folder(photo_id) / name
        return path.read_bytes() if path.is_file() else None

    def erase(self, photo_id: str) -> None:
        """Remove the folder of the photo."""
        folder = self._folder(photo_id)
        for tries_left in (2, 1, 0):
            try:
                shutil.rmtree(folder)
            except OSError:
                if not folder.exists():
                    return
                if not tries_left:
                    raise
                # a measuring job may be writing into it: once more, then its file goes too
            else:
                return


def _force_to_disk(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
