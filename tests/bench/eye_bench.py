"""How well the network reads rendered photos of people it has never seen, and how far it should be believed.

    python -m tests.bench.eye_bench FOLDER [FOLDER ...] [--passes 2]      # tables
    python -m tests.bench.eye_bench FOLDER FOLDER --calibrate             # constants for vision/eye/calibration.py
    python -m tests.bench.eye_bench FOLDER --spoil                        # robustness table
    python -m tests.bench.eye_bench FOLDER FOLDER --made-of               # how the error goes with the pose
    python -m tests.bench.eye_bench FOLDER --mirror                       # photos and their mirror images

Pictures lie beside their truth as :mod:`tests.bench.phantom` says.  Nothing is tuned here; ``--calibrate`` is for
people kept apart from those on whom figures are reported.
"""

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tests.bench.phantom import phantom_name
from vision.eye.calibration import OBLIQUE_DEG
from vision.eye.finder import (
    GRID_DEG,
    Reading,
    angle_evidence,
    believed,
    merge,
    read_of_true,
    read_photo,
    toward_feet_and_head,
)
from vision.landmark_names import ACROMIA, HIP_JOINTS, NAMES
from vision.landmarks import off_side_deg
from vision.photo import decode
from vision.rotation import Posterior, rotation_angle_deg
from vision.silhouette import Silhouette

BLUNDER_DEG = 25.0  # readings so far off looked at something else; they say nothing about the scale


@dataclass(frozen=True)
class Case:
    """One picture: what is true and what was read."""

    name: str
    person: str
    condition: str
    view: str
    true_deg: float
    opening: bool
    true_xy: np.ndarray
    visible: np.ndarray
    trunk: float
    reading: Reading
    in_position: float
    turns: int
    focal_px: float
    centre: np.ndarray
    pose: dict[str, float]

    @property
    def direct(self) -> Posterior:
        return Posterior.of_log(GRID_DEG, angle_evidence(self.reading.log_angle, self.reading.azimuth_deg).log_density)

    @property
    def uncalibrated_deg(self) -> float:
        """Median of the distribution as the network gives it."""
        return Posterior.of_log(GRID_DEG, self.reading.log_angle).median_deg

    @property
    def from_points_deg(self) -> float:
        """Angle of the landmarks with their read depths, by the definition."""
        r = self.reading
        flat = (r.xy - self.centre) * (1 + r.depth / self.focal_px)[:, None]
        p = np.concatenate([flat, r.depth[:, None]], 1) * [1, 1, 1]
        at = {n: p[i] for i, n in enumerate(NAMES)}
        return rotation_angle_deg(
            at["hip_joint_left"], at["hip_joint_right"], at["acromion_left"], at["acromion_right"]
        )


def trunk_px(truth: dict, xy: np.ndarray) -> float:
    """Length of the trunk in the picture, pixels; one seen end-on is short there: then by the camera's scale."""
    marks = truth["landmarks"]
    p3 = {n: np.array(marks[n]["xyz"]) for n in ("acromion_L", "acromion_R", "hip_joint_L", "hip_joint_R")}
    length = np.linalg.norm(p3["acromion_L"] + p3["acromion_R"] - p3["hip_joint_L"] - p3["hip_joint_R"]) / 2
    depth = np.mean([marks[n]["depth"] for n in p3])
    in_picture = float(np.linalg.norm(xy[ACROMIA].mean(0) - xy[HIP_JOINTS].mean(0)))
    return max(in_picture, float(length * truth["camera"]["fx"] / depth))


def read_folder(
    folder: Path,
    passes: int,
    silhouette: Silhouette | None,
    spoil: Callable[[np.ndarray], np.ndarray] | None = None,
) -> list[Case]:
    cases = []
    for path in sorted(folder.glob("*.jpg")):
        if not path.with_suffix(".json").exists():
            continue
        truth = json.loads(path.with_suffix(".json").read_text())
        photo = decode(path.read_bytes())
        pixels = photo.pixels if spoil is None else spoil(photo.pixels)
        scale = pixels.shape[1] / photo.width
        readings, turns = read_photo(pixels, passes, silhouette)
        parts = path.stem.split("_")
        if not readings:
            print(f"   {path.stem}: nobody in position found")
            continue
        name = [phantom_name(n) for n in NAMES]
        marks = truth["landmarks"]
        xy = np.array([marks[n]["px"] for n in name]) * scale
        trunk = trunk_px(truth, xy / scale) * scale
        cases.append(
            Case(
                path.stem, f"{folder}/{parts[0]}", parts[1], parts[2] if len(parts) > 2 else "side", truth["theta_deg"],
                truth["camera_on_opening_side"], xy, np.array([marks[n]["visible"] for n in name]), trunk,
                merge(readings), float(np.mean([r.in_position for r in readings])), turns,
                truth["camera"]["fx"] * scale,
                np.array([pixels.shape[1], pixels.shape[0]]) / 2,
                truth["pose_params"],
            )
        )  # fmt: skip
    return cases


