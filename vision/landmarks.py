"""Named points on a person in a photo, each with its own uncertainty, and the finder interface."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from vision.arrays import FloatArray
from vision.findings import Finding
from vision.photo import Photo
from vision.sides import Side


@dataclass(frozen=True, slots=True)
class Landmark:
    """One point, in pixels of the upright photo (origin at the top left corner, pixel centres at +0.5).

    Attributes
    ----------
    x, y
        Position, pixels.
    cov
        Covariance of the position, pixels squared: ``(var_x, cov_xy, var_y)``.
    seen
        Whether the point itself is visible; hidden points are inferred.
    source
        Who placed it: ``eye`` (our own network), ``pose-model``, ``second-look`` (the pose model as a check on the
        network) or ``hand``.

    """

    x: float
    y: float
    cov: tuple[float, float, float]
    seen: bool
    source: str

    @property
    def sd_px(self) -> float:
        """Return the root mean square of the two principal standard deviations, pixels."""
        return float(np.sqrt((self.cov[0] + self.cov[2]) / 2))

    @classmethod
    def round_(cls, x: float, y: float, sd_px: float, seen: bool, source: str) -> "Landmark":
        """Make a landmark with the same standard deviation in every direction."""
        return cls(x, y, (sd_px**2, 0.0, sd_px**2), seen, source)


@dataclass(frozen=True)
class AngleEvidence:
    """A distribution over the rotation angle read from the whole picture.

    Attributes
    ----------
    grid_deg
        Shape (N,), signed angles, right positive, increasing.
    log_density
        Shape (N,), natural logarithm of the likelihood up to a constant.
    source
        Who gave it.

    """

    grid_deg: FloatArray
    log_density: FloatArray
    source: str


@dataclass(frozen=True, slots=True)
class CameraLook:
    """How a finder sees the camera stand.

    Attributes
    ----------
    quarter_turns
        By how many quarter turns counter-clockwise the picture must be turned to stand upright, 0 to 3.
    azimuth_deg
        Direction of the camera around the trunk: 0 the person's right side, 90 the head, 180 left, -90 the feet.

    """

    quarter_turns: int
    azimuth_deg: float

    @property
    def off_side_deg(self) -> float:
        """As :func:`off_side_deg`."""
        return off_side_deg(self.azimuth_deg)


def off_side_deg(azimuth_deg: float) -> float:
    """Return the angle between the camera's direction and the nearer side-on one, 0 to 90 degrees."""
    return abs((azimuth_deg + 90) % 180 - 90)


@dataclass(frozen=True)
class Landmarks:
    """What a finder says about one photo.

    Attributes
    ----------
    points
        Name (one of :data:`vision.landmark_names.NAMES`) to landmark; a name may be absent. Empty when no person in
        position was found: then ``findings`` say why.
    finder
        Name and version of the finder.
    in_position
        Probability that the chosen person is in the heel-sit kneeling position, or None if not judged.
    angle
        Direct evidence on the rotation angle, if the finder gives any.
    findings
        What was noticed while finding.
    camera
        How the camera stands, if the finder tells.
    second
        What another finder says about the same photo, as a check (:mod:`vision.two_eyes`).
    misread
        Whether a person moved points farther than the finder's reading of the picture allows, which was set aside.

    """

    points: Mapping[str, Landmark]
    finder: str
    in_position: float | None = None
    angle: AngleEvidence | None = None
    findings: tuple[Finding, ...] = field(default=())
    camera: CameraLook | None = None
    second: "Landmarks | None" = None
    misread: bool = False

    @property
    def measurable(self) -> bool:
        """Whether an angle may be computed from the points: there are some, and no finding withholds it."""
        return bool(self.points) and not any(f.withholds for f in self.findings)

    @property
    def trunk_px(self) -> float:
        """As :func:`trunk_px`, of the points there are (at least one)."""
        return trunk_px({name: np.array([p.x, p.y]) for name, p in self.points.items()})


def all_findings(looks: Iterable[Landmarks]) -> tuple[Finding, ...]:
    """Return what several looks at one photo noticed, each finding once, in their order."""
    return tuple(dict.fromkeys(f for look in looks for f in look.findings))


LEAST_TRUNK = 0.3
"""Length of the trunk, parts of the person's extent, where the photo shows it shorter: it may point at the camera."""


def trunk_px(xy: Mapping[str, FloatArray]) -> float:
    """Return the trunk's length in the photo, between the middles of acromia and hip joints, pixels.

    At least :data:`LEAST_TRUNK` of the person's extent, and that where one of the four points is missing.

    Parameters
    ----------
    xy
        Name to position, shape (2,), pixels; at least one.

    """
    length = LEAST_TRUNK * float(np.ptp(np.array(list(xy.values())), axis=0).max())
    a, b, c, d = (xy.get(f"{key}_{word}") for key in ("acromion", "hip_joint") for word in ("left", "right"))
    if a is None or b is None or c is None or d is None:
        return length
    return max(length, float(np.linalg.norm(a + b - c - d)) / 2)


class LandmarkFinder(Protocol):
    """Anything that places landmarks on a photo."""

    name: str

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks of the person in the kneeling position.

        ``side`` is what the person who took the photo declared; it may settle left/right ambiguities.
        Never raises for a photo that shows nobody: returns empty points with findings.
        """
        ...
