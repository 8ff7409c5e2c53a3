"""How good is the angle, and is the band honest?  A table by viewpoint and landmark source.

    python -m tests.bench.fit_bench                      # 40 posed people nobody was tuned on: the figures to quote
    python -m tests.bench.fit_bench --pictures DIR DIR --finder vision.mediapipe_finder:MediapipeFinder
    python -m tests.bench.fit_bench --people FILE.json --sources hand --joint

The people are made by ``pose_people.py`` (posed, projected, visibility by ray cast) or are rendered pictures with the
exact landmarks beside them.  Landmark sources: ``exact`` (2 px on every point), ``hand`` (3 px on visible points,
8 px on hidden ones), and with ``--finder`` what a finder makes of the pictures.

Columns: number of photos; mean absolute error, 95th percentile, mean error; standard deviation of the error of the
left-right difference (both photos of a person from the same viewpoint) and how often the band of that difference holds
the truth; how often the 95 % band of the angle holds the truth; its mean width; the interval score (width plus 40 times
what the truth lies outside; Gneiting & Raftery 2007); the mean absolute error that the Cramer-Rao bound of the model
allows; how many angles are withheld (they are counted in all other columns but that of the difference's band);
processor time of a fit.  Degrees, in the direction of the rotation.
"""

import argparse
import gzip
import importlib
import json
import math
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vision.compare import Sem, compare_sides
from vision.evidence import View
from vision.fit import ANGLE_EVIDENCE_WEIGHT, TorsoFit, Trial, fit_person
from vision.landmark_names import MIDLINE, PAIRED
from vision.landmarks import Landmark, Landmarks
from vision.sides import Side

HELD_OUT = Path(__file__).parent / "held_out_people.json.gz"
SOURCES = {"exact": (2.0, 2.0), "hand": (3.0, 8.0)}  # scatter of visible and of hidden points, pixels
NAMES = {f"{p}_{s[0].upper()}": f"{p}_{s}" for p in PAIRED for s in ("left", "right")}
NAMES |= {key.upper() if key[-1].isdigit() else key: key for key in MIDLINE}
SIDES = {"0": Side.START, "L": Side.LEFT, "R": Side.RIGHT}
MISS_PENALTY = 2 / 0.05
PHOTOS_ONLY = Sem(1e-3, "only the photos' own bands")


@dataclass(frozen=True)
class Shot:
    """One photo with its truth: ``points`` are exact positions, pixels, and whether they are visible."""

    person: str
    side: Side
    theta_deg: float
    viewpoint: str
    opening: bool
    camera_side: str
    width: int
    height: int
    focal_px: float
    points: dict[str, tuple[float, float, bool]]
    picture: Path | None = None

    @property
    def where(self) -> str:
        if self.viewpoint in ("foot", "head"):
            return f"{self.viewpoint} end"
        return f"{self.viewpoint}, {'opening' if self.opening else 'closing'} side"


@dataclass(frozen=True)
class Outcome:
    shots: tuple[Shot, ...]
    label: str
    fit: TorsoFit
    bound_sd_deg: float
    seconds: float

    @property
    def truth(self) -> float:
        return self.shots[0].theta_deg * self.shots[0].side.sign

    @property
    def given(self) -> float:
        return self.fit.posterior.median_deg * self.shots[0].side.sign

    @property
    def error(self) -> float:
        return self.given - self.truth

    @property
    def band(self) -> tuple[float, float]:
        low, high = sorted(v * self.shots[0].side.sign for v in self.fit.posterior.band_deg)
        return low, high


def posed_people(path: Path) -> Iterator[Shot]:
    raw = path.read_bytes()
    people = json.loads(gzip.decompress(raw) if path.suffix == ".gz" else raw)["people"]
    for person in people:
        for trial in person["trials"]:
            for view in trial["views"]:
                yield Shot(
                    f"{person['person']:03d}",
                    Side(trial["side"]),
                    trial["theta_deg"],
                    view["viewpoint"],
                    view["opening"],
                    view["camera_side"],
                    view["width"],
                    view["height"],
                    view["focal_px"],
                    {n: (x, y, bool(seen)) for n, (x, y, seen) in view["points"].items()},
                )


def rendered_people(folder: Path) -> Iterator[Shot]:
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        parts = path.stem.split("_")
        camera = truth["camera"]
        yield Shot(
            f"{folder.parent.name}/{folder.name}/{parts[0]}",
            SIDES[parts[1]],
            truth["theta_deg"],
            parts[2] if len(parts) > 2 else "side",
            truth["camera_on_opening_side"],
            truth["camera_side_of_subject"],
            camera["width"],
            camera["height"],
            camera["fx"],
            {NAMES[k]: (*v["px"], v["visible"]) for k, v in truth["landmarks"].items() if k in NAMES},
            path.with_suffix(".jpg"),
        )


