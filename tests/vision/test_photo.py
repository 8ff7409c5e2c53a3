"""Decoding: every type, every orientation, every way in which a file can be wrong."""

import contextlib
import io
import math
import struct
import subprocess
import tracemalloc
import zlib
from datetime import datetime

import numpy as np
import pi_heif
import pillow_heif
import pytest
from PIL import Image, ImageFile

from vision.errors import PhotoError
from vision.photo import PhotoLimits, decode, sniff

W, H = 320, 240


def scene() -> Image.Image:
    """A picture whose four quarters tell every turn and mirror apart."""
    pixels = np.zeros((H, W, 3), np.uint8)
    pixels[: H // 2, : W // 2] = (200, 30, 30)
    pixels[: H // 2, W // 2 :] = (30, 200, 30)
    pixels[H // 2 :, : W // 2] = (30, 30, 200)
    pixels[H // 2 :, W // 2 :] = (220, 220, 220)
    return Image.fromarray(pixels)


def exif(orientation: int = 1, focal35: object = 26, taken: str | None = "2026:03:04 05:06:07", shape=None):
    e = Image.Exif()
    e[0x0112] = orientation
    inner = {}
    if focal35 is not None:
        inner[0xA405] = focal35
    if taken is not None:
        inner[0x9003] = taken
    if shape is not None:
        inner[0xA002], inner[0xA003] = shape
    e[0x8769] = inner
    return e


def encode(image: Image.Image, kind: str, **options) -> bytes:
    out = io.BytesIO()
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    image.save(out, kind, **options)
    return out.getvalue()


def corners(pixels: np.ndarray) -> list[tuple[int, ...]]:
    """Rounded colours near the four corners: top left, top right, bottom left, bottom right."""
    h, w = pixels.shape[:2]
    points = [(h // 8, w // 8), (h // 8, w - w // 8), (h - h // 8, w // 8), (h - h // 8, w - w // 8)]
    return [tuple(round(float(c) / 64) for c in pixels[y, x]) for y, x in points]


@pytest.mark.parametrize(
    ("kind", "media_type"),
    [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp"), ("HEIF", "image/heic")],
)
def test_each_type_is_told_from_its_bytes_and_decoded(kind, media_type):
    data = encode(scene(), kind, quality=90)
    photo = decode(data)
    assert photo.media_type == media_type
    assert (photo.width, photo.height) == (W, H)
    assert photo.pixels.dtype == np.uint8
    assert corners(photo.pixels) == corners(np.asarray(scene()))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_every_exif_orientation_ends_upright(kind, orientation):
    # stored pixels = the inverse of the turn that the tag asks for (Exif 2.32, tag 0112)
    inverse = {
        1: None,
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }[orientation]
    stored = scene() if inverse is None else scene().transpose(inverse)
    photo = decode(encode(stored, kind, exif=exif(orientation)))
    assert (photo.width, photo.height) == (W, H)
    assert corners(photo.pixels) == corners(np.asarray(scene()))


def test_a_turned_heic_ends_upright_and_keeps_its_focal_length():
    stored = scene().transpose(Image.Transpose.ROTATE_90)
    photo = decode(encode(stored, "HEIF", exif=exif(6).tobytes(), quality=90))
    assert (photo.width, photo.height) == (W, H)
    assert corners(photo.pixels) == corners(np.asarray(scene()))
    assert photo.focal_px == pytest.approx(26 / 43.2666 * 400, rel=1e-4)


def test_focal_length_follows_the_diagonal_convention():
    # 50 mm on film sees 46.8 deg along the diagonal: 2 atan(43.27 / 100), common photographic practice
    photo = decode(encode(scene(), "JPEG", exif=exif(focal35=50)))
    diagonal_deg = math.degrees(2 * math.atan(math.hypot(W, H) / 2 / photo.focal_px))
    assert diagonal_deg == pytest.approx(46.8, abs=0.05)


@pytest.mark.parametrize("focal35", [None, 0, 1, 9000])
def test_an_absent_or_impossible_focal_length_is_unknown(focal35):
    assert decode(encode(scene(), "JPEG", exif=exif(focal35=focal35))).focal_px is None


def test_the_focal_length_of_a_cropped_picture_is_unknown():
    assert decode(encode(scene(), "JPEG", exif=exif(shape=(4000, 3000)))).focal_px is not None
    assert decode(encode(scene(), "JPEG", exif=exif(shape=(4000, 2250)))).focal_px is None


def test_time_comes_from_exif_without_a_zone():
    assert decode(encode(scene(), "JPEG", exif=exif())).taken_at == datetime(2026, 3, 4, 5, 6, 7)
    assert decode(encode(scene(), "JPEG", exif=exif(taken="0000:00:00 00:00:00"))).taken_at is None
    assert decode(encode(scene(), "JPEG")).taken_at is None


@pytest.mark.parametrize("mode", ["L", "RGBA", "P", "LA", "I;16", "1"])
def test_every_colour_mode_becomes_rgb(mode):
    image = Image.fromarray(np.full((H, W), 40000, np.uint16)) if mode == "I;16" else scene().convert(mode)
    photo = decode(encode(image, "PNG"))
    assert photo.pixels.shape == (H, W, 3)
    if mode == "I;16":
        assert photo.pixels[0, 0, 0] == 40000 >> 8


def test_transparent_parts_become_white():
    photo = decode(encode(Image.new("RGBA", (W, H), (10, 20, 30, 0)), "PNG"))
    assert photo.pixels.min() == 255


def test_a_cmyk_jpeg_is_decoded():
    assert decode(encode(scene().convert("CMYK"), "JPEG")).pixels.shape == (H, W, 3)


def test_the_digest_is_the_sha256_of_the_file():
    data = encode(scene(), "PNG")
    out = subprocess.run(["sha256sum"], input=data, capture_output=True, check=True).stdout
    assert decode(data).digest == out.decode().split()[0]


def code_of(data: bytes, **limits) -> str:
    with pytest.raises(PhotoError) as caught:
        decode(data, PhotoLimits(**limits))
    assert caught.value.message
    assert caught.value.advice, "every refusal names a remedy"
    return caught.value.code


def test_zero_bytes_are_refused():
    assert code_of(b"") == "photo-empty"


@pytest.mark.parametrize("data", [b"hello, this is text", b"PK\x03\x04" + bytes(100), bytes(1000), b"\xff"])
def test_what_is_not_a_picture_is_refused(data):
    assert code_of(data) == "photo-not-a-picture"


def test_a_video_is_refused_as_a_video():
    assert code_of(struct.pack(">I", 24) + b"ftypisom\0\0\0\0isommp42" + bytes(50)) == "photo-video"


def test_pictures_of_other_types_are_refused_by_name():
    with pytest.raises(PhotoError, match="GIF") as caught:
        decode(encode(scene(), "GIF"))
    assert caught.value.code == "photo-type-unsupported"
    assert sniff(encode(scene(), "TIFF")) == "image/tiff"
    assert sniff(encode(scene(), "AVIF")) == "image/avif"


def test_half_a_photo_is_refused_even_where_another_library_told_pillow_to_take_it(monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    data = encode(scene(), "JPEG")
    assert code_of(data[: len(data) // 2]) == "photo-damaged"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
@pytest.mark.parametrize("part", [0.02, 0.3, 0.7, 0.95])
def test_a_file_cut_short_is_refused_whatever_is_left_of_it(kind, part):
    noise = Image.fromarray(np.random.default_rng(1).integers(0, 255, (H, W, 3), np.uint8))
    data = encode(noise, kind, quality=90)
    assert code_of(data[: max(int(len(data) * part), 12)]) == "photo-damaged"


def test_noise_behind_a_true_signature_is_refused():
    rng = np.random.default_rng(3)
    for start in (
        b"\xff\xd8\xff\xe0",
        b"\x89PNG\r\n\x1a\n",
        b"RIFF\x10\0\0\0WEBP",
        b"\0\0\0\x18ftypheic\0\0\0\0mif1heic",
    ):
        for length in (0, 10, 1000):
            assert code_of(start + rng.bytes(length)) == "photo-damaged"


def bomb(width: int, height: int) -> bytes:
    """A valid PNG of one colour: tens of kilobytes that would unpack to hundreds of megabytes."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    rows = zlib.compressobj(9)
    line = b"\0" + bytes(width // 8)
    packed = b"".join(rows.compress(line) for _ in range(height)) + rows.flush()
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def test_a_hundred_megapixel_bomb_is_refused_without_unpacking_it():
    data = bomb(10_000, 10_000)
    assert len(data) < 100_000
    tracemalloc.start()
    try:
        assert code_of(data) == "photo-too-many-pixels"
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()


def test_limits_on_bytes_and_on_the_smaller_side_hold():
    data = encode(scene(), "JPEG")
    assert code_of(data, max_bytes=len(data) - 1) == "photo-too-big"
    decode(data, PhotoLimits(max_bytes=len(data)))
    assert code_of(data, min_side_px=H + 1) == "photo-too-small"
    decode(data, PhotoLimits(min_side_px=H))
    assert code_of(data, max_pixels=W * H - 1) == "photo-too-many-pixels"
    decode(data, PhotoLimits(max_pixels=W * H))


def test_a_twelve_megapixel_heic_is_decoded():
    big = scene().resize((4032, 3024))
    photo = decode(encode(big, "HEIF", quality=50, exif=exif().tobytes()))
    assert (photo.width, photo.height) == (4032, 3024)
    assert corners(photo.pixels) == corners(np.asarray(scene()))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_damaged_bytes_are_decoded_or_refused_but_nothing_else(kind):
    rng = np.random.default_rng(11)
    data = encode(scene(), kind, quality=80, exif=exif().tobytes())
    for _ in range(60):
        broken = bytearray(data)
        for at in rng.integers(0, len(broken), rng.integers(1, 30)):
            broken[at] = rng.integers(0, 256)
        with contextlib.suppress(PhotoError):  # anything else fails the test
            assert decode(bytes(broken)).pixels.ndim == 3


def test_a_phone_jpeg_with_a_second_picture_inside_gives_the_first():
    out = io.BytesIO()
    scene().save(out, "MPO", save_all=True, append_images=[Image.new("RGB", (W, H))], quality=90)
    photo = decode(out.getvalue())
    assert photo.media_type == "image/jpeg"
    assert corners(photo.pixels) == corners(np.asarray(scene()))


def test_a_heic_is_not_decoded_before_its_size_is_checked(monkeypatch):
    data = encode(scene().resize((2000, 1500)), "HEIF", quality=50)
    decoded = []
    monkeypatch.setattr(pi_heif.HeifImageFile, "load", lambda self: decoded.append(self))
    assert code_of(data, max_pixels=2_999_999) == "photo-too-many-pixels"
    assert decoded == []
