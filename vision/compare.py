"""Left against right in one round, and one round against another.

Distributions are compared, not point values: the densities of the trials are convolved, what the two sides share
(the unknown breadth of the one body) cancels first, and a difference is called only when it exceeds the smallest
detectable difference and its band excludes zero.

Smallest detectable differences: 1.645 or 1.96 times sqrt(2) times SEM for a difference of two means (MDC90, MDC95);
1.96 times 2 times SEM for the change of a left-right difference between rounds, which has four means in it (Weir
2005; SEM = SD of differences / sqrt(2), de Vet 2006, J Clin Epidemiol 59:1033-1039, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from vision.agreement import Z90, Z95, smallest_detectable_deg
from vision.arrays import FloatArray
from vision.findings import Finding, finding
from vision.rotation import BAND_PROBABILITY, Rotation
from vision.sides import Side

TRIALS_OF_PROTOCOL = 3

SIDES_ERROR_CORRELATION = 0.0
"""Correlation of the errors of left and right of one person that the comparison counts on, beyond the shared body.

Measured on 145 rendered people: -0.02 (95 % interval -0.16 to +0.11) side-on, +0.10 (-0.09 to +0.27) from the foot end,
-0.05 (-0.20 to +0.10) with both photos. All three intervals include zero, so zero is taken: it gives the wider band of
the difference, never one that promises too much.
``python -m tests.bench.error_correlation TEST_PEOPLE TEST_PEOPLE DEVELOPMENT_PEOPLE DEVELOPMENT_PEOPLE``
(``tests/bench/render_people.py``, seeds 808, 914, 606 and 101).
"""

TRIALS_ERROR_CORRELATION = 0.95
"""The same of two trials of one side: what averaging trials does not take away.

