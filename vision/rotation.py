"""THE definition of the rotation angle, its sign and its band."""

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from vision.arrays import FloatArray
from vision.findings import Finding
from vision.sides import Side, magnitude_deg

BAND_PROBABILITY = 0.95
HALF_WIDTH = 1.96
"""Half-width of that band of a normal distribution, in standard deviations."""


def rotation_angle_deg(
    hip_left: FloatArray, hip_right: FloatArray, acromion_left: FloatArray, acromion_right: FloatArray
) -> float:
    """Return the rotation angle, degrees, right positive.

    The signed angle from the hip-joint line to the acromion line, both projected on the plane normal to
    the trunk axis (midpoint of the hip-joint centres to midpoint of the acromia); ``vision/conventions.md``.

    Parameters
    ----------
    hip_left, hip_right, acromion_left, acromion_right
        Shape (3,), in any right-handed frame and any unit.

    Raises
    ------
    ValueError
        If a line vanishes in the projection, so that the angle is undefined.

    """
    axis = (acromion_left + acromion_right - hip_left - hip_right) / 2
    length = float(np.linalg.norm(axis))
    if length == 0:
        raise ValueError("trunk axis of zero length")
    axis = axis / length
    hip = hip_left - hip_right
    shoulder = acromion_left - acromion_right
    hip = hip - axis * float(hip @ axis)
    shoulder = shoulder - axis * float(shoulder @ axis)
    if min(float(np.linalg.norm(hip)), float(np.linalg.norm(shoulder))) < 1e-12 * length:
        raise ValueError("hip or shoulder line parallel to the trunk axis")
    return -math.degrees(math.atan2(float(np.cross(hip, shoulder) @ axis), float(hip @ shoulder)))


@dataclass(frozen=True)
class Posterior:
    """A distribution over the signed rotation angle.

    Attributes
    ----------
    grid_deg
        Shape (N,), increasing, evenly spaced, right positive.
    density
        Shape (N,), per degree, integrates to 1 by the trapezoidal rule.

    """

    grid_deg: FloatArray
    density: FloatArray

    @classmethod
    def of_log(cls, grid_deg: FloatArray, log_density: FloatArray) -> "Posterior":
        """Return the distribution whose log density over ``grid_deg`` is known but for a constant; both shape (N,)."""
        density = np.exp(log_density - np.max(log_density))
        return cls(grid_deg, density / np.trapz(density, grid_deg))

    def _cumulative(self) -> FloatArray:
        steps = np.diff(self.grid_deg) * (self.density[1:] + self.density[:-1]) / 2
        total = np.concatenate([[0.0], np.cumsum(steps)])
        result: FloatArray = total / total[-1]
        return result

    def quantile_deg(self, probability: float) -> float:
        """Return the angle below which ``probability`` of the posterior lies."""
        return float(np.interp(probability, self._cumulative(), self.grid_deg))

    @property
    def median_deg(self) -> float:
        """Return the median."""
        return self.quantile_deg(0.5)

    @property
    def band_deg(self) -> tuple[float, float]:
        """Return the central 95 % interval."""
        tail = (1 - BAND_PROBABILITY) / 2
        return self.quantile_deg(tail), self.quantile_deg(1 - tail)

    @property
    def sd_deg(self) -> float:
        """Return the standard deviation."""
        w = self.density / self.density.sum()
        mean = float(w @ self.grid_deg)
        return math.sqrt(float(w @ (self.grid_deg - mean) ** 2))


@dataclass(frozen=True)
class Rotation:
    """The rotation of one photo or one trial.

    Attributes
    ----------
    side
        What was declared.
    right_deg
        Signed angle, right positive; None when withheld (then a finding says why).
    band_right_deg
        The 95 % band of the signed angle (low, high); None when withheld.
    sd_deg
        Standard deviation of the posterior; None when withheld.
    posterior
        The whole distribution; None when withheld or typed by hand.
    origin
        ``automatic``, ``moved`` (a person moved landmarks) or ``typed`` (a person typed the angle).
    shared_sd_deg
        Part of ``sd_deg`` that every photo of the same person shares, with the same sign for both sides (the
        unknown breadth of the body): it cancels when sides or rounds are compared.

    """

    side: Side
    right_deg: float | None
    band_right_deg: tuple[float, float] | None
    sd_deg: float | None
    posterior: Posterior | None
    origin: Literal["automatic", "moved", "typed"]
    findings: tuple[Finding, ...] = field(default=())
    shared_sd_deg: float = 0.0

    def __bool__(self) -> bool:
        return self.right_deg is not None

    @property
    def magnitude_deg(self) -> float | None:
        """Rotation in the stated side's direction; negative if the chest opens the other way."""
        return None if self.right_deg is None else magnitude_deg(self.right_deg, self.side)

    @property
    def band_deg(self) -> tuple[float, float] | None:
        """The 95 % band of :attr:`magnitude_deg`, low before high."""
        if self.band_right_deg is None:
            return None
        a, b = (magnitude_deg(v, self.side) for v in self.band_right_deg)
        return (min(a, b), max(a, b))
