"""Measure every picture with a known angle in folders and print how far off the results are.

    python -m tests.bench.accuracy ../shared/phantom/pictures
    python -m tests.bench.accuracy DIR --views side,foot      # photos of one trial from several viewpoints together
    python -m tests.bench.accuracy DIR --each photos.csv

Pictures lie beside their truth as :mod:`tests.bench.phantom` says: ``theta_deg``, signed, right positive.
Printed for left and right end range and for start photos: number of pictures, how many were given an angle, mean
absolute error, 95th percentile of the absolute error, bias (in the declared side's direction), share of bands that
hold the true angle, and mean half-width of the band; then the same for the difference between the sides of one person,
with the standard deviation of its error.
The line "all" takes the middle of the posterior also where the angle is withheld for being too uncertain.
"""

import argparse
import csv
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.bench.phantom import SIDES
from vision.finders import Finders
from vision.measuring import ExaminedTrial, examine, measure_trials
from vision.sides import Side, magnitude_deg
from vision.two_eyes import default_finders


@dataclass(frozen=True)
class Case:
    """One trial with its truth; angles in the declared side's direction, degrees."""

    person: str
    side: Side
    true_deg: float
    value_deg: float | None
    band_deg: tuple[float, float] | None
    given: bool
    codes: str
    sd_deg: float | None = None
    shared_sd_deg: float = 0.0


def cases(
    folder: Path,
    views: list[str] | None,
    people: int | None = None,
    which: Finders = Finders.BOTH,
    second: bool = True,
) -> list[Case]:
    trials: dict[tuple[str, str], list[Path]] = {}
    for path in sorted(folder.glob("*.jpg")):
        parts = path.stem.split("_")
        if len(parts) < 2 or parts[1] not in SIDES or not path.with_suffix(".json").exists():
            continue
        if views is not None and len(parts) > 2 and parts[2] not in views:
            continue
        trials.setdefault((parts[0], parts[1]), []).append(path)
    names = sorted({person for person, _ in trials})[:people]
    finders = default_finders(which)
    result = []
    chosen = [(key, paths) for key, paths in trials.items() if key[0] in names]
    for number, ((person, letter), paths) in enumerate(chosen, 1):
        print(f"\r{number}/{len(chosen)} {person}_{letter}   ", end="", file=sys.stderr, flush=True)
        side = SIDES[letter]
        truth = {json.loads(p.with_suffix(".json").read_text())["theta_deg"] for p in paths}
        photos = tuple(examine(p.name, p, side, finders) for p in paths)
        if not second:
            photos = tuple(replace(p, landmarks=replace(p.landmarks, second=None)) for p in photos)
        (trial,) = measure_trials([ExaminedTrial(side, 1, photos)])
        value = band = sd = None
        shared = trial.rotation.shared_sd_deg
        if trial.fit is not None:
            value = magnitude_deg(trial.fit.posterior.median_deg, side)
            low, high = sorted(magnitude_deg(v, side) for v in trial.fit.posterior.band_deg)
            band = (low, high)
            sd = trial.fit.posterior.sd_deg
        codes = " ".join(dict.fromkeys(f.code for p in trial.photos for f in (*p.findings, *trial.rotation.findings)))
        true_deg = magnitude_deg(float(np.mean(list(truth))), side)
        result.append(Case(person, side, true_deg, value, band, bool(trial.rotation), codes, sd, shared))
    print(file=sys.stderr)
    return result


def line(name: str, found: list[Case], total: int) -> None:
    if not found:
        print(f"{name:34s} {total:4d} {0:5d}")
        return
    error = np.array([c.value_deg - c.true_deg for c in found])
    held = np.mean([c.band_deg[0] <= c.true_deg <= c.band_deg[1] for c in found])
    half = np.mean([(c.band_deg[1] - c.band_deg[0]) / 2 for c in found])
    print(
        f"{name:34s} {total:4d} {len(found):5d} {np.abs(error).mean():6.1f} {np.percentile(np.abs(error), 95):6.1f} "
        f"{error.mean():+6.1f} {100 * held:6.0f} {half:6.1f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--views", help="only these viewpoints, comma-separated")
    parser.add_argument("--people", type=int, help="only the first so many people")
    parser.add_argument("--finders", type=Finders, choices=list(Finders), default=Finders.BOTH)
    parser.add_argument("--no-second", action="store_true", help="without the general model beside the network")
    parser.add_argument("--each", type=Path, help="write one line a trial to this CSV file")
    args = parser.parse_args()
    views = args.views.split(",") if args.views else None
    found = [
        replace(case, person=f"{folder.name}/{case.person}")
        for folder in args.folders
        for case in cases(folder, views, args.people, args.finders, not args.no_second)
    ]
    if not found:
        parser.error(f"no pictures with known angles in {', '.join(map(str, args.folders))}")

    print(f"{'degrees':34s} {'n':>4s} {'given':>5s} {'MAE':>6s} {'P95':>6s} {'bias':>6s} {'in %':>6s} {'half':>6s}")
    end_range = [c for c in found if c.side is not Side.START]
    start = [c for c in found if c.side is Side.START]
    for name, group in (("end range", end_range), ("start", start)):
        line(f"{name}, angle given", [c for c in group if c.given], len(group))
        line(f"{name}, all with a posterior", [c for c in group if c.value_deg is not None], len(group))
    truths = np.array([c.true_deg for c in end_range])
    if len(truths):
        constant = np.abs(truths - truths.mean())
        print(
            f"{'always the mean of the truths':34s} {len(truths):4d} {len(truths):5d} {constant.mean():6.1f}", end=" "
        )
        print(f"{np.percentile(constant, 95):6.1f}   (what a method must beat)")
    by_person = {(c.person, c.side): c for c in end_range if c.value_deg is not None}
    both = [p for p, s in by_person if s is Side.LEFT and (p, Side.RIGHT) in by_person]
    pairs = [(by_person[p, Side.LEFT], by_person[p, Side.RIGHT]) for p in both]
    if pairs:
        error = np.array([(a.value_deg - b.value_deg) - (a.true_deg - b.true_deg) for a, b in pairs])
        true = np.array([a.true_deg - b.true_deg for a, b in pairs])
        print(f"{'left minus right':34s} {len(pairs):4d} {len(pairs):5d} {np.abs(error).mean():6.1f}", end=" ")
        print(f"{np.percentile(np.abs(error), 95):6.1f} {error.mean():+6.1f}   (always 0: {np.abs(true).mean():.1f})")
        if len(pairs) > 1:
            spread = error.std(ddof=1)
            print(f"{'   standard deviation of its error':34s} {len(pairs):4d} {len(pairs):5d} {spread:6.1f}")
    if args.each:
        with args.each.open("w", newline="") as file:
            out = csv.writer(file)
            out.writerow(["person", "side", "true_deg", "value_deg", "low_deg", "high_deg", "given", "findings"])
            for c in found:
                low, high = c.band_deg or (None, None)
                out.writerow([c.person, c.side, c.true_deg, c.value_deg, low, high, c.given, c.codes])


if __name__ == "__main__":
    main()