def scattered(shot: Shot, seen_px: float, hidden_px: float) -> Landmarks:
    """Exact points with scatter; the noise belongs to the photo, whatever else is run."""
    rng = np.random.default_rng([ord(c) for c in f"{shot.person}{shot.side}{shot.viewpoint}{shot.camera_side}"])
    points = {}
    for name, (x, y, seen) in sorted(shot.points.items()):
        sd = seen_px if seen else hidden_px
        dx, dy = rng.normal(0, 1, 2) * sd
        points[name] = Landmark.round_(x + dx, y + dy, sd, seen, "hand")
    return Landmarks(points, "bench")


class Placer:
    """Turns shots into views by one landmark source."""

    def __init__(self, source: str, finder: object | None) -> None:
        self.source, self.finder = source, finder

    def view(self, shot: Shot) -> View | None:
        if self.source in SOURCES:
            landmarks = scattered(shot, *SOURCES[self.source])
            return View(landmarks, shot.width, shot.height, shot.focal_px)
        from vision.measuring import examine, view_of

        measured = examine(str(shot.picture), str(shot.picture), shot.side, [self.finder])
        if measured.photo is None or not measured.landmarks.points:
            return None
        photo = measured.photo
        return view_of(measured.landmarks, photo.width, photo.height, photo.focal_px)


def run(shots: Sequence[Shot], placer: Placer, *, joint: bool, weight: float) -> list[Outcome]:
    """Fit every end-range photo alone, and side-on and end-on photos of the same trial together."""
    views = {id(s): v for s in shots if (v := placer.view(s)) is not None}
    trials: list[tuple[str, tuple[Shot, ...]]] = []
    same_trial = defaultdict(list)
    for shot in shots:
        if shot.side is not Side.START and id(shot) in views:
            trials.append((shot.where, (shot,)))
            same_trial[shot.person, shot.side, shot.camera_side].append(shot)
    for group in same_trial.values():
        at = {s.viewpoint: s for s in group}
        for end in ("foot", "head"):
            if "side" in at and end in at:
                trials.append((f"{at['side'].where} + {end} end", (at["side"], at[end])))
    outcomes = []
    batches: dict[object, list[tuple[str, tuple[Shot, ...]]]] = defaultdict(list)
    for number, (label, of) in enumerate(trials):
        batches[(of[0].person, label) if joint else number].append((label, of))
    for batch in batches.values():
        began = time.process_time()
        fits = fit_person([Trial([views[id(s)] for s in of], of[0].side) for _, of in batch], angle_weight=weight)
        seconds = (time.process_time() - began) / len(batch)
        for (label, of), fit in zip(batch, fits, strict=True):
            bound = fit.problem.angle_sd_deg(math.radians(of[0].theta_deg), fit.parameters)
            outcomes.append(Outcome(of, label, fit, bound, seconds))
    return outcomes


HEADER = (
    f"{'':34s}{'n':>5s}{'MAE':>6s}{'P95':>6s}{'bias':>6s}{'diffSD':>7s}{'dcov':>6s}{'cover':>7s}{'width':>7s}{'score':>7s}"
    f"{'bound':>7s}{'held':>6s}{'ms':>5s}"
)


def differences(outcomes: Sequence[Outcome]) -> tuple[float, float]:
    """Root mean square error of the left-right difference, and how often its band holds the truth."""
    by_side = defaultdict(dict)
    for o in outcomes:
        by_side[o.shots[0].person, o.label][o.shots[0].side] = o
    pairs = [(of[Side.LEFT], of[Side.RIGHT]) for of in by_side.values() if len(of) == 2]
    if len(pairs) < 2:
        return math.nan, math.nan
    errors = [left.error - right.error for left, right in pairs]
    held = []
    for left, right in pairs:
        low_high = compare_sides([left.fit.rotation], [right.fit.rotation], sem=PHOTOS_ONLY).difference_band_deg
        if low_high is not None:
            held.append(low_high[0] <= left.truth - right.truth <= low_high[1])
    return float(np.sqrt(np.mean(np.square(errors)))), float(np.mean(held)) if held else math.nan


