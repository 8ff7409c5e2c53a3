"""The folder of photos: nothing is open to others, nothing stays that is said to be gone."""

import shutil
import stat

import pytest

from app.photos.store import ORIGINAL, LocalFolder

PHOTO_ID = "ab" * 16


def test_what_cannot_be_removed_is_not_said_to_be_gone(tmp_path, monkeypatch):
    store = LocalFolder(tmp_path / "photos")
    store.put(PHOTO_ID, ORIGINAL, b"a photo")

    def refuse(_folder, ignore_errors=False):
        if not ignore_errors:
            raise PermissionError("the disk is read-only")

    monkeypatch.setattr(shutil, "rmtree", refuse)
    with pytest.raises(PermissionError):
        store.erase(PHOTO_ID)


def test_erasing_twice_is_harmless(tmp_path):
    store = LocalFolder(tmp_path / "photos")
    store.put(PHOTO_ID, ORIGINAL, b"a photo")
    store.erase(PHOTO_ID)
    store.erase(PHOTO_ID)
    assert store.get(PHOTO_ID, ORIGINAL) is None


def test_only_the_servers_own_user_may_enter(tmp_path):
    store = LocalFolder(tmp_path / "photos")
    store.put(PHOTO_ID, ORIGINAL, b"a photo")
    assert stat.S_IMODE((tmp_path / "photos").stat().st_mode) == 0o700


@pytest.mark.parametrize("name", ["..", "../../etc/passwd", "AB" * 16, "ab" * 15, "ab" * 16 + "/x", ""])
def test_what_is_no_id_reaches_no_file(tmp_path, name):
    store = LocalFolder(tmp_path / "photos")
    for reach in (lambda: store.get(name, ORIGINAL), lambda: store.put(name, ORIGINAL, b""), lambda: store.erase(name)):
        with pytest.raises(ValueError, match="not the id of a photo"):
            reach()
