"""Compare found landmarks with the true ones of rendered pictures, point by point.

    python tests/bench/landmark_errors.py ../shared/phantom/pictures [--views side]

For each landmark: number of pictures, root mean square error per coordinate in percent of the true trunk length in
the picture, mean error along x and y (of mirrored pictures so that the head is on the right), root mean square of the
error over the stated standard deviation (1: honest; above 1: promises too much), and in how many pictures left and
right are the right way round.
"""

import argparse
import json
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from vision.landmarks import MIDLINE, PAIRED
from vision.measuring import default_finders, examine
from vision.sides import Side

SIDES = {"0": Side.START, "L": Side.LEFT, "R": Side.RIGHT}
TRUE_NAMES = {"c7": "C7", "t12": "T12", "s2": "S2"}


def true_points(truth: dict) -> dict[str, np.ndarray]:
    found = {}
    for key in PAIRED:
        for letter, word in (("L", "left"), ("R", "right")):
            if f"{key}_{letter}" in truth["landmarks"]:
                found[f"{key}_{word}"] = np.array(truth["landmarks"][f"{key}_{letter}"]["px"])
    for key in MIDLINE:
        name = TRUE_NAMES.get(key, key)
        if name in truth["landmarks"]:
            found[key] = np.array(truth["landmarks"][name]["px"])
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--views", help="only these viewpoints, comma-separated")
    parser.add_argument("--sides", default="LR", help="letters of the photos to use: 0, L, R")
    args = parser.parse_args()
    views = args.views.split(",") if args.views else None
    finders = default_finders()
    errors, standard, order = defaultdict(list), defaultdict(list), defaultdict(list)
    pictures = nobody = 0
    for path in sorted(args.folder.glob("*.jpg")):
        parts = path.stem.split("_")
        if parts[1] not in args.sides or (views and len(parts) > 2 and parts[2] not in views):
            continue
        if not path.with_suffix(".json").exists():
            continue
        print(f"\r{path.stem}   ", end="", file=sys.stderr, flush=True)
        truth = json.loads(path.with_suffix(".json").read_text())
        true = true_points(truth)
        shoulders = (true["acromion_left"] + true["acromion_right"]) / 2
        hips = (true["hip_joint_left"] + true["hip_joint_right"]) / 2
        trunk = float(np.linalg.norm(shoulders - hips))
        flip = np.array([1.0 if shoulders[0] > hips[0] else -1.0, 1.0])
        found = examine(path.name, path, SIDES[parts[1]], finders).landmarks.points
        pictures += 1
        nobody += not found
        opening = {"L": "left", "R": "right"}.get(parts[1])
        for name, point in found.items():
            if name not in true:
                continue
            key = name.rsplit("_", 1)
            label = name if len(key) == 1 or key[1] not in ("left", "right") else key[0]
            if label != name and opening:
                label += " opening" if key[1] == opening else " other"
            error = (np.array([point.x, point.y]) - true[name]) * flip
            errors[label].append(error / trunk)
            cov = np.array([[point.cov[0], point.cov[1]], [point.cov[1], point.cov[2]]])
            away = error * flip
            standard[label].append(float(away @ np.linalg.solve(cov, away)) / 2)
        for key in PAIRED:
            pair = [found.get(f"{key}_{s}") for s in ("left", "right")]
            if all(pair) and f"{key}_left" in true:
                line = np.array([pair[0].x - pair[1].x, pair[0].y - pair[1].y])
                order[key].append(float(line @ (true[f"{key}_left"] - true[f"{key}_right"])) > 0)
    print(file=sys.stderr)
    print(f"{pictures} pictures, {nobody} without a person found")
    print(f"{'landmark':26s} {'n':>4s} {'rms %':>6s} {'x %':>6s} {'y %':>6s} {'rms/sd':>7s}")
    for label in sorted(errors):
        e = np.array(errors[label])
        rms = np.sqrt((e**2).mean())
        ratio = np.sqrt(np.mean(standard[label]))
        print(
            f"{label:26s} {len(e):4d} {100 * rms:6.1f} {100 * e[:, 0].mean():+6.1f} {100 * e[:, 1].mean():+6.1f} "
            f"{ratio:7.2f}"
        )
    for key, right in order.items():
        print(f"left and right of {key}: {sum(right)} of {len(right)} the right way round")


if __name__ == "__main__":
    main()
