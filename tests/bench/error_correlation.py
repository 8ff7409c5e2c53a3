"""What the errors of two angles of one person have in common: left and right, two viewpoints, two trials of a side.

    python -m tests.bench.error_correlation DEVELOPMENT_PEOPLE TEST_PEOPLE
    python -m tests.bench.error_correlation DEVELOPMENT_PEOPLE TEST_PEOPLE --trials TRIALS/trial1 TRIALS/trial2 ...

Folders are as ``tests/bench/render_people.py`` makes them, those after ``--trials`` as ``tests/bench/render_trials.py``
does. Both sides of a person, or all trials of a side, are fitted together as :func:`vision.measuring.measure_trials`
does it for a round. Errors are in the declared side's direction, in units of the stated standard deviation. Printed:

* correlation: of the two errors, about zero (a bias that everybody has is common too), with the 95 % interval of a
  bootstrap over people;
* by the body: the part that the fit itself says is shared, through the unknown breadth;
* beyond it: the correlation of what remains, the parameter of :func:`vision.compare.side_mean`;
* spread of the difference of the two errors, degrees: as it is, and as predicted without and with the correlation.
"""

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from tests.bench.phantom import SIDES
from vision.compare import side_mean
from vision.measuring import ExaminedTrial, MeasuredPhoto, MeasuredTrial, examine, measure_trials
from vision.sides import Side, magnitude_deg
from vision.two_eyes import default_finders

RESAMPLES = 10_000


@dataclass(frozen=True)
class Error:
    """Error of one angle, its stated standard deviation and the part of that which the body causes, degrees."""

    error_deg: float
    sd_deg: float
    shared_sd_deg: float


Pair = tuple[str, Error, Error]  # with the person


class Looked:
    """Every picture of the folders, looked at once."""

    def __init__(self, folders: Sequence[Path]) -> None:
        finders = default_finders()
        self.photos: dict[tuple[str, Side, str], MeasuredPhoto] = {}
        self.true_deg: dict[tuple[str, Side], float] = {}
        for number, folder in enumerate(folders):
            for path in sorted(folder.glob("*_[LR]*.jpg")):
                if not path.with_suffix(".json").exists():
                    continue
                print(f"\r{folder.name} {path.stem}      ", end="", file=sys.stderr, flush=True)
                name, letter, *view = path.stem.split("_")
                person, side = f"{number}:{name}", SIDES[letter]
                self.photos[person, side, view[0] if view else "side"] = examine(path.name, path, side, finders)
                truth = json.loads(path.with_suffix(".json").read_text())["theta_deg"]
                self.true_deg[person, side] = magnitude_deg(truth, side)
        print(file=sys.stderr)

    def trial(self, person: str, side: Side, views: Sequence[str]) -> ExaminedTrial | None:
        photos = [self.photos.get((person, side, v)) for v in views]
        return None if None in photos else ExaminedTrial(side, 1, tuple(p for p in photos if p is not None))

    def error(self, person: str, measured: MeasuredTrial) -> Error | None:
        if measured.fit is None:
            return None
        posterior = measured.fit.posterior
        value = magnitude_deg(posterior.median_deg, measured.side)
        shared = measured.fit.rotation.shared_sd_deg
        return Error(value - self.true_deg[person, measured.side], posterior.sd_deg, shared)


def fitted_together(trials: Sequence[tuple[Looked, str, ExaminedTrial | None]]) -> list[Error | None]:
    """Return the error of each trial, all fitted as of one person."""
    if any(trial is None for _, _, trial in trials):
        return [None] * len(trials)
    measured = measure_trials([trial for _, _, trial in trials if trial is not None])
    return [looked.error(person, m) for (looked, person, _), m in zip(trials, measured, strict=True)]


def correlations(pairs: Sequence[Pair]) -> tuple[float, float, float]:
    """Return the correlation about zero, the part by the body, and the correlation beyond it."""
    a, b = (np.array([p[k].error_deg / p[k].sd_deg for p in pairs]) for k in (1, 2))
    body = float(np.mean([p[1].shared_sd_deg * p[2].shared_sd_deg / (p[1].sd_deg * p[2].sd_deg) for p in pairs]))
    r = float(2 * (a @ b) / (a @ a + b @ b))  # left and right, or two trials, are exchangeable
    return r, body, (r - body) / (1 - body)