def _row(title: str, value: np.ndarray, true: np.ndarray, band: np.ndarray | None = None) -> str:
    sign = np.where(np.abs(true) < 12, 1, np.sign(true))
    error = (value - true) * sign
    size = np.abs(error)
    text = f"{title:34s} n {len(error):3d}  MAE {size.mean():5.2f}  P95 {np.percentile(size, 95):5.1f}"
    text += f"  bias {error.mean():5.2f}"
    if band is not None:
        held = ((band[:, 0] <= true) & (true <= band[:, 1])).mean()
        text += f"  held {held * 100:4.0f} %  half-width {np.diff(band, axis=1).mean() / 2:4.1f}"
    return text


def _difference(cases: list[Case], value: Callable[[Case], float]) -> str:
    sides: dict[tuple[str, str], dict[str, float]] = {}
    for c in cases:
        if c.condition in "LR":
            sides.setdefault((c.person, c.view), {})[c.condition] = abs(value(c)) - abs(c.true_deg)
    d = np.array([s["L"] - s["R"] for s in sides.values() if len(s) == 2])
    return f"   left-right difference: SD of the error {d.std(ddof=1):.2f}, n {len(d)}" if len(d) > 2 else ""


def report(cases: list[Case]) -> None:
    refused = [c for c in cases if c.in_position < 0.5 or c.turns]
    print(f"{len(cases)} pictures, refused or turned:", [(c.name, round(c.in_position, 2), c.turns) for c in refused])
    groups: dict[str, list[Case]] = {}
    for c in cases:
        key = "start, " + c.view if c.condition == "0" else "end range, " + c.view
        groups.setdefault(key, []).append(c)
        if c.condition != "0" and c.view == "side":
            groups.setdefault(
                "   camera on the opening side" if c.opening else "   camera on the closing side", []
            ).append(c)
    for key in sorted(groups, key=lambda k: (k.strip() != k, k)):
        some = groups[key]
        true = np.array([c.true_deg for c in some])
        direct = [c.direct for c in some]
        print(key)
        print(
            _row(
                "   distribution",
                np.array([p.median_deg for p in direct]),
                true,
                np.array([p.band_deg for p in direct]),
            )
        )
        print(_difference(some, lambda c: c.direct.median_deg))
        print(_row("   landmarks with depth", np.array([c.from_points_deg for c in some]), true))
        print(_difference(some, lambda c: c.from_points_deg))
        error = np.array([np.linalg.norm(c.reading.xy - c.true_xy, axis=1) / c.trunk for c in some])
        visible = np.array([c.visible for c in some])
        seen, hidden = np.median(error[visible]), np.median(error[~visible])
        print(f"   landmark error, trunk lengths: seen median {seen:.4f}, hidden {hidden:.4f}")
        print(
            "   "
            + ", ".join(f"{n} {np.median(error[:, i]):.3f}" for i, n in enumerate(NAMES) if not n.endswith("right"))
        )


def by_nearest_direction(cases: list[Case]) -> tuple[list[Case], list[Case], list[Case]]:
    """Sort photos into those from the side, oblique ones and those from an end."""
    groups: tuple[list[Case], list[Case], list[Case]] = ([], [], [])
    for c in cases:
        off = off_side_deg(c.reading.azimuth_deg)
        groups[0 if off < OBLIQUE_DEG / 2 else 1 if off < (OBLIQUE_DEG + 90) / 2 else 2].append(c)
    return groups


def _log_likelihood(c: Case, power: float, scale_sd: float) -> float:
    scale = read_of_true(c.reading.azimuth_deg)
    density = Posterior.of_log(GRID_DEG, believed(c.reading.log_angle, power, scale, scale_sd)).density
    return float(np.log(np.interp(c.true_deg, GRID_DEG, density) + 1e-6))


