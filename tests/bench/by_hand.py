"""What correcting points by hand does to the angle and its band, on rendered pictures with exactly known points.

    python -m tests.bench.by_hand FOLDER FOLDER

The program measures each photo; then its four deciding points are moved toward their true places, scattered as hands
scatter (``vision/by_hand.py``): ``worst`` only the one it has most wrong, ``all`` of them, ``half-way`` all by half of
the way, ``confirmed`` none (they are saved as they are).  ``points alone`` is ``all`` with what the network read from
the picture left out.  Last, the reading of another photo of the same kind, 12 to 30 degrees apart, is laid over each
photo and all points are corrected: so a misread photo looks.
"""

import argparse
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.bench.fit_bench import AUTOMATIC, Placer, Shot, rendered_people
from vision.by_hand import DECIDING, HIDDEN_SHARE, SEEN_SHARE, with_points_by_hand
from vision.evidence import View
from vision.fit import Trial, fit_person
from vision.landmarks import Landmarks, trunk_px
from vision.sides import Side
from vision.two_eyes import default_finders

FROM_DEG, TO_DEG = 12.0, 30.0
Row = tuple[float, bool, float, bool]  # error, whether the band holds, its half-width, whether the picture is left out


def true_trunk_px(shot: Shot) -> float:
    return trunk_px({name: np.array(point[:2]) for name, point in shot.points.items()})


def corrected(
    shot: Shot, landmarks: Landmarks, rng: np.random.Generator, names: tuple[str, ...], way: float
) -> Landmarks:
    """Move points by ``way`` (0 to 1) from where they are to where a hand would put them."""
    placed = {}
    for name in names:
        x, y, seen = shot.points[name]
        hand = np.array([x, y]) + rng.normal(0, (SEEN_SHARE if seen else HIDDEN_SHARE) * true_trunk_px(shot), 2)
        here = landmarks.points[name]
        placed[name] = tuple((1 - way) * np.array([here.x, here.y]) + way * hand)
    return with_points_by_hand(landmarks, placed)


def most_wrong(shot: Shot, landmarks: Landmarks) -> str:
    def off(name: str) -> float:
        here = landmarks.points[name]
        return abs(complex(here.x, here.y) - complex(*shot.points[name][:2]))

    return max(DECIDING, key=off)


def laid_over(shot: Shot, landmarks: Landmarks, other: Landmarks) -> Landmarks:
    """Return ``landmarks`` with the reading of another photo, moved, turned and scaled to the trunk in this one."""

    def ends(at: dict[str, complex]) -> tuple[complex, complex]:
        shoulders, hips = ((at[f"{part}_left"] + at[f"{part}_right"]) / 2 for part in ("acromion", "hip_joint"))
        return shoulders, hips

    places = {name: complex(p.x, p.y) for name, p in other.points.items()}
    from_shoulders, from_hips = ends(places)
    to_shoulders, to_hips = ends({name: complex(*point[:2]) for name, point in shot.points.items()})
    turn = (to_shoulders - to_hips) / (from_shoulders - from_hips)
    matrix = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    points = {}
    for name, p in other.points.items():
        xx, xy, yy = p.cov
        cov = matrix @ np.array([[xx, xy], [xy, yy]]) @ matrix.T
        at = to_hips + turn * (places[name] - from_hips)
        points[name] = replace(p, x=at.real, y=at.imag, cov=(cov[0, 0], cov[0, 1], cov[1, 1]))
    return replace(landmarks, points=points, angle=other.angle, second=None)


def row(shot: Shot, view: View, landmarks: Landmarks) -> Row:
    posterior = fit_person([Trial([replace(view, landmarks=landmarks)], shot.side)])[0].posterior
    low, high = posterior.band_deg
    held = low <= shot.theta_deg <= high
    return posterior.median_deg - shot.theta_deg, held, (high - low) / 2, landmarks.angle is None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--views", default="side,foot")
    args = parser.parse_args()
    placer, rng = Placer(AUTOMATIC, default_finders()), np.random.default_rng(5)
    wanted = args.views.split(",")
    read: list[tuple[Shot, View]] = []
    for shot in (s for folder in args.folders for s in rendered_people(folder)):
        if shot.side is not Side.START and shot.viewpoint in wanted:
            view = placer.view(shot)
            if view is not None and view.landmarks.angle is not None:
                read.append((shot, view))
    alike = defaultdict(list)
    for shot, view in read:
        alike[shot.viewpoint, shot.side, shot.camera_side].append((shot, view))
    rows: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for shot, view in read:
        found = view.landmarks

        by_all = corrected(shot, found, rng, DECIDING, 1.0)
        cases = {
            "automatic": found,
            "confirmed": corrected(shot, found, rng, DECIDING, 0.0),
            "half-way": corrected(shot, found, rng, DECIDING, 0.5),
            "worst": corrected(shot, found, rng, (most_wrong(shot, found),), 1.0),
            "all": by_all,
            "points alone": with_points_by_hand(
                replace(found, angle=None), {name: (by_all.points[name].x, by_all.points[name].y) for name in DECIDING}
            ),
        }
        others = [
            v for s, v in alike[shot.viewpoint, shot.side, shot.camera_side]
            if FROM_DEG < abs(s.theta_deg - shot.theta_deg) < TO_DEG
        ]  # fmt: skip
        if others:
            misread = laid_over(shot, found, others[rng.integers(len(others))].landmarks)
            cases["misread, automatic"] = misread
            cases["misread, all"] = corrected(shot, misread, rng, DECIDING, 1.0)
        for case, landmarks in cases.items():
            rows[shot.viewpoint, case].append(row(shot, view, landmarks))
    print(f"{'':28s}{'n':>5s}{'MAE':>6s}{'P95':>6s}{'held':>6s}{'half-width':>11s}{'picture left out':>18s}")
    for (viewpoint, case), of in sorted(rows.items(), key=lambda item: wanted.index(item[0][0])):
        error, held, half, without = np.array(of, dtype=float).T
        off, title = np.abs(error), f"{viewpoint}, {case}"
        print(
            f"{title:28s}{len(of):5d}{off.mean():6.1f}{np.quantile(off, 0.95):6.1f}"
            f"{held.mean():6.0%}{half.mean():11.1f}{without.mean():18.0%}"
        )


if __name__ == "__main__":
    main()
