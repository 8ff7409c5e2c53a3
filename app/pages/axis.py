"""Angles with their bands laid out to scale on one axis; ``drawings/axis.html`` draws what is placed here."""

from collections.abc import Sequence
from dataclasses import dataclass

from vision.compare import Comparison
from vision.rotation import Rotation
from vision.sides import Side

WIDTH = 360.0
MARGIN = 14.0


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps degrees to horizontal places of the drawing."""

    low_deg: float
    high_deg: float

    def x(self, value_deg: float) -> float:
        """Return the place of ``value_deg``, one decimal."""
        share = (value_deg - self.low_deg) / (self.high_deg - self.low_deg)
        return round(MARGIN + share * (WIDTH - 2 * MARGIN), 1)

    def ticks(self, step_deg: float) -> tuple[tuple[float, int], ...]:
        """Return (place, degrees) of each multiple of ``step_deg``."""
        first = int(-(-self.low_deg // step_deg))
        last = int(self.high_deg // step_deg)
        return tuple((self.x(k * step_deg), int(k * step_deg)) for k in range(first, last + 1))


@dataclass(frozen=True, slots=True)
class Mark:
    """One value with its band, placed."""

    x: float
    low_x: float
    high_x: float
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """One side: its mean and its trials."""

    side: str
    word: str
    mean: Mark | None
    trials: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class AngleAxis:
    """Both sides on one axis."""

    rows: tuple[Row, ...]
    ticks: tuple[tuple[float, int], ...]
    zero_x: float
    description: str


@dataclass(frozen=True, slots=True)
class DifferenceAxis:
    """The difference on an axis of its own, zero in the middle, with the smallest detectable difference."""

    mark: Mark
    ticks: tuple[tuple[float, int], ...]
    zero_x: float
    detectable: tuple[float, float]
    detectable_deg: float


def _mark(scale: Scale, value: float, band: tuple[float, float]) -> Mark:
    return Mark(
        scale.x(value), scale.x(band[0]), scale.x(band[1]), f"{value:.0f}°, band {band[0]:.0f}° to {band[1]:.0f}°"
    )


def _scale(values: Sequence[float], low_deg: float, high_deg: float, step_deg: float) -> Scale:
    low = min([low_deg, *values])
    high = max([high_deg, *values])
    return Scale(low // step_deg * step_deg, -(-high // step_deg) * step_deg)


def angle_axis(comparison: Comparison, left: Sequence[Rotation], right: Sequence[Rotation]) -> AngleAxis:
    """Place means and trials of both sides on one axis from 0 to 90 degrees, longer if a band needs it."""
    bands = [b for t in (*left, *right) if (b := t.band_deg) is not None]
    bands += [b for b in (comparison.left_band_deg, comparison.right_band_deg) if b is not None]
    scale = _scale([v for b in bands for v in b], 0.0, 90.0, 10.0)
    rows = []
    for side, trials, mean, band in (
        (Side.LEFT, left, comparison.left_mean_deg, comparison.left_band_deg),
        (Side.RIGHT, right, comparison.right_mean_deg, comparison.right_band_deg),
    ):
        placed = tuple(
            _mark(scale, t.magnitude_deg, t.band_deg)
            for t in trials
            if t.magnitude_deg is not None and t.band_deg is not None
        )
        whole = None if mean is None or band is None else _mark(scale, mean, band)
        rows.append(Row(side.value, side.value.capitalize(), whole, placed))
    words = "; ".join(f"{r.word}: {'mean ' + r.mean.words if r.mean else 'not measured'}" for r in rows)
    return AngleAxis(tuple(rows), scale.ticks(10.0), scale.x(0.0), words)


def difference_axis(comparison: Comparison) -> DifferenceAxis | None:
    """Place the difference and its band; None when a side is missing."""
    value, band, detectable = comparison.difference_deg, comparison.difference_band_deg, comparison.mdc95_deg
    if value is None or band is None or detectable is None:
        return None
    reach = max(20.0, *(abs(v) for v in (*band, detectable)))
    scale = _scale([-reach, reach], -20.0, 20.0, 10.0)
    return DifferenceAxis(
        _mark(scale, value, band),
        scale.ticks(10.0 if reach <= 40 else 20.0),
        scale.x(0.0),
        (scale.x(-detectable), scale.x(detectable)),
        detectable,
    )