def calibrate(cases: list[Case]) -> None:
    """Fit the scale of the readings, power and surplus error by likelihood, and the landmark spread by coverage."""
    ends = [c for c in cases if c.condition in "LR"]
    read = np.array([c.uncalibrated_deg for c in ends])
    true = np.array([c.true_deg for c in ends])
    near = np.abs(read - true) < BLUNDER_DEG
    feet, head = np.array([toward_feet_and_head(c.reading.azimuth_deg) for c in ends]).T
    rows = (true * np.array([np.ones(len(ends)), feet, head]))[:, near].T
    (side, less, more), *_ = np.linalg.lstsq(rows, read[near], rcond=None)
    print(f"READ_SIDE_ON {side:.3f}, READ_FROM_FEET {side + less:.3f}, READ_FROM_HEAD {side + more:.3f}")
    print("mean log likelihood, power, SCALE_SD:")
    names = "POWER_SIDE_ON", "POWER_OBLIQUE", "POWER_END_ON"
    for name, some in zip(names, by_nearest_direction(cases), strict=True):
        best = []
        for power in (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5) if some else ():
            for scale_sd in (0.0, 0.02, 0.03, 0.035, 0.04, 0.045, 0.05):
                at = [_log_likelihood(c, power, scale_sd) for c in some]
                best.append((round(float(np.mean(at)), 4), power, scale_sd))
        print(f"   {name}, {len(some)} photos:", sorted(best, reverse=True)[:6])
    z, seen, ratio = [], [], []
    for c in cases:
        e = c.reading.xy - c.true_xy
        for i in range(len(NAMES)):
            inv = np.linalg.inv(c.reading.cov[i] + np.eye(2) * (0.004 * c.trunk) ** 2)
            z.append(e[i] @ inv @ e[i])
        seen += list(c.visible)
        ratio.append(np.linalg.norm(e, axis=1) / c.trunk)
    z, seen = np.array(z), np.array(seen)
    # median of a chi-square with two degrees of freedom is 1.386
    parts = {"all": z, "seen": z[seen], "hidden": z[~seen]}
    factors = {k: round(float(np.sqrt(np.median(v) / 1.386)), 2) for k, v in parts.items()}
    print(
        "factor on the stated SD by the median:", factors, "by the 90 % point:", np.sqrt(np.percentile(z, 90) / 4.605)
    )
    print("median error by name", dict(zip(NAMES, np.round(np.median(ratio, 0), 4), strict=True)))
    # correlation of the two sides' errors within a person
    pairs: dict[tuple[str, str], dict[str, float]] = {}
    for c in cases:
        if c.condition in "LR":
            pairs.setdefault((c.person, c.view), {})[c.condition] = abs(c.direct.median_deg) - abs(c.true_deg)
    both = np.array([[p["L"], p["R"]] for p in pairs.values() if len(p) == 2])
    if len(both) > 3:
        print("correlation of left and right errors", np.corrcoef(both.T)[0, 1], "n", len(both))


def _nuisances(c: Case) -> dict[str, float]:
    """Pose of a person but for the angle, positive where it turns the way the chest opens; degrees, or parts of T."""
    sign, opening, support = (1, "R", "L") if c.condition == "R" else (-1, "L", "R")
    turned = {n: sign * c.pose[n] for n in ("pelvis_rot", "pelvis_tilt", "lumbar_leak", "side_bend", "head_turn")}
    alike = {n: c.pose[n] for n in ("support_q", "elbow_dx", "elbow_half_y", "forearm_azim", "neck_ext")}
    girdle = {
        f"{n} of the {word} shoulder": c.pose[f"{n}_{side}"]
        for n in ("protract", "elevate")
        for word, side in (("opening", opening), ("support", support))
    }
    return {"angle": abs(c.true_deg), **turned, **alike, **girdle}


def made_of(cases: list[Case]) -> None:
    """Print by view how the error, in the direction of the turn, goes with each part of the pose."""
    ends = [c for c in cases if c.condition in "LR"]
    for view in sorted({c.view for c in ends}):
        some = [c for c in ends if c.view == view]
        error = np.array([(c.direct.median_deg - c.true_deg) * (1 if c.condition == "R" else -1) for c in some])
        poses = [_nuisances(c) for c in some]
        spread = np.array([list(p.values()) for p in poses])
        z = (spread - spread.mean(0)) / spread.std(0)
        print(f"{view}, {len(some)} photos: standard deviation of the error {error.std():.2f}")
        for k, name in enumerate(poses[0]):
            r = float(np.corrcoef(z[:, k], error)[0, 1])
            by_chance = " " if abs(r) > 1.96 / np.sqrt(len(some)) else " (as by chance)"
            print(f"   {name:34s} correlation {r:+.2f}, slope {r * error.std() / spread[:, k].std():+.2f}{by_chance}")
        rest = error - error.mean() - z @ np.linalg.lstsq(z, error - error.mean(), rcond=None)[0]
        freedom = len(some) - 1 - z.shape[1]
        share = 1 - (rest @ rest / freedom) / error.var(ddof=1)
        print(f"   all together explain {100 * share:.0f} % of its variance (adjusted for their number)")


