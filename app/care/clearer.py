"""What would make a round's answer clearer, computed from the trials at hand."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.compare import Sem, compare_sides
from vision.rotation import Posterior, Rotation


@dataclass(frozen=True, slots=True)
class Clearer:
    """One thing that could be done, and half the width of the difference's 95 % band before and after it."""

    words: str
    now_deg: float
    then_deg: float


def _half_width(left: Sequence[Rotation], right: Sequence[Rotation], sem: Sem | None) -> float | None:
    band = compare_sides(left, right, sem=sem).difference_band_deg
    return None if band is None else (band[1] - band[0]) / 2


def _moved(trial: Rotation, to_right_deg: float) -> Rotation:
    """Return ``trial`` with its whole distribution moved so that its angle is ``to_right_deg``."""
    if trial.right_deg is None or trial.band_right_deg is None:
        raise ValueError("a withheld angle cannot be moved")
    by = to_right_deg - trial.right_deg
    posterior = trial.posterior and Posterior(trial.posterior.grid_deg + by, trial.posterior.density)
    band = (trial.band_right_deg[0] + by, trial.band_right_deg[1] + by)
    return replace(trial, right_deg=to_right_deg, band_right_deg=band, posterior=posterior)


def _typical_next(trials: Sequence[Rotation]) -> Rotation:
    """Return a trial like the median one, placed so that the scatter of the trials stays what it is."""
    given = [t for t in trials if t.right_deg is not None]
    angles = np.array([t.right_deg for t in given], dtype=np.float64)
    scatter = float(angles.std(ddof=1)) if len(given) > 1 else 0.0
    middle = sorted(given, key=lambda t: t.sd_deg or 0.0)[len(given) // 2]
    return _moved(middle, float(angles.mean()) + scatter * math.sqrt((len(given) + 1) / len(given)))


def another_trial(left: Sequence[Rotation], right: Sequence[Rotation], sem: Sem | None) -> Clearer | None:
    """Return what one more trial a side, as good as those at hand, would do; None if a side has no angle."""
    now = _half_width(left, right, sem)
    if now is None:
        return None
    then = _half_width([*left, _typical_next(left)], [*right, _typical_next(right)], sem)
    if then is None:
        return None
    return Clearer("One more trial a side, as good as these", now, then)
