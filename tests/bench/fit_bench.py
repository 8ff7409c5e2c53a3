"""How good is the angle, and is the band honest?  A table by viewpoint and landmark source.

    python -m tests.bench.fit_bench                      # posed people nobody was tuned on: the figures to quote
    python -m tests.bench.fit_bench --pictures DIR DIR --sources exact,hand,automatic
    python -m tests.bench.fit_bench --pictures DIR --finder vision.mediapipe_finder:MediapipeFinder
    python -m tests.bench.fit_bench --model 400          # people drawn from the model's own priors: the bound itself
    python -m tests.bench.fit_bench --time --pictures DIR
    python -m tests.bench.fit_bench --calibrate DIR      # DIR with people apart from those on whom figures are quoted

The people are made by ``pose_people.py`` (posed, projected, visibility by ray cast) or are rendered pictures with the
exact landmarks beside them.  Landmark sources: ``exact`` (2 px on every point), ``hand`` (3 px on visible points,
8 px on hidden ones), ``automatic`` (the finders of the program), and with ``--finder`` what another finder makes of the
pictures.

Columns: number of photos; mean absolute error, 95th percentile, mean error; standard deviation of the error of the
left-right difference (both photos of a person from the same viewpoint) and how often the band of that difference holds
the truth; how often the 95 % band of the angle holds the truth, with the standard error of that share by people; its
mean width; the interval score (width plus 40 times what the truth lies outside; Gneiting & Raftery 2007); the mean
absolute error that the Cramer-Rao bound of the model allows with a flat prior on the angle; how many angles are
withheld (they are counted in all other columns but that of the difference's band); processor time of a fit.  Degrees,
in the direction of the rotation.
"""

import argparse
import gzip
import importlib
import json
import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.bench.phantom import OUR_NAMES, SIDES
from vision import camera as cam
from vision import torso
from vision.compare import Sem, compare_sides
from vision.evidence import READ_TOGETHER, Evidence, View
from vision.fit import ANGLE_EVIDENCE_WEIGHT, TorsoFit, Trial, fit_person
from vision.landmarks import Landmark, LandmarkFinder, Landmarks
from vision.measuring import default_finders, examine, view_of
from vision.sides import Side
from vision.solver import LOG_DEPTH_MEAN, Problem
from vision.solver import Shot as FitShot

HELD_OUT = Path(__file__).parent / "held_out_people.json.gz"
AUTOMATIC = "automatic"
SOURCES = {"exact": (2.0, 2.0), "hand": (3.0, 8.0)}  # scatter of visible and of hidden points, pixels
MISS_PENALTY = 2 / 0.05
TOGETHER_TRIED, WEIGHTS_TRIED = (2.0, 3.0, 4.0, 5.0, 6.0), (0.7, 0.8, 0.9, 1.0)
SHARED_TRIED = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
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
    view: View
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
        if not path.with_suffix(".jpg").exists():
            continue
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
            {OUR_NAMES[k]: (*v["px"], v["visible"]) for k, v in truth["landmarks"].items() if k in OUR_NAMES},
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

    def __init__(self, source: str, finders: Sequence[LandmarkFinder] = ()) -> None:
        self.source, self.finders = source, finders

    def view(self, shot: Shot) -> View | None:
        if self.source in SOURCES:
            landmarks = scattered(shot, *SOURCES[self.source])
            return View(landmarks, shot.width, shot.height, shot.focal_px)
        measured = examine(str(shot.picture), str(shot.picture), shot.side, self.finders)
        if measured.photo is None or not measured.landmarks.points:
            return None
        photo = measured.photo
        return view_of(measured.landmarks, photo.width, photo.height, photo.focal_px)


def run(shots: Sequence[Shot], placer: Placer, *, joint: bool, weight: float) -> list[Outcome]:
    """Fit every end-range photo alone, and side-on and end-on photos of the same trial together."""
    views = {id(s): v for s in shots if s.side is not Side.START and (v := placer.view(s)) is not None}
    trials: list[tuple[str, tuple[Shot, ...]]] = []
    same_trial = defaultdict(list)
    for shot in shots:
        if id(shot) in views:
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
            outcomes.append(Outcome(of, label, fit, views[id(of[0])], bound, seconds))
    return outcomes


