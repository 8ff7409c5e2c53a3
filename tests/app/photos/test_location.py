"""The place where a photo was taken is removed, and nothing else."""

import io

import numpy as np
import pillow_heif
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from app.photos.location import without_location

LATITUDE = (47.0, 22.0, 8.5)


def photo_with_location(form):
    pixels = np.random.default_rng(5).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Camera maker"
    exif[ExifTags.Base.Orientation] = 1
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
    gps[ExifTags.GPS.GPSLatitude] = LATITUDE
    gps[ExifTags.GPS.GPSLatitudeRef] = "N"
    gps[ExifTags.GPS.GPSProcessingMethod] = b"ASCII\0\0\0a place name"
    out = io.BytesIO()
    if form == "HEIF":
        heif = pillow_heif.from_pillow(image)
        heif.save(out, exif=exif.tobytes())
    else:
        image.save(out, form, exif=exif)
    return out.getvalue()


def opened(data, form):
    if form == "HEIF":
        return pillow_heif.open_heif(io.BytesIO(data)).to_pillow()
    return Image.open(io.BytesIO(data))


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_location_goes_and_everything_else_stays(form):
    before = photo_with_location(form)
    assert opened(before, form).getexif().get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] == LATITUDE
    after = without_location(before)
    image = opened(after, form)
    exif = image.getexif()
    assert dict(exif.get_ifd(ExifTags.IFD.GPSInfo)) == {}
    assert exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] == 26
    assert np.array_equal(np.asarray(image), np.asarray(opened(before, form)))
    assert b"a place name" not in after
    assert len(after) == len(before)


def test_location_in_xmp_text_goes_too():
    xmp = b'<rdf exif:GPSLatitude="47,22.1N" exif:ExifVersion="0230"><exif:GPSLongitude>8,32E</exif:GPSLongitude></rdf>'
    after = without_location(b"\xff\xd8\xff\xe1" + xmp)
    assert b"47,22" not in after
    assert b"8,32E" not in after
    assert b'exif:ExifVersion="0230"' in after


def test_a_photo_without_location_is_returned_unchanged():
    out = io.BytesIO()
    Image.new("RGB", (9, 9)).save(out, "JPEG")
    assert without_location(out.getvalue()) == out.getvalue()


@given(st.binary(max_size=200), st.sampled_from([b"II*\0", b"MM\0*"]))
def test_damaged_blocks_never_break_it(rest, start):
    data = start + rest
    assert len(without_location(data)) == len(data)


@given(st.integers(0, 400))
def test_a_truncated_photo_never_breaks_it(keep):
    data = photo_with_location("JPEG")[:keep]
    assert len(without_location(data)) == len(data)
