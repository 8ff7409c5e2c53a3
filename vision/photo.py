"""A photo as the rest of the program sees it: upright pixels, focal length, time."""

from dataclasses import dataclass
from datetime import datetime

from vision.arrays import ByteArray


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
