"""A photo as the rest of the program sees it: upright pixels, focal length, time.

:func:`decode` turns the bytes of a JPEG, PNG, WebP or HEIC file into a :class:`Photo`, or raises a
:class:`~vision.errors.PhotoError` that says what to do. The type is read from the bytes, never from the name.
"""

import hashlib
import io
import math
import re
import struct
import warnings
from dataclasses import dataclass
from datetime import datetime
from typing import NoReturn

import numpy as np
import pi_heif
from PIL import Image, ImageFile, ImageOps

from vision.arrays import ByteArray
from vision.camera import FILM_DIAGONAL_MM
from vision.errors import PhotoError
from vision.findings import finding

_EXIF_IFD = 0x8769
_FOCAL_35MM = 0xA405
_PIXEL_X, _PIXEL_Y = 0xA002, 0xA003
_TIMES = (0x9003, 0x9004)  # DateTimeOriginal, DateTimeDigitized
_MODIFIED = 0x0132

_HEIF_STILLS = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"hevc", b"hevx"})
_FORMATS = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP", "image/heic": "HEIF"}


@dataclass(frozen=True, slots=True)
class PhotoLimits:
    """How large and how small a photo may be; all of it is checked before any pixel is decoded.

    Attributes
    ----------
    max_bytes
        Size of the file. Phones of 2026 write up to about 25 MB.
    max_pixels
        Width times height. The largest common phone pictures have 50 million; more than this is refused as
        a decompression bomb.
    min_side_px
        Shorter side: below it no landmark can be placed usefully.

    """

    max_bytes: int = 40 * 1024 * 1024
    max_pixels: int = 64_000_000
    min_side_px: int = 160