Measured on 3 trials of each of 24 rendered people, same place of the phone, habits of holding the position repeated:
+0.91 (95 % interval +0.82 to +0.95); the same command with ``--trials`` (``tests/bench/render_trials.py --people 24``,
seed 505).  The upper end is taken: too small a value would promise too much.
"""

_STEP_DEG = 0.25
_REACH_SD = 8.0


@dataclass(frozen=True, slots=True)
class Sem:
    """A standard error of measurement of the mean of three trials of one side.

    Attributes
    ----------
    value_deg
        Degrees.
    origin
        Where it comes from, in words for the page.

    """

    value_deg: float
    origin: str


PUBLISHED_SEM = Sem(
    2.0,
    "published figure for a contact inclinometer, mean of three trials (Johnson 2012, upper end of 1.4 to 2.0 degrees "
    "between days): a best case",
)


class Decision(StrEnum):
    """What can be said about a difference or a change."""

    NONE_SHOWN = "no-difference-shown"
    POSSIBLE = "possible-difference"
    DIFFERENT = "difference"
    CANNOT_TELL = "cannot-compare"

    @property
    def words(self) -> str:
        """The decision in words, for a difference between sides."""
        return {
            Decision.NONE_SHOWN: "no difference shown",
            Decision.POSSIBLE: "possible difference: add photos from another place",
            Decision.DIFFERENT: "difference larger than measurement error",
            Decision.CANNOT_TELL: "cannot be compared: an angle is missing",
        }[self]

    @property
    def change_words(self) -> str:
        """The decision in words, for a change between rounds."""
        return {
            Decision.NONE_SHOWN: "no change shown",
            Decision.POSSIBLE: "possible change: measure again before relying on it",
            Decision.DIFFERENT: "change larger than measurement error",
            Decision.CANNOT_TELL: "cannot be compared: an angle is missing",
        }[self]


@dataclass(frozen=True)
class Density:
    """A density on an evenly spaced grid of :data:`_STEP_DEG`, starting at ``low_deg``."""

    low_deg: float
    weights: FloatArray  # sums to 1

    @classmethod
    def normal(cls, mean_deg: float, sd_deg: float) -> "Density":
        """Make a normal density; a standard deviation of zero gives a point."""
        reach = math.ceil(_REACH_SD * sd_deg / _STEP_DEG)
        steps = np.arange(-reach, reach + 1) * _STEP_DEG
        tiny = sd_deg < _STEP_DEG / 4
        weights = (steps == 0).astype(np.float64) if tiny else np.exp(-0.5 * (steps / sd_deg) ** 2)
        return cls(mean_deg - reach * _STEP_DEG, weights / weights.sum())

    @classmethod
    def resampled(cls, values_deg: FloatArray, density: FloatArray) -> "Density":
        """Make one from any increasing grid."""
        low = math.floor(float(values_deg[0]) / _STEP_DEG) * _STEP_DEG
        grid = np.arange(low, float(values_deg[-1]) + _STEP_DEG, _STEP_DEG)
        weights = np.interp(grid, values_deg, density, left=0.0, right=0.0)
        if weights.sum() <= 0:  # narrower than the grid
            return cls.normal(float(np.average(values_deg, weights=density)), 0.0)
        return cls(low, weights / weights.sum())

    @property
    def grid_deg(self) -> FloatArray:
        """The grid."""
        return self.low_deg + np.arange(len(self.weights)) * _STEP_DEG

    @property
    def mean_deg(self) -> float:
        """The mean."""
        return float(self.weights @ self.grid_deg)

    @property
    def sd_deg(self) -> float:
        """The standard deviation."""
        return math.sqrt(max(0.0, float(self.weights @ (self.grid_deg - self.mean_deg) ** 2)))

    def quantile_deg(self, probability: float) -> float:
        """Return the value below which ``probability`` lies."""
        middle = np.cumsum(self.weights) - self.weights / 2
        return float(np.interp(probability, middle, self.grid_deg))

    @property
    def band_deg(self) -> tuple[float, float]:
        """The central 95 % interval."""
        tail = (1 - BAND_PROBABILITY) / 2
        return self.quantile_deg(tail), self.quantile_deg(1 - tail)

    def plus(self, other: "Density") -> "Density":
        """Return the density of the sum of two independent values."""
        return Density(self.low_deg + other.low_deg, np.convolve(self.weights, other.weights))

    def minus(self, other: "Density") -> "Density":
        """Return the density of the difference of two independent values."""
        high = float(other.grid_deg[-1])
        return self.plus(Density(-high, other.weights[::-1]))

    def scaled(self, factor: float, about_deg: float = 0.0) -> "Density":
        """Return the density of the value moved toward ``about_deg`` by ``factor`` (0 to 1)."""
        if factor < 1e-6:
            return Density.normal(about_deg, 0.0)
        return Density.resampled(about_deg + (self.grid_deg - about_deg) * factor, self.weights)

    def widened(self, variance_deg2: float) -> "Density":
        """Return the density with an independent normal error added."""
        return self if variance_deg2 <= 0 else self.plus(Density.normal(0.0, math.sqrt(variance_deg2)))


@dataclass(frozen=True)
class SideMean:
    """The mean of one side's trials.

    Attributes
    ----------
    mean_deg
        Mean of the trials' angles in the side's direction.
    trials_deg
        The angles it is made of.
    own
        Density of the mean with only the errors that the other side does not share.
    shared_sd_deg
        Standard deviation of the error shared with every photo of this person.

    """

    mean_deg: float
    trials_deg: tuple[float, ...]
    own: Density = field(repr=False)
    shared_sd_deg: float

    @property
    def whole(self) -> Density:
        """Density of the mean with every error in it."""
        return self.own.widened(self.shared_sd_deg**2)

    @property
    def band_deg(self) -> tuple[float, float]:
        """The 95 % band of the mean."""
        return self.whole.band_deg


@dataclass(frozen=True)
class Comparison:
    """Left against right in one round; angles in each side's direction, difference left minus right.

    Attributes
    ----------
    left, right
        The means; None when no trial of that side has an angle.
    difference_deg, difference_band_deg
        Left minus right, and its 95 % band; None when a side is missing.
    decision
        What can be said.
    sem_deg
        Standard error of measurement the decision used (of one side's mean), and ``sem_origin`` says which.
    mdc90_deg, mdc95_deg
        Smallest detectable differences that follow from it.
    findings
        What was noticed.
    density
        Density of the difference.

    """

    left: SideMean | None
    right: SideMean | None
    difference_deg: float | None
    difference_band_deg: tuple[float, float] | None
    decision: Decision
    sem_deg: float | None
    sem_origin: str
    findings: tuple[Finding, ...]
    density: Density | None = field(repr=False)

    @property
    def decision_words(self) -> str:
        """The decision in words."""
        return self.decision.words

    @property
    def left_mean_deg(self) -> float | None:
        """Mean of the left trials."""
        return None if self.left is None else self.left.mean_deg

    @property
    def right_mean_deg(self) -> float | None:
        """Mean of the right trials."""
        return None if self.right is None else self.right.mean_deg

    @property
    def left_band_deg(self) -> tuple[float, float] | None:
        """The 95 % band of the left mean."""
        return None if self.left is None else self.left.band_deg

    @property
    def right_band_deg(self) -> tuple[float, float] | None:
        """The 95 % band of the right mean."""
        return None if self.right is None else self.right.band_deg

    @property
    def mdc90_deg(self) -> float | None:
        """Smallest detectable difference at 90 %."""
        return None if self.sem_deg is None else smallest_detectable_deg(self.sem_deg, 2, Z90)

    @property
    def mdc95_deg(self) -> float | None:
        """Smallest detectable difference at 95 %."""
        return None if self.sem_deg is None else smallest_detectable_deg(self.sem_deg, 2, Z95)

    @property
    def larger_side(self) -> Side | None:
        """The side with the larger mean when a difference is called, else None."""
        if self.decision is not Decision.DIFFERENT or self.difference_deg is None:
            return None
        return Side.LEFT if self.difference_deg > 0 else Side.RIGHT


@dataclass(frozen=True)
class Change:
    """A change between two rounds, later minus earlier.

    Attributes
    ----------
    change_deg, band_deg
        The change and its 95 % band; None when an angle is missing.
    threshold_deg
        Smallest change that exceeds measurement error at 95 %.
    decision
        What can be said.

    """

    change_deg: float | None
    band_deg: tuple[float, float] | None
    threshold_deg: float | None
    decision: Decision

    @property
    def decision_words(self) -> str:
        """The decision in words."""
        return self.decision.change_words


@dataclass(frozen=True)
class RoundsComparison:
    """Two rounds of one person: the change of each side and of the left-right difference."""

    left: Change
    right: Change
    difference: Change


def decide(value_deg: float, band_deg: tuple[float, float], sem_deg: float, means: int) -> Decision:
    """Return what can be said about a difference or change of ``value_deg``.

    Below MDC90 nothing is shown, between MDC90 and MDC95 it is possible, above MDC95 it is larger than measurement
    error, but only if its band excludes zero as well.
    """
    size = abs(value_deg)
    if size < smallest_detectable_deg(sem_deg, means, Z90):
        return Decision.NONE_SHOWN
    excludes_zero = band_deg[0] > 0 or band_deg[1] < 0
    if size > smallest_detectable_deg(sem_deg, means, Z95) and excludes_zero:
        return Decision.DIFFERENT
    return Decision.POSSIBLE


def side_mean(
    trials: Sequence[Rotation],
    error_correlation: float = SIDES_ERROR_CORRELATION,
    trial_correlation: float = TRIALS_ERROR_CORRELATION,
) -> SideMean | None:
    """Return the mean of one side's trials, or None when none has an angle.

    The error of the mean is the larger of what the photos' own bands say and what the scatter of the trials says.

    Parameters
    ----------
    trials
        Withheld ones are left out.
    error_correlation
        Correlation of the errors of a trial of each side beyond the shared body (0 to 1).
    trial_correlation
        The same of two trials of this side (0 to 1); at least ``error_correlation`` is taken.

    """
    given = [t for t in trials if t.right_deg is not None]
    if not given:
        return None
    if not (0 <= error_correlation <= 1 and 0 <= trial_correlation <= 1):
        raise ValueError("correlations of errors must lie between 0 and 1")
    angles = [float(t.magnitude_deg or 0.0) for t in given]
    n = len(given)
    total = Density.normal(0.0, 0.0)
    shared = of_side = 0.0
    for trial, angle in zip(given, angles, strict=True):
        sd = trial.sd_deg or 0.0
        body2 = min(sd**2, trial.shared_sd_deg**2)
        common2 = body2 + error_correlation * (sd**2 - body2)
        # what averaging the trials of a side does not take away, though the other side does not share it
        side2 = max(0.0, trial_correlation - error_correlation) * (sd**2 - body2) if n > 1 else 0.0
        shared += math.sqrt(common2) / n
        of_side += math.sqrt(side2) / n
        keep = math.sqrt(max(0.0, 1 - (common2 + side2) / sd**2)) if sd > 0 else 0.0
        total = total.plus(_trial_density(trial, sd).scaled(keep, angle))
    own = total.scaled(1 / n)
    if n > 1:
        scatter = float(np.var(angles, ddof=1)) / n
        own = own.widened(scatter - own.sd_deg**2).widened(of_side**2)
    return SideMean(float(np.mean(angles)), tuple(angles), own, shared)


def _trial_density(trial: Rotation, sd_deg: float) -> Density:
    angle = float(trial.magnitude_deg or 0.0)
    if trial.posterior is None:
        return Density.normal(angle, sd_deg)
    grid, density = trial.posterior.grid_deg, trial.posterior.density
    if trial.side is Side.LEFT:
        grid, density = -grid[::-1], density[::-1]
    return Density.resampled(grid, density)


def compare_sides(
    left: Sequence[Rotation],
    right: Sequence[Rotation],
    *,
    sem: Sem | None = None,
    error_correlation: float = SIDES_ERROR_CORRELATION,
    trial_correlation: float = TRIALS_ERROR_CORRELATION,
) -> Comparison:
    """Compare the trials of the left side with those of the right side of one round.

    Parameters
    ----------
    left, right
        Trials of each side; withheld ones are left out.
    sem
        The practice's own standard error of measurement of a mean of three trials; None takes the published one.
    error_correlation, trial_correlation
        See :func:`side_mean`; what the sides share cancels in their difference.

    """
    floor = sem or PUBLISHED_SEM
    correlations = error_correlation, trial_correlation
    means = side_mean(left, *correlations), side_mean(right, *correlations)
    findings = list(_trial_findings(left, means[0], Side.LEFT)) + list(_trial_findings(right, means[1], Side.RIGHT))
    if means[0] is None or means[1] is None:
        return Comparison(
            means[0], means[1], None, None, Decision.CANNOT_TELL, None, floor.origin, tuple(findings), None
        )
    density = means[0].own.minus(means[1].own).widened((means[0].shared_sd_deg - means[1].shared_sd_deg) ** 2)
    photo_sem = density.sd_deg / math.sqrt(2)
    floor_sem = _floor_deg(floor, means[0], means[1])
    if photo_sem >= floor_sem:
        used, origin = photo_sem, "the bands of these photos and the scatter of these trials"
    else:
        used, origin = floor_sem, floor.origin
        density = density.widened(2 * (floor_sem**2 - photo_sem**2))
        if sem is None:
            findings.append(finding("error-best-case", sem=f"{floor_sem:.1f}"))
    difference = means[0].mean_deg - means[1].mean_deg
    return Comparison(
        left=means[0],
        right=means[1],
        difference_deg=difference,
        difference_band_deg=density.band_deg,
        decision=decide(difference, density.band_deg, used, 2),
        sem_deg=used,
        sem_origin=origin,
        findings=tuple(findings),
        density=density,
    )


def _floor_deg(sem: Sem, *means: SideMean) -> float:
    """Return the root mean square of the standard error of these means, larger for fewer than three trials."""
    variances = [sem.value_deg**2 * max(1.0, TRIALS_OF_PROTOCOL / len(m.trials_deg)) for m in means]
    return math.sqrt(sum(variances) / len(variances))


def _trial_findings(trials: Sequence[Rotation], mean: SideMean | None, side: Side) -> list[Finding]:
    if mean is None:
        return [finding("side-not-measured", side=side.value)]
    found = []
    if len(mean.trials_deg) < TRIALS_OF_PROTOCOL:
        found.append(finding("fewer-than-three-trials", side=side.value, count=len(mean.trials_deg)))
    if len(trials) > len(mean.trials_deg):
        found.append(finding("trials-left-out", side=side.value, count=len(trials) - len(mean.trials_deg)))
    return found


def compare_rounds(earlier: Comparison, later: Comparison, *, sem: Sem | None = None) -> RoundsComparison:
    """Compare two rounds of the same person, later minus earlier.

    Side changes use sqrt(2), the change of the left-right difference uses 2, times 1.96 times SEM, where SEM is the
    root mean square of the two rounds' own.  What both rounds share (the same body) cancels.

    Parameters
    ----------
    earlier, later
        The rounds.
    sem
        As for :func:`compare_sides`; it counts where a round has one side only, and so no standard error of its own.

    """
    floor = sem or PUBLISHED_SEM
    return RoundsComparison(
        left=_side_change(earlier, later, earlier.left, later.left, floor),
        right=_side_change(earlier, later, earlier.right, later.right, floor),
        difference=_difference_change(earlier, later),
    )


_UNKNOWN = Change(None, None, None, Decision.CANNOT_TELL)


def _joint_sem(earlier: Comparison, later: Comparison) -> float | None:
    if earlier.sem_deg is None or later.sem_deg is None:
        return None
    return math.sqrt((earlier.sem_deg**2 + later.sem_deg**2) / 2)


def _side_change(
    earlier: Comparison, later: Comparison, before: SideMean | None, after: SideMean | None, floor: Sem
) -> Change:
    if before is None or after is None:
        return _UNKNOWN
    density = after.own.minus(before.own).widened((after.shared_sd_deg - before.shared_sd_deg) ** 2)
    own_sem = density.sd_deg / math.sqrt(2)
    sem = max(own_sem, _joint_sem(earlier, later) or _floor_deg(floor, before, after))
    density = density.widened(2 * (sem**2 - own_sem**2))
    return _change(after.mean_deg - before.mean_deg, density, sem, 2)


def _difference_change(earlier: Comparison, later: Comparison) -> Change:
    sem = _joint_sem(earlier, later)
    before, after = earlier.difference_deg, later.difference_deg
    if sem is None or earlier.density is None or later.density is None or before is None or after is None:
        return _UNKNOWN
    return _change(after - before, later.density.minus(earlier.density), sem, 4)


def _change(value_deg: float, density: Density, sem_deg: float, means: int) -> Change:
    band = density.band_deg
    return Change(value_deg, band, smallest_detectable_deg(sem_deg, means), decide(value_deg, band, sem_deg, means))