def row(label: str, outcomes: Sequence[Outcome]) -> str:
    error = np.array([o.error for o in outcomes])
    low, high = np.array([o.band for o in outcomes]).T
    truth = np.array([o.truth for o in outcomes])
    outside = np.maximum(low - truth, 0) + np.maximum(truth - high, 0)
    difference_sd, difference_coverage = differences(outcomes)
    bound = np.mean([o.bound_sd_deg for o in outcomes]) * math.sqrt(2 / math.pi)
    return (
        f"{label:34s}{len(outcomes):5d}{np.abs(error).mean():6.1f}{np.quantile(np.abs(error), 0.95):6.1f}"
        f"{error.mean():+6.1f}{difference_sd:7.1f}{difference_coverage:6.0%}"
        f"{np.mean(outside == 0):7.1%}{np.mean(high - low):7.1f}{np.mean(high - low + MISS_PENALTY * outside):7.1f}"
        f"{bound:7.1f}{np.mean([not o.fit.rotation for o in outcomes]):6.0%}"
        f"{1e3 * np.median([o.seconds for o in outcomes]):5.0f}"
    )


def table(title: str, outcomes: Sequence[Outcome]) -> None:
    print(f"\n{title}\n{HEADER}")
    single = [o for o in outcomes if len(o.shots) == 1]
    for label in sorted({o.label for o in outcomes}):
        print(row(label, [o for o in outcomes if o.label == label]))
    ordered = sorted(single, key=lambda o: o.truth)
    for third in np.array_split(np.arange(len(ordered)), 3):
        of = [ordered[i] for i in third]
        print(row(f"one photo, {of[0].truth:.0f} to {of[-1].truth:.0f} deg", of))
    print(row("one photo, all", single))


def baselines(shots: Sequence[Shot]) -> None:
    """Print what answering without looking scores: each person gets the mean of the others, and no difference."""
    by_person = defaultdict(dict)
    for s in shots:
        if s.side is not Side.START:
            by_person[s.person][s.side] = s.theta_deg * s.side.sign
    everyone = [a for angles in by_person.values() for a in angles.values()]
    errors = []
    for angles in by_person.values():
        others = (sum(everyone) - sum(angles.values())) / (len(everyone) - len(angles))
        errors += [abs(a - others) for a in angles.values()]
    both = [a[Side.LEFT] - a[Side.RIGHT] for a in by_person.values() if len(a) == 2]
    print(f"answering the mean of the others: MAE {np.mean(errors):.1f}, P95 {np.quantile(errors, 0.95):.1f}")
    print(f"answering 'no difference': SD of the error of the difference {np.sqrt(np.mean(np.square(both))):.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=Path, help="posed people; by default the held-out ones beside this file")
    parser.add_argument("--pictures", type=Path, nargs="*", default=[], help="folders of rendered pictures instead")
    parser.add_argument("--sources", default="exact,hand", help="landmark sources by scatter, comma-separated")
    parser.add_argument("--finder", help="MODULE:CLASS of a landmark finder, run on the pictures")
    parser.add_argument("--angle-weight", type=float, default=ANGLE_EVIDENCE_WEIGHT)
    parser.add_argument("--joint", action="store_true", help="fit both sides of a person together")
    args = parser.parse_args()
    if args.pictures:
        shots = [s for folder in args.pictures for s in rendered_people(folder)]
    else:
        shots = list(posed_people(args.people or HELD_OUT))
    baselines(shots)
    for source in filter(None, args.sources.split(",")):
        outcomes = run(shots, Placer(source, None), joint=args.joint, weight=args.angle_weight)
        table(f"landmarks: {source}", outcomes)
    if args.finder:
        module, name = args.finder.split(":")
        finder = getattr(importlib.import_module(module), name)()
        began = time.process_time()
        placer = Placer(args.finder, finder)
        pictured = [s for s in shots if s.side is not Side.START and s.picture and s.picture.exists()]
        outcomes = run(pictured, placer, joint=args.joint, weight=args.angle_weight)
        per_photo = (time.process_time() - began) / max(1, len(pictured))
        table(
            f"landmarks: {args.finder} (no person found in {len(pictured) - sum(len(o.shots) == 1 for o in outcomes)})",
            outcomes,
        )
        fit_s = float(np.median([o.seconds for o in outcomes if len(o.shots) == 1]))
        print(f"processor time: finding {1e3 * (per_photo - fit_s):.0f} ms a photo, fit {1e3 * fit_s:.0f} ms")
        print(f"ratio of the fit to finding: {fit_s / max(1e-9, per_photo - fit_s):.2f}")


if __name__ == "__main__":
    main()
