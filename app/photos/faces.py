"""Takes a face out of a stored photo for good, keeping what measuring needs of the file."""

import io
import math
from collections.abc import Mapping

from PIL import Image

from app.photos.report_pictures import blur_face
from vision.camera import FILM_DIAGONAL_MM
from vision.landmarks import Landmark
from vision.photo import Photo

_EXIF_IFD, _FOCAL_35MM, _TAKEN_AT = 0x8769, 0xA405, 0x9003


def without_face(photo: Photo, points: Mapping[str, Landmark]) -> bytes | None:
    """Return a JPEG of the upright photo with the head made unrecognisable, or None if the head was not found.

    Of the metadata only the focal length and the time stay: an embedded preview would show the face again.
    """
    picture = blur_face(Image.fromarray(photo.pixels), points)
    if picture is None:
        return None
    exif = Image.Exif()
    inner = exif.get_ifd(_EXIF_IFD)
    if photo.focal_px is not None:
        inner[_FOCAL_35MM] = round(photo.focal_px / math.hypot(photo.width, photo.height) * FILM_DIAGONAL_MM)
    if photo.taken_at is not None:
        inner[_TAKEN_AT] = f"{photo.taken_at:%Y:%m:%d %H:%M:%S}"
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=95, subsampling=0, exif=exif)
    return out.getvalue()
