"""Compare found landmarks with the true ones of rendered end-range pictures, point by point.

    python -m tests.bench.landmark_errors ../shared/phantom/pictures [--views side]

Errors are in percent of the found trunk's length in the picture, along the trunk toward the head and across it
upward, apart for pictures taken from the side to which the chest opens and from the other. For each landmark of the
opening side and of the other side: number of pictures, mean error along and across, scatter about the mean per
coordinate, root mean square error per coordinate, and the root mean square of error over stated standard deviation
(1: honest; above 1: promises too much). Then in how many pictures left and right are the right way round.
"""

import argparse
import json
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from tests.bench.phantom import SIDES, phantom_name
from vision.landmark_names import NAMES, PAIRED
from vision.measuring import examine
from vision.two_eyes import default_finders


def true_points(truth: dict) -> dict[str, np.ndarray]:
    """Name to position, shape (2,), pixels, of the landmarks that a picture's truth has."""
    marks = truth["landmarks"]
    return {name: np.array(marks[phantom_name(name)]["px"]) for name in NAMES if phantom_name(name) in marks}


def axes_of(found: dict, shoulder: str = "shoulder_joint") -> tuple[np.ndarray, float]:
    """Return the directions along the trunk and upward across it (rows), and the trunk's length, pixels."""

    def middle(key):
        return np.mean([(found[f"{key}_{s}"].x, found[f"{key}_{s}"].y) for s in ("left", "right")], axis=0)

    trunk = middle(shoulder) - middle("hip_joint")
    length = float(np.linalg.norm(trunk))
    along = trunk / length
    up = np.array([along[1], -along[0]])
    return np.stack([along, up if up[1] < 0 else -up]), length


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--views", help="only these viewpoints, comma-separated")
    args = parser.parse_args()
    views = args.views.split(",") if args.views else None
    finders = default_finders()
    errors, standard, order = defaultdict(list), defaultdict(list), defaultdict(list)
    pictures = nobody = 0
    for path in sorted(args.folder.glob("*_[LR]*.jpg")):
        parts = path.stem.split("_")
        if (views and len(parts) > 2 and parts[2] not in views) or not path.with_suffix(".json").exists():
            continue
        print(f"\r{path.stem}   ", end="", file=sys.stderr, flush=True)
        truth = json.loads(path.with_suffix(".json").read_text())
        true = true_points(truth)
        found = examine(path.name, path, SIDES[parts[1]], finders).landmarks.points
        pictures += 1
        if not found:
            nobody += 1
            continue
        axes, trunk = axes_of(found)
        camera = "opening" if truth["camera_on_opening_side"] else "closing"
        opening = {"L": "left", "R": "right"}[parts[1]]
        for name, point in found.items():
            if name not in true:
                continue
            key, _, word = name.rpartition("_")
            label = (camera, f"{key}, {'opening' if word == opening else 'other'} side" if key else name)
            error = np.array([point.x, point.y]) - true[name]
            errors[label].append(axes @ error / trunk)
            cov = np.array([[point.cov[0], point.cov[1]], [point.cov[1], point.cov[2]]])
            standard[label].append(float(error @ np.linalg.solve(cov, error)) / 2)
        for key in PAIRED:
            pair = [found.get(f"{key}_{s}") for s in ("left", "right")]
            if all(pair) and f"{key}_left" in true:
                line = np.array([pair[0].x - pair[1].x, pair[0].y - pair[1].y])
                order[key].append(float(line @ (true[f"{key}_left"] - true[f"{key}_right"])) > 0)
    print(file=sys.stderr)
    print(f"{pictures} pictures, {nobody} without a person found")
    for camera in ("opening", "closing"):
        heading = f"{'n':>4s} {'along':>6s} {'up':>6s} {'sd':>5s} {'rms':>5s} {'rms/stated':>10s}"
        print(f"\n{f'camera on the {camera} side':34s} {heading}")
        for label in sorted(label for label in errors if label[0] == camera):
            e = 100 * np.array(errors[label])
            print(
                f"{label[1]:34s} {len(e):4d} {e[:, 0].mean():+6.1f} {e[:, 1].mean():+6.1f} "
                f"{np.sqrt(e.var(axis=0).mean()):5.1f} {np.sqrt((e**2).mean()):5.1f} "
                f"{np.sqrt(np.mean(standard[label])):10.2f}"
            )
    print()
    for key, right in order.items():
        print(f"left and right of {key}: {sum(right)} of {len(right)} the right way round")


if __name__ == "__main__":
    main()