HEADER = (
    f"{'':34s}{'n':>5s}{'MAE':>6s}{'P95':>6s}{'bias':>6s}{'diffSD':>7s}{'dcov':>6s}{'cover':>7s}{'+-':>5s}{'width':>7s}{'score':>7s}"
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
    held = np.array([low <= t <= high for low, high, t in zip(low, high, truth, strict=True)], dtype=float)
    by_person = defaultdict(list)
    for o, h in zip(outcomes, held, strict=True):
        by_person[o.shots[0].person].append(h - held.mean())
    doubt = math.sqrt(sum(sum(v) ** 2 for v in by_person.values())) / len(held)
    bound = np.mean([o.bound_sd_deg for o in outcomes]) * math.sqrt(2 / math.pi)
    return (
        f"{label:34s}{len(outcomes):5d}{np.abs(error).mean():6.1f}{np.quantile(np.abs(error), 0.95):6.1f}"
        f"{error.mean():+6.1f}{difference_sd:7.1f}{difference_coverage:6.0%}"
        f"{held.mean():7.1%}{doubt:5.1%}{np.mean(high - low):7.1f}{np.mean(high - low + MISS_PENALTY * outside):7.1f}"
        f"{bound:7.1f}{np.mean([not o.fit.rotation for o in outcomes]):6.0%}"
        f"{1e3 * np.median([o.seconds for o in outcomes]):5.0f}"
    )


def table(title: str, outcomes: Sequence[Outcome]) -> None:
    print(f"\n{title}\n{HEADER}")
    single = [o for o in outcomes if len(o.shots) == 1]
    for label in sorted({o.label for o in outcomes}):
        print(row(label, [o for o in outcomes if o.label == label]))
    for viewpoint in sorted({o.shots[0].viewpoint for o in single}):
        of = [o for o in single if o.shots[0].viewpoint == viewpoint]
        if len({o.label for o in of}) > 1:
            print(row(f"{viewpoint}, either side", of))
    ordered = sorted(single, key=lambda o: o.truth)
    for third in np.array_split(np.arange(len(ordered)), 3):
        of = [ordered[i] for i in third]
        print(row(f"one photo, {of[0].truth:.0f} to {of[-1].truth:.0f} deg", of))
    print(row("one photo, all", single))
    plain = [(p - o.truth) for o in single if o.shots[0].viewpoint == "side" and (p := by_sine(o)) is not None]
    if plain:
        print(f"for comparison, side-on, the rule of the sine on the same points: MAE {np.mean(np.abs(plain)):.1f}")


def by_sine(outcome: Outcome) -> float | None:
    """The angle whose sine is the shoulders' parting across the trunk over the expected breadth."""
    at = {n: np.array([p.x, p.y]) for n, p in outcome.view.landmarks.points.items()}
    pairs = [[at.get(f"{key}_{side}") for side in ("left", "right")] for key in ("acromion", "hip_joint")]
    if any(p is None for pair in pairs for p in pair):
        return None
    (left, right), hips = pairs
    axis = (left + right) / 2 - (hips[0] + hips[1]) / 2
    across = np.array([-axis[1], axis[0]]) / np.linalg.norm(axis)
    parting = abs(float((left - right) @ across)) / (torso.BREADTH_MEAN * float(np.linalg.norm(axis)))
    return math.degrees(math.asin(min(1.0, parting)))


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
    print(f"{len(by_person)} people; answering the mean of the others: MAE {np.mean(errors):.1f},", end=" ")
    print(f"P95 {np.quantile(errors, 0.95):.1f}")
    print(f"answering 'no difference': SD of the error of the difference {np.sqrt(np.mean(np.square(both))):.1f}")


ELEVATIONS_DEG = (-10, 0, 10, 20, 30)
MODEL_VIEWPOINTS = {"side": -90.0, "oblique": -135.0, "foot": 180.0, "head": 0.0}


def people_of_the_model(count: int) -> Iterator[Shot]:
    """People whose every freedom is drawn from the model's own priors: nobody can do better on them than the fit."""
    width, height, focal = 1200, 900, 900.0
    for number in range(count):
        rng = np.random.default_rng([17, number])
        theta = math.radians(rng.uniform(20, 75))
        mean, sd = torso.body_prior()
        body = (mean + sd * rng.normal(size=len(mean)))[None]
        body[:, torso.GIRDLE_SKEW] = rng.normal(*torso.girdle_skew_prior(np.array([theta])))
        points, frames = torso.place(np.array([theta]), body)
        free = rng.normal(size=(1, len(torso.NAMES), 3, 1))[:, torso.CORE :]
        points[:, torso.CORE :] += (torso.spread(frames) * free).sum(2)
        for viewpoint, azimuth in MODEL_VIEWPOINTS.items():
            camera = np.zeros((1, cam.PARAMETERS))
            camera[0, [cam.AZIMUTH, cam.ELEVATION, cam.ROLL, cam.LOG_DEPTH]] = (
                *np.radians([azimuth + rng.normal(0, 12), rng.normal(10, 15), rng.normal(0, 6)]),
                LOG_DEPTH_MEAN - 0.1,
            )
            rotation = cam.world_to_camera(camera[:, 0], camera[:, 1], camera[:, 2])
            uv = cam.project(cam.to_camera(points, rotation, camera), camera)[0] * focal + [width / 2, height / 2]
            at = {n: (float(u), float(v), True) for n, (u, v) in zip(torso.NAMES, uv, strict=True)}
            yield Shot(
                f"{number:04d}", Side.RIGHT, math.degrees(theta), viewpoint, True, "right", width, height, focal, at
            )


def bounds() -> None:
    """Print the mean absolute error that the bound allows at 50 degrees, by where the phone is.

    The average person, every point seen, 2 px of scatter on a trunk of 200 px.  "No tilt": if the tilts of hip and
    shoulder line against the trunk axis were known; from a camera off that axis, such a tilt looks like rotation.
    """
    theta = math.radians(50.0)
    angle = np.array([theta])
    body = torso.body_prior()[0]
    body[torso.GIRDLE_SKEW] = torso.girdle_skew_prior(angle)[0][0]
    points, frames = torso.place(angle, body[None])
    print(f"\n{'bound of the model, 50 deg, 2 px':34s}" + "".join(f"{f'{e:+d} deg':>9s}" for e in ELEVATIONS_DEG))
    known = {torso.HIP_SKEW: 1e-3, torso.GIRDLE_SKEW: 1e-3}
    for viewpoint, azimuth in {**MODEL_VIEWPOINTS, "foot, 15 deg beside": 165.0}.items():
        for title, priors in ((viewpoint, {}), (f"{viewpoint}, no tilt", known)):
            cells = []
            for elevation in ELEVATIONS_DEG:
                camera = np.zeros(cam.PARAMETERS)
                camera[[cam.AZIMUTH, cam.ELEVATION]] = np.radians([azimuth, elevation])
                camera[cam.LOG_DEPTH] = math.log(4.5)
                uv = FitShot.take(camera[None], points, frames).uv[0] * 900 + [600, 450]
                marks = {n: Landmark.round_(*at, 2.0, True, "hand") for n, at in zip(torso.NAMES, uv, strict=True)}
                seen = Evidence(View(Landmarks(marks, "bound"), 1200, 900, 900.0), Side.RIGHT)
                problem = Problem([seen], torso.breadth_prior(None))
                sd = problem.angle_sd_deg(theta, np.concatenate([body, camera]), known_sd=priors)
                cells.append(f"{sd * math.sqrt(2 / math.pi):9.1f}")
            print(f"{title:34s}" + "".join(cells))
    print("columns: elevation of the camera as seen from the trunk's middle")


def timing(shots: Sequence[Shot]) -> None:
    """Print the time of a fit with its band and of a joint fit of eight photos, alone on what core there is."""
    from vision.eye import EyeFinder
    from vision.mediapipe_finder import MediapipeFinder
    from vision.photo import decode

    def spent(work: Callable[[], object]) -> np.ndarray:
        wall, busy = time.perf_counter(), time.process_time()
        work()
        return 1e3 * np.array([time.perf_counter() - wall, time.process_time() - busy])

    placer, of = Placer("hand"), [s for s in shots if s.side is not Side.START]
    one = [Trial([placer.view(s)], s.side) for s in of[:48]]
    joint = [one[k : k + 8] for k in range(0, 48, 8)]
    pairs = [[Trial([*a.views, *b.views], a.side) for a, b in zip(e[::2], e[1::2], strict=True)] for e in joint]
    fit_person(one[:1])
    times = {
        "one photo": [spent(lambda t=t: fit_person([t])) for t in one],
        "eight photos of one person, eight trials": [spent(lambda e=e: fit_person(e)) for e in joint if len(e) == 8],
        "eight photos of one person, four trials": [spent(lambda e=e: fit_person(e)) for e in pairs if len(e) == 4],
    }
    pictures = [s for s in of if s.picture and s.picture.exists()][:12]
    if pictures:
        for name, finder in (("the network", EyeFinder()), ("the general pose model", MediapipeFinder())):
            photos = [(decode(s.picture.read_bytes()), s.side) for s in pictures]
            finder.find(*photos[0])
            times[f"finding points, {name}"] = [spent(lambda p=p, f=finder: f.find(*p)) for p in photos]
    print(f"{'median':44s}{'wall ms':>9s}{'processor ms':>14s}")
    medians = {name: np.median(t, axis=0) for name, t in times.items()}
    for name, (wall, busy) in medians.items():
        print(f"{name:44s}{wall:9.0f}{busy:14.0f}")
    for name in ("the network", "the general pose model"):
        if pictures:
            ratio = medians["one photo"][1] / medians[f"finding points, {name}"][1]
            print(f"a fit over finding points by {name}, processor time: {ratio:.2f}")


def calibrate(shots: Sequence[Shot]) -> None:
    """Print what READ_TOGETHER and ANGLE_EVIDENCE_WEIGHT would give, over a grid, and SHARED_READING_ERROR."""
    placer = Placer(AUTOMATIC, default_finders()[:1])
    views = [(s, v) for s in shots if (v := placer.view(s)) is not None]

    def spread(view: View, factor: float) -> View:
        points = {n: replace(p, cov=tuple(c * factor**2 for c in p.cov)) for n, p in view.landmarks.points.items()}
        return replace(view, landmarks=replace(view.landmarks, points=points))

    def line(title: str, fits: Sequence[tuple[Shot, TorsoFit]]) -> None:
        log_density, held, width, score = [], [], [], []
        for shot, fit in fits:
            p = fit.posterior
            low, high = p.band_deg
            outside = max(low - shot.theta_deg, 0) + max(shot.theta_deg - high, 0)
            log_density.append(math.log(np.interp(shot.theta_deg, p.grid_deg, p.density) + 1e-9))
            held.append(outside == 0)
            width.append(high - low)
            score.append(high - low + MISS_PENALTY * outside)
        print(f"{title}{np.mean(log_density):8.3f}{np.mean(held):8.1%}{np.mean(width):7.1f}{np.mean(score):7.1f}")

    print(f"{len(views)} photos, {len({s.person for s, _ in views})} people")
    print("READ_TOGETHER, ANGLE_EVIDENCE_WEIGHT, mean log density, cover, width, score")
    for together in TOGETHER_TRIED:
        for weight in WEIGHTS_TRIED:
            fits = [
                (s, fit_person([Trial([spread(v, together / READ_TOGETHER)], s.side)], angle_weight=weight)[0])
                for s, v in views
            ]
            line(f"{together:5.1f}{weight:5.1f}", fits)
    trials = defaultdict(list)
    for s, v in views:
        if s.side is not Side.START:
            trials[s.person, s.side].append((s, v))
    print("SHARED_READING_ERROR of several photos of a trial, mean log density, cover, width, score")
    for shared in SHARED_TRIED:
        fits = []
        for of in trials.values():
            if len(of) > 1:
                together = Trial([v for _, v in of], of[0][0].side)
                fits.append((of[0][0], fit_person([together], shared_reading_error=shared)[0]))
        line(f"{shared:5.1f}", fits)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=Path, help="posed people; by default the held-out ones beside this file")
    parser.add_argument("--pictures", type=Path, nargs="*", default=[], help="folders of rendered pictures instead")
    parser.add_argument("--model", type=int, help="so many people drawn from the model's own priors instead")
    parser.add_argument("--sources", default="exact,hand", help="landmark sources, comma-separated")
    parser.add_argument("--finder", help="MODULE:CLASS of a landmark finder, run on the pictures")
    parser.add_argument("--angle-weight", type=float, default=ANGLE_EVIDENCE_WEIGHT)
    parser.add_argument("--joint", action="store_true", help="fit both sides of a person together")
    parser.add_argument("--time", action="store_true", help="only how long it takes")
    parser.add_argument("--calibrate", type=Path, nargs="*", help="folders of development people: only the constants")
    args = parser.parse_args()
    if args.calibrate:
        calibrate([s for folder in args.calibrate for s in rendered_people(folder)])
        return
    if args.model:
        shots = list(people_of_the_model(args.model))
        outcomes = run(shots, Placer("exact"), joint=False, weight=args.angle_weight)
        table("people of the model itself, landmarks: exact", outcomes)
        bounds()
        return
    if args.pictures:
        shots = [s for folder in args.pictures for s in rendered_people(folder)]
    else:
        shots = list(posed_people(args.people or HELD_OUT))
    if args.time:
        timing(shots)
        return
    baselines(shots)
    finders = {AUTOMATIC: default_finders()} if AUTOMATIC in args.sources else {}
    if args.finder:
        module, name = args.finder.split(":")
        finders[args.finder] = [getattr(importlib.import_module(module), name)()]
    for source in [*filter(None, args.sources.split(",")), *([args.finder] if args.finder else [])]:
        began = time.process_time()
        of = [
            s for s in shots if s.side is not Side.START and (source in SOURCES or (s.picture and s.picture.exists()))
        ]
        outcomes = run(of, Placer(source, finders.get(source, ())), joint=args.joint, weight=args.angle_weight)
        missing = len(of) - sum(len(o.shots) == 1 for o in outcomes)
        table(f"landmarks: {source}" + (f" (nobody found in {missing})" if missing else ""), outcomes)
        if source not in SOURCES:
            fitting = sum(o.seconds for o in outcomes)
            print(
                f"processor time of finding: {1e3 * (time.process_time() - began - fitting) / len(of):.0f} ms a photo"
            )


if __name__ == "__main__":
    main()