DEFAULT_LIMITS = PhotoLimits()


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photo, already turned upright.

    Attributes
    ----------
    pixels
        Shape (H, W, 3), uint8, RGB, EXIF orientation applied (mirrored ones too).
    focal_px
        Focal length in pixels of this picture, from the 35 mm equivalent by the diagonal convention;
        None when the file does not say.
    taken_at
        Time from EXIF, without zone; None when the file does not say.
    digest
        SHA-256 of the file's bytes, hex.
    media_type
        Sniffed type, e.g. ``image/jpeg``.

    """

    pixels: ByteArray
    focal_px: float | None
    taken_at: datetime | None
    digest: str
    media_type: str

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.pixels.shape[0])


def sniff(data: bytes) -> str | None:
    """Return the media type that the first bytes announce, or None if they announce nothing known.

    Besides the four types that can be decoded it names those that people send by mistake: ``video/*``,
    ``application/pdf``, ``image/gif``, ``image/tiff``, ``image/avif``.
    """
    head = data[:16]
    if head.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "image/webp"
    if head[4:8] == b"ftyp":
        return _sniff_ftyp(data)
    for start, kind in (
        (b"GIF8", "image/gif"),
        (b"%PDF-", "application/pdf"),
        (b"II*\0", "image/tiff"),
        (b"MM\0*", "image/tiff"),
        (b"\x1aE\xdf\xa3", "video/webm"),
    ):
        if head.startswith(start):
            return kind
    return None


def _sniff_ftyp(data: bytes) -> str:
    """Tell HEIC from AVIF and from video by the brands of an ISO base media file (ISO/IEC 14496-12)."""
    size = struct.unpack(">I", data[:4])[0]
    box = data[8 : min(max(size, 16), 256)]
    brands = {box[i : i + 4] for i in range(0, len(box), 4) if i != 4}
    if b"avif" in brands or b"avis" in brands:
        return "image/avif"
    return "image/heic" if brands & _HEIF_STILLS else "video/mp4"


def decode(data: bytes, limits: PhotoLimits = DEFAULT_LIMITS) -> Photo:
    """Decode the bytes of a JPEG, PNG, WebP or HEIC file and turn the picture upright.

    Parameters
    ----------
    data
        The whole file.
    limits
        Checked on the bytes and on the declared size, before decoding.

    Raises
    ------
    PhotoError
        With the code of a finding: ``photo-empty``, ``photo-too-big``, ``photo-not-a-picture``,
        ``photo-video``, ``photo-type-unsupported``, ``photo-too-many-pixels``, ``photo-too-small`` or
        ``photo-damaged``.

    """
    if not data:
        _refuse("photo-empty")
    if len(data) > limits.max_bytes:
        _refuse("photo-too-big", megabytes=round(len(data) / 1e6), limit=round(limits.max_bytes / 1e6))
    media_type = sniff(data)
    if media_type is None:
        _refuse("photo-not-a-picture")
    if media_type.startswith("video/"):
        _refuse("photo-video")
    if media_type not in _FORMATS:
        _refuse("photo-type-unsupported", type=media_type.partition("/")[2].upper())

    # A switch for the whole process, and other libraries throw it (WeasyPrint does when imported): half a photo
    # would then be measured as if its grey rest were the room.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    with warnings.catch_warnings():
        # Pillow warns about odd metadata and large sizes; the limits here are ours and stricter.
        warnings.simplefilter("ignore")
        try:
            image = _open(data, media_type)
            _check_size(image.size, limits)
            exif = image.getexif()
            declared = image.size
            image.load()
            upright = _upright(image)
        except PhotoError:
            raise
        except Exception as error:  # decoders raise anything from SyntaxError to struct.error on damaged files
            raise _error("photo-damaged") from error
        focal_px = _focal_px(exif, declared)
        taken_at = _taken_at(exif)
    pixels = np.asarray(upright, dtype=np.uint8)
    return Photo(pixels, focal_px, taken_at, hashlib.sha256(data).hexdigest(), media_type)


def _error(code: str, **values: object) -> PhotoError:
    return PhotoError.of(finding(code, None, **values))


def _refuse(code: str, **values: object) -> NoReturn:
    raise _error(code, **values)


def _open(data: bytes, media_type: str) -> Image.Image:
    """Read the header only; pixels are decoded by ``load``."""
    if media_type == "image/heic":
        pi_heif.register_heif_opener(thumbnails=False)
    return Image.open(io.BytesIO(data), formats=[_FORMATS[media_type]])


def _check_size(size: tuple[int, int], limits: PhotoLimits) -> None:
    width, height = size
    if width * height > limits.max_pixels:
        _refuse(
            "photo-too-many-pixels",
            megapixels=round(width * height / 1e6),
            limit=round(limits.max_pixels / 1e6),
        )
    if min(width, height) < limits.min_side_px:
        _refuse("photo-too-small", width=width, height=height, limit=limits.min_side_px)


def _upright(image: Image.Image) -> Image.Image:
    """Apply the EXIF orientation (all eight) and reduce every colour mode to RGB."""
    # pi-heif has turned HEIC pixels already and reports orientation 1, so this does nothing to them
    turned = ImageOps.exif_transpose(image)
    if turned.mode in ("I", "I;16", "I;16B", "I;16L"):  # 16 bit grey: convert() would clip instead of scale
        turned = Image.fromarray((np.asarray(turned, dtype=np.uint32) >> 8).astype(np.uint8))
    if turned.mode in ("RGBA", "LA", "PA") or "transparency" in turned.info:
        coloured = turned.convert("RGBA")
        ground = Image.new("RGBA", coloured.size, "white")
        turned = Image.alpha_composite(ground, coloured)
    return turned.convert("RGB")


def _focal_px(exif: Image.Exif, size: tuple[int, int]) -> float | None:
    """Focal length in pixels: 35 mm equivalent / 43.27 mm x diagonal of the picture in pixels.

    None when the tag is absent, is 0 ("unknown" in the Exif standard) or cannot be true, and when the picture
    was cropped after it was taken (its shape differs from the shape that the camera recorded): then the angle
    of view is not the camera's any more.
    """
    inner = exif.get_ifd(_EXIF_IFD)
    focal_mm = _number(inner.get(_FOCAL_35MM))
    if focal_mm is None or not 8 <= focal_mm <= 400:
        return None
    recorded = _number(inner.get(_PIXEL_X)), _number(inner.get(_PIXEL_Y))
    if recorded[0] and recorded[1]:
        shape = max(size) / min(size)
        recorded_shape = max(recorded[0], recorded[1]) / min(recorded[0], recorded[1])
        if abs(shape / recorded_shape - 1) > 0.02:
            return None
    return focal_mm / FILM_DIAGONAL_MM * math.hypot(*size)


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) else None


def _taken_at(exif: Image.Exif) -> datetime | None:
    inner = exif.get_ifd(_EXIF_IFD)
    for value in (*(inner.get(tag) for tag in _TIMES), exif.get(_MODIFIED)):
        match = re.match(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", str(value or ""))
        if match:
            try:
                return datetime(*(int(part) for part in match.groups()))  # type: ignore[arg-type]
            except ValueError:  # cameras without a set clock write 0000:00:00
                continue
    return None
