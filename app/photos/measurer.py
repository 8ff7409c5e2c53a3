"""What the measuring jobs need from ``vision``, in one place."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from vision.landmarks import Landmarks
from vision.photo import Photo
from vision.rotation import Rotation
from vision.sides import Side


@dataclass(frozen=True, slots=True)
class Viewed:
    """Landmarks of one photo with what the fit needs to know of the camera.

    Attributes
    ----------
    focal_px
        None when the file did not say.

    """

    landmarks: Landmarks
    width: int
    height: int
    focal_px: float | None
    roll_deg: float | None = None


@dataclass(frozen=True, slots=True)
class TrialViews:
    """The photos of one trial, and its declared side."""

    views: tuple[Viewed, ...]
    side: Side


@dataclass(frozen=True, slots=True)
class Fitted:
    """The rotation of a trial, and where the fitted body lies in each of its photos.

    Attributes
    ----------
    projected
        For each view, landmark name to ``(x, y)`` in pixels; empty without a fit.

    """

    rotation: Rotation
    projected: tuple[Mapping[str, tuple[float, float]], ...]


class Measurer(Protocol):
    """Decodes photos, finds landmarks, fits trials."""

    def decode(self, data: bytes) -> Photo:
        """Return the upright photo.

        Raises
        ------
        vision.errors.PhotoError
            If the bytes cannot be used as a photo.

        """
        ...

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks of the person in position; empty with findings if there is none."""
        ...

    def fit(self, trials: Sequence[TrialViews], breadth_mm: float | None) -> list[Fitted]:
        """Return the rotation of each trial of one person, withheld with findings where it cannot be given."""
        ...

    def advise(self, trial: TrialViews, breadth_mm: float | None) -> tuple[str, ...]:
        """Return what would narrow the band of a trial, each in one sentence with its figures; empty if nothing."""
        ...

    def move(self, landmarks: Landmarks, moved: Mapping[str, tuple[float, float]]) -> Landmarks:
        """Return ``landmarks`` with some points placed by hand."""
        ...