def _jpeg(quality: int) -> Callable[[np.ndarray], np.ndarray]:
    def spoil(p: np.ndarray) -> np.ndarray:
        _, data = cv2.imencode(".jpg", p[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        return cv2.imdecode(data, cv2.IMREAD_COLOR)[:, :, ::-1]

    return spoil


def _rolled(deg: float) -> Callable[[np.ndarray], np.ndarray]:
    def spoil(p: np.ndarray) -> np.ndarray:
        m = cv2.getRotationMatrix2D((p.shape[1] / 2, p.shape[0] / 2), deg, 1)
        return cv2.warpAffine(p, m, (p.shape[1], p.shape[0]), borderMode=cv2.BORDER_REPLICATE)

    return spoil


def _noise(p: np.ndarray) -> np.ndarray:
    return np.clip(p + np.random.default_rng(0).normal(0, 25, p.shape), 0, 255).astype(np.uint8)


def _small(p: np.ndarray) -> np.ndarray:
    return cv2.resize(p, (320, round(p.shape[0] * 320 / p.shape[1])), interpolation=cv2.INTER_AREA)


SPOILT: dict[str, Callable[[np.ndarray], np.ndarray] | None] = {
    "as taken": None,
    "blur, sigma 4 px": lambda p: cv2.GaussianBlur(p, (0, 0), 4),
    "noise, SD 25 of 255": _noise,
    "dark, a quarter of the light": lambda p: (p * 0.25).astype(np.uint8),
    "over-exposed, 1.8 times": lambda p: np.clip(p * 1.8, 0, 255).astype(np.uint8),
    "JPEG quality 30": _jpeg(30),
    "320 px wide": _small,
    "grey": lambda p: np.repeat(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY)[:, :, None], 3, 2),
    "phone rolled 20 degrees": _rolled(20.0),
    "phone rolled -20 degrees": _rolled(-20.0),
}


def spoil_table(folder: Path, passes: int, silhouette: Silhouette | None) -> None:
    for title, spoil in SPOILT.items():
        cases = [c for c in read_folder(folder, passes, silhouette, spoil) if c.condition != "0"]
        used = [c for c in cases if c.in_position >= 0.5]
        true = np.array([c.true_deg for c in used])
        posteriors = [c.direct for c in used]
        values, bands = np.array([p.median_deg for p in posteriors]), np.array([p.band_deg for p in posteriors])
        print(_row(title, values, true, bands), f" refused {len(cases) - len(used)}", flush=True)


def mirror_table(folder: Path, passes: int, silhouette: Silhouette | None) -> None:
    """Print by view what the readings of photos and of their mirror images add up to: left alike right would be 0."""
    mirrored = {c.name: c for c in read_folder(folder, passes, silhouette, lambda p: np.ascontiguousarray(p[:, ::-1]))}
    sums: dict[str, list[float]] = {}
    for c in read_folder(folder, passes, silhouette):
        if c.condition != "0" and c.name in mirrored:
            sums.setdefault(c.view, []).append(c.direct.median_deg + mirrored[c.name].direct.median_deg)
    for view, added in sums.items():
        sd = float(np.std(added))
        print(
            f"{view:12s} {len(added)} photos: mean {np.mean(added):+.2f} +- {sd / len(added) ** 0.5:.2f}, SD {sd:.2f}"
        )


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folders", type=Path, nargs="+")
    ap.add_argument("--passes", type=int, default=2)
    ap.add_argument("--calibrate", action="store_true")
    ap.add_argument("--spoil", action="store_true")
    ap.add_argument("--made-of", action="store_true")
    ap.add_argument("--mirror", action="store_true")
    ap.add_argument("--photo-only", action="store_true", help="without the general model's outline of the person")
    args = ap.parse_args()
    silhouette = None if args.photo_only else Silhouette()
    if args.made_of:
        made_of([c for folder in args.folders for c in read_folder(folder, args.passes, silhouette)])
        return
    everyone = []
    for folder in args.folders:
        print(f"== {folder}")
        if args.spoil:
            spoil_table(folder, args.passes, silhouette)
            continue
        if args.mirror:
            mirror_table(folder, args.passes, silhouette)
            continue
        cases = read_folder(folder, args.passes, silhouette)
        report(cases)
        everyone += cases
    if args.calibrate:
        calibrate(everyone)


if __name__ == "__main__":
    main()