def report(title: str, pairs: Sequence[Pair]) -> None:
    by_person: dict[str, list[Pair]] = defaultdict(list)
    for pair in pairs:
        by_person[pair[0]].append(pair)
    if len(by_person) < 4:
        return
    people, rng = list(by_person), np.random.default_rng(0)
    r, body, beyond = correlations(pairs)
    resampled = np.array(
        [
            correlations([pair for i in rng.integers(len(people), size=len(people)) for pair in by_person[people[i]]])
            for _ in range(RESAMPLES)
        ]
    )
    low, high = np.percentile(resampled, [2.5, 97.5], axis=0)
    difference = np.array([p[1].error_deg - p[2].error_deg for p in pairs])
    own = np.mean([p[1].sd_deg ** 2 + p[2].sd_deg ** 2 for p in pairs])
    shared = np.mean([2 * p[1].shared_sd_deg * p[2].shared_sd_deg for p in pairs])
    rms = np.sqrt(np.mean(np.square([(p[1].error_deg, p[2].error_deg) for p in pairs])))
    print(f"{title}: {len(pairs)} pairs of {len(people)} people; errors' root mean square {rms:.1f}")
    print(f"   correlation {r:+.2f} ({low[0]:+.2f} to {high[0]:+.2f}), by the body {body:+.2f}")
    print(f"   beyond it   {beyond:+.2f} ({low[2]:+.2f} to {high[2]:+.2f})")
    print(
        f"   difference's error: root mean square {np.sqrt((difference**2).mean()):.1f}, predicted "
        f"{np.sqrt(own - shared):.1f} without, {np.sqrt(max(own - shared - beyond * (own - shared), 0)):.1f} with it"
    )


def left_right(looked: Looked, views: Sequence[str]) -> list[Pair]:
    pairs = []
    for person in sorted({p for p, _, _ in looked.photos}):
        both = [(looked, person, looked.trial(person, side, views)) for side in (Side.LEFT, Side.RIGHT)]
        left, right = fitted_together(both)
        if left is not None and right is not None:
            pairs.append((person, left, right))
    return pairs


def viewpoints(looked: Looked) -> list[Pair]:
    pairs = []
    for person in sorted({p for p, _, _ in looked.photos}):
        for side in (Side.LEFT, Side.RIGHT):
            (one,) = fitted_together([(looked, person, looked.trial(person, side, ["side"]))])
            (other,) = fitted_together([(looked, person, looked.trial(person, side, ["foot"]))])
            if one is not None and other is not None:
                pairs.append((person, one, other))
    return pairs


def trials_of_a_side(trials: Sequence[Looked]) -> list[Pair]:
    pairs = []
    for person in sorted({p for p, _, _ in trials[0].photos}):
        found = fitted_together([(t, person, t.trial(person, Side.LEFT, ["side"])) for t in trials])
        pairs += [(person, a, b) for a, b in combinations(found, 2) if a is not None and b is not None]
    return pairs


def mean_of_trials(trials: Sequence[Looked]) -> None:
    """Print how far the mean of a person's trials is off, beside single ones, and what its band holds."""
    single, means, held, half = [], [], [], []
    for person in sorted({p for p, _, _ in trials[0].photos}):
        given = [t.trial(person, Side.LEFT, ["side"]) for t in trials]
        if None in given:
            continue
        rotations = [m.rotation for m in measure_trials([g for g in given if g is not None])]
        mean = side_mean(rotations)
        if mean is None or len(mean.trials_deg) < len(trials):
            continue
        true = [t.true_deg[person, Side.LEFT] for t in trials]
        single += [a - b for a, b in zip(mean.trials_deg, true, strict=True)]
        means.append(mean.mean_deg - float(np.mean(true)))
        low, high = mean.band_deg
        held.append(low <= np.mean(true) <= high)
        half.append((high - low) / 2)
    of_mean, of_one = (np.sqrt(np.mean(np.square(e))) for e in (means, single))
    print(
        f"mean of {len(trials)} trials, {len(means)} people: root mean square error {of_mean:.1f} "
        f"(one trial {of_one:.1f}), held by {sum(held)} bands, half-width {np.mean(half):.1f}"
    )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folders", type=Path, nargs="*")
    ap.add_argument("--trials", type=Path, nargs="+", default=[], help="folders of further trials, one a folder")
    args = ap.parse_args()
    looked = Looked(args.folders)
    for views in (["side"], ["foot"], ["side", "foot"]):
        report(f"left and right, {' and '.join(views)}", left_right(looked, views))
    report("two viewpoints of one trial, side and foot", viewpoints(looked))
    if args.trials:
        trials = [Looked([folder]) for folder in args.trials]
        report("two trials of one side, side", trials_of_a_side(trials))
        mean_of_trials(trials)


if __name__ == "__main__":
    main()
