"""The copies of a photo that pages show."""

import io

import numpy as np
from PIL import Image

from app.photos.measuring import store_copies
from app.photos.store import SHOWN, SMALL, LocalFolder
from vision.photo import decode

PHOTO_ID = "0" * 32


def photo_of(grey):
    out = io.BytesIO()
    Image.new("RGB", (2400, 1800), (grey,) * 3).save(out, "JPEG")
    return decode(out.getvalue())


def test_both_copies_are_replaced_together_so_that_nothing_covered_shows_in_a_list(tmp_path):
    store = LocalFolder(tmp_path)
    for grey in (30, 200):
        store_copies(store, PHOTO_ID, photo_of(grey), 1600)
    for name, longer in ((SHOWN, 1600), (SMALL, 320)):
        copy = Image.open(io.BytesIO(store.get(PHOTO_ID, name)))
        assert max(copy.size) == longer
        assert np.asarray(copy).min() > 190


def test_copies_carry_no_metadata(tmp_path):
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "Camera maker"
    Image.new("RGB", (400, 300)).save(out, "JPEG", exif=exif)
    store = LocalFolder(tmp_path)
    store_copies(store, PHOTO_ID, decode(out.getvalue()), 1600)
    assert b"Camera maker" not in store.get(PHOTO_ID, SHOWN) + store.get(PHOTO_ID, SMALL)
