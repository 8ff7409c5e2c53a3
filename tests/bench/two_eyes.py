"""What the general model's one look is worth beside the network: its spread, and how often the two disagree.

    python -m tests.bench.two_eyes FOLDER [FOLDER ...]              # as installed
    python -m tests.bench.two_eyes FOLDER --photo-only              # the network without the outline of the person

Pictures lie beside their truth as :mod:`tests.bench.phantom` says. Printed, side-on and end-on
apart: the error of each landmark of one look, looks gone astray left out, left and right the way round that fits
better, in trunk lengths (root mean square and by the median, per coordinate), and how often they were the wrong way
round; by how much the errors of one picture's points add up more than independent ones would (1: independent); the
mean square distance of what is used from the network in units of the joint spread, its percentiles, and the 99th of a
scaled chi-squared distribution of the same mean and variance; then in how many pictures the two are found to disagree,
and which.

With ``--times`` the processor milliseconds per photo of the network alone, and of both.
"""

import argparse
import json
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy.stats import chi2

from tests.bench.landmark_errors import true_points
from tests.bench.phantom import SIDES
from vision.disagreement import LIMIT, mean_square
from vision.eye import EyeFinder
from vision.landmarks import Landmark, Landmarks
from vision.mediapipe_finder import MediapipeFinder
from vision.photo import decode
from vision.pose_model import PAIRS, PoseModel
from vision.silhouette import Silhouette
from vision.two_eyes import END_ON_DEG, ONE_LOOK, SPREAD, TwoEyes

GROSS = 0.10  # median error of the network's points, trunk lengths, from which a reading is called a blunder here


def true_landmarks(true: dict[str, np.ndarray]) -> Landmarks:
    return Landmarks({n: Landmark.round_(float(x), float(y), 1.0, True, "hand") for n, (x, y) in true.items()}, "truth")


def spreads(errors: dict[str, list[np.ndarray]], swaps: dict[str, list[bool]]) -> None:
    for key, found in errors.items():
        e = np.array(found)
        print(
            f"   {key:16s} rms {np.sqrt((e**2).mean()):.3f}  by the median {np.median(np.abs(e)) / 0.6745:.3f}  "
            f"wrong way round {100 * np.mean(swaps[key]):3.0f} %"
        )
    standard = np.array([[e / SPREAD[k] for e in errors[k]] for k in SPREAD])  # key, picture, (left, right), (x, y)
    standard = standard.transpose(1, 0, 2, 3).reshape(standard.shape[1], -1, 2)
    together = (standard.mean(1) ** 2).mean() * standard.shape[1] / (standard**2).mean()
    print(f"   errors of one picture add up {np.sqrt(together):.2f} times as far as independent ones")


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--photo-only", action="store_true")
    ap.add_argument("--times", action="store_true")
    args = ap.parse_args()
    model = PoseModel()
    network = EyeFinder(silhouette=None if args.photo_only else Silhouette(model))
    eyes = TwoEyes(network, MediapipeFinder(model), model)
    errors: dict[str, dict[str, list[np.ndarray]]] = defaultdict(lambda: defaultdict(list))
    swaps: dict[str, dict[str, list[bool]]] = defaultdict(lambda: defaultdict(list))
    apart: dict[str, list[float]] = defaultdict(list)
    count: dict[str, int] = defaultdict(int)
    looks: dict[str, int] = defaultdict(int)
    fired: dict[str, list[str]] = defaultdict(list)
    missed: list[str] = []
    seconds: dict[str, list[float]] = defaultdict(list)
    for path in sorted(p for folder in args.folders for p in folder.glob("*_[0LR]*.jpg")):
        if not path.with_suffix(".json").exists():
            continue
        photo, side = decode(path.read_bytes()), SIDES.get(path.stem.split("_")[1])
        true = true_points(json.loads(path.with_suffix(".json").read_text()))
        started = time.process_time()
        found = eyes.find(photo, side)
        both = time.process_time() - started
        if "eye" not in {p.source for p in found.points.values()}:
            print(f"{path.stem}: the network found nobody")
            continue
        if args.times:
            model.forget()
            started = time.process_time()
            network.find(photo, side)
            seconds["network"].append(time.process_time() - started)
            seconds["both"].append(both)
        view = "end-on" if found.camera.off_side_deg > END_ON_DEG else "side-on"
        count[view] += 1
        names = [n for n in found.points if n in true]
        off = [np.hypot(found.points[n].x - true[n][0], found.points[n].y - true[n][1]) for n in names]
        trunk = true_landmarks(true).trunk_px
        gross = float(np.median(off)) / trunk > GROSS
        disagree = found.second is not None and (mean_square(found, found.second) or 0) > LIMIT
        if disagree:
            fired[view].append(
                f"{path.stem} ({'blunder' if gross else 'good'}, {mean_square(found, found.second):.1f})"
            )
        elif gross:
            missed.append(f"{path.stem} ({np.median(off) / trunk:.2f} trunk lengths off)")
        if found.second is not None:
            apart[view].append(mean_square(found, found.second) or 0.0)
        look = model.look_at_photo(photo.pixels)
        if look is None:
            continue
        looks[view] += 1
        if found.second is None or found.second.finder != ONE_LOOK:
            continue  # gone astray, and followed by a closer one
        for key in SPREAD:
            at = np.array([look.points[i] for i in PAIRS[key]])
            straight, crossed = (at - [true[f"{key}_{w}"] for w in ww] for ww in (("left", "right"), ("right", "left")))
            swapped = bool((crossed**2).sum() < (straight**2).sum())
            errors[view][key].append((crossed if swapped else straight) / trunk)
            swaps[view][key].append(swapped)
    for view in sorted(count, reverse=True):
        print(
            f"{view}: {count[view]} pictures, one look of the general model saw somebody in {looks[view]}, "
            f"gone astray in {looks[view] - len(errors[view]['ear'])}"
        )
        if len(apart[view]) < 3:
            continue
        spreads(errors[view], swaps[view])
        s = np.array(apart[view])
        quantiles = ", ".join(f"{q} %: {np.percentile(s, q):.2f}" for q in (50, 75, 90, 95, 100))
        freedom = 2 * s.mean() ** 2 / s.var(ddof=1)
        fitted = s.mean() / freedom * chi2.ppf(0.99, freedom)
        print(f"   mean square distance from what is used: {quantiles}; fitted 99 %: {fitted:.2f}")
        print(f"   disagree after a closer look (limit {LIMIT}): {len(fired[view])} of {count[view]} {fired[view]}")
    print(f"network's points more than {GROSS} trunk lengths off without a disagreement: {len(missed)} {missed}")
    for name, values in seconds.items():
        ms = 1000 * np.array(values)
        print(f"{name}: processor time a photo, median {np.median(ms):.0f} ms, mean {ms.mean():.0f} ms")


if __name__ == "__main__":
    main()
