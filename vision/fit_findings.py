"""What the torso fit notices about a trial, each finding with its effect on the band where that can be computed.

An effect is the change of the 95 % band's half-width if the one thing were otherwise (the camera on the other side,
the hidden points seen), by the Cramer-Rao bound of the same model.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.evidence import Evidence, View
from vision.findings import Finding, finding
from vision.landmark_names import key_of
from vision.landmarks import Landmark, Landmarks
from vision.rotation import HALF_WIDTH, Posterior
from vision.sides import Side
from vision.solver import Problem, Shot, camera_slice, variances

WITHHOLD_SD_DEG = 12.0
"""Beyond this posterior SD the angle is withheld: its band would span half of the range people reach (judgement)."""
PRIOR_SHARE = 0.6
"""Posterior SD over prior SD above which the angle comes from the prior rather than from the photo."""

# The following are judgements; only the last of them withholds an angle.
WORTH_TELLING_DEG = 1.0  # effect on the band's half-width below which nothing is said of a viewpoint or the breadth
OBLIQUE_DEG = 30.0  # farther than this from side-on and from both ends a camera stands obliquely
TILT_DEG = 8.0  # of hip line, trunk or shoulder blade, beyond which it is told if it is unusual as well
UNUSUAL = 1.645  # of ten people in the expected position one would be told
SECOND_FOLD_MASS, VALLEY = 0.10, 0.6  # share of the posterior behind the valley; its depth, parts of the second peak
GROSS = 0.5  # probability of a gross error or an exchanged label from which it is told
TOO_MANY_GROSS = 0.25  # share of misplaced points beyond which the points do not fit one body
CORE = ("acromion", "shoulder_joint", "hip_joint")

POINT_WORDS = {
    "acromion": "top of the {side} shoulder",
    "shoulder_joint": "{side} shoulder joint",
    "hip_joint": "{side} hip joint",
    "elbow": "{side} elbow",
    "wrist": "{side} wrist",
    "knee": "{side} knee",
    "ankle": "{side} ankle",
    "ear": "{side} ear",
    "c7": "lowest neck vertebra",
    "t12": "lowest rib vertebra",
    "s2": "sacrum",
    "sternum": "top of the breastbone",
    "nose": "nose",
}


def words(name: str) -> str:
    """Return a landmark's name in plain words."""
    side = "left" if name.endswith("_left") else "right"
    return POINT_WORDS[key_of(name)].format(side=side)


def opening_azimuth_deg(side: Side) -> float:
    """Return the azimuth of a camera square to the side the chest opens to, degrees."""
    return -90.0 if side is Side.RIGHT else 90.0


def notice(
    problem: Problem,
    side: Side,
    posterior: Posterior,
    theta_deg: float,
    x: FloatArray,
    *,
    shared_sd_deg: float,
    taped: bool,
    evidence_disagrees: bool,
) -> tuple[Finding, ...]:
    """Return the findings of one fitted trial.

    Parameters
    ----------
    problem, side
        What was fitted, and the declared side.
    theta_deg, x
        The most probable angle and parameters.
    posterior
        Of the signed angle.
    shared_sd_deg
        Part of its SD that the unknown breadth causes.
    taped
        Whether a tape-measured breadth was given.
    evidence_disagrees
        Whether direct evidence on the angle was far from what the landmarks say.

    """
    found = [
        *_certainty(posterior, side),
        *_viewpoint(problem, side, theta_deg, x),
        *_points(problem, theta_deg, x),
        *_body(problem, side, theta_deg, x),
    ]
    own = math.sqrt(max(0.0, posterior.sd_deg**2 - shared_sd_deg**2))
    effect = HALF_WIDTH * (posterior.sd_deg - own)
    if effect > WORTH_TELLING_DEG:
        found.append(finding("breadth-unknown", effect))
    if taped:
        found.append(finding("tape-helps-little"))
    if evidence_disagrees:
        found.append(finding("evidence-disagrees"))
    if any(evidence.view.landmarks.misread for evidence in problem.views):
        found.append(finding("picture-set-aside"))
    return tuple(found)


def _certainty(posterior: Posterior, side: Side) -> list[Finding]:
    found = []
    prior_sd = torso.START_SD_DEG if side is Side.START else torso.ROTATION_SD_DEG
    if posterior.sd_deg > PRIOR_SHARE * prior_sd:
        found.append(finding("angle-from-prior"))
    elif posterior.sd_deg > WITHHOLD_SD_DEG:
        found.append(finding("angle-too-uncertain", sd=f"{posterior.sd_deg:.0f}"))
    second = second_fold(posterior)
    if second is not None:
        here, there = sorted(abs(v) for v in (second, float(posterior.grid_deg[np.argmax(posterior.density)])))
        found.append(finding("two-angles", first=f"{here:.0f}", second=f"{there:.0f}"))
    return found


def second_fold(posterior: Posterior) -> float | None:
    """Return the angle of a second peak that holds enough of the posterior behind a clear valley, or None."""
    d, grid = posterior.density, posterior.grid_deg
    top = int(np.argmax(d))
    inner = np.arange(1, len(d) - 1)
    peaks = inner[(d[inner] >= d[inner - 1]) & (d[inner] > d[inner + 1])]
    for peak in sorted(peaks, key=lambda k: -d[k]):
        if peak == top:
            continue
        low, high = min(peak, top), max(peak, top)
        valley = low + int(np.argmin(d[low : high + 1]))
        mass = d[valley:] if peak > top else d[: valley + 1]
        if d[valley] < VALLEY * d[peak] and mass.sum() > SECOND_FOLD_MASS * d.sum():
            return float(grid[peak])
    return None


def _viewpoint(problem: Problem, side: Side, theta_deg: float, x: FloatArray) -> list[Finding]:
    """Compare with the same photos taken from the mirrored viewpoint, and say where the camera stood."""
    if side is Side.START or len(problem.views) != 1:
        return []
    found = []
    here = camera_slice(0).start + cam.AZIMUTH
    azimuth = math.degrees(x[here])
    toward_opening = math.sin(math.radians(azimuth)) * math.copysign(1, opening_azimuth_deg(side))
    from_side_on = math.degrees(math.asin(min(1.0, abs(math.cos(math.radians(azimuth))))))
    now = problem.angle_sd_deg(math.radians(theta_deg), x)
    if toward_opening < 0 and from_side_on < 90 - OBLIQUE_DEG:
        mirrored = x.copy()
        mirrored[here] = -x[here]
        effect = HALF_WIDTH * (now - _expected_sd(problem, theta_deg, mirrored))
        if effect > WORTH_TELLING_DEG:
            found.append(finding("camera-on-closing-side", effect, side=side.value))
    if OBLIQUE_DEG < from_side_on < 90 - OBLIQUE_DEG:
        square = x.copy()
        square[here] = math.radians(math.copysign(90.0, math.sin(math.radians(azimuth))))
        effect = HALF_WIDTH * (now - _expected_sd(problem, theta_deg, square))
        end = "head" if math.cos(math.radians(azimuth)) > 0 else "feet"
        found.append(finding("camera-oblique", effect, angle=f"{from_side_on:.0f}", end=end))
    return found


def _expected_sd(
    problem: Problem, theta_deg: float, x: FloatArray, cov: Callable[[Landmark], Landmark] | None = None
) -> float:
    """Return the bound if every landmark lay exactly on its projection, at other parameters or covariances."""
    theta = np.radians([theta_deg])
    points, frames = torso.place(theta, x[None, : torso.PARAMETERS])
    views = []
    for i, evidence in enumerate(problem.views):
        shot = Shot.take(x[None, camera_slice(i)], points, frames)
        at = shot.uv[0] * evidence.focal + evidence.centre
        views.append(Evidence(_moved(evidence.view, at, cov or (lambda p: p)), evidence.side))
    return Problem(views, problem.breadth).angle_sd_deg(math.radians(theta_deg), x)


def _moved(view: View, at: FloatArray, change: Callable[[Landmark], Landmark]) -> View:
    def move(landmarks: Landmarks) -> Landmarks:
        points = {
            n: replace(change(p), x=float(at[torso.INDEX[n], 0]), y=float(at[torso.INDEX[n], 1]))
            for n, p in landmarks.points.items()
            if n in torso.INDEX
        }
        second = None if landmarks.second is None else move(landmarks.second)
        return replace(landmarks, points=points, second=second)

    return replace(view, landmarks=move(view.landmarks))


def _points(problem: Problem, theta_deg: float, x: FloatArray) -> list[Finding]:
    found = []
    hidden = sorted(
        {
            n
            for v in problem.views
            for n, p, own in zip(v.names, v.points, v.own, strict=True)
            if own and not p.seen and key_of(n) in CORE
        }
    )
    if hidden:
        seen = [p.sd_px for v in problem.views for p, own in zip(v.points, v.own, strict=True) if own and p.seen]
        effect = None
        if seen:
            sd = float(np.median(seen))
            as_seen = _expected_sd(
                problem,
                theta_deg,
                x,
                lambda p: p if p.seen else replace(p, cov=(min(p.cov[0], sd**2), 0.0, min(p.cov[2], sd**2))),
            )
            effect = HALF_WIDTH * (_expected_sd(problem, theta_deg, x) - as_seen)
        found.append(finding("points-hidden", effect, points=", ".join(words(n) for n in hidden)))
    gross: list[str] = []
    swapped: set[str] = set()
    count = 0
    points, frames = torso.place(np.radians([theta_deg]), x[None, : torso.PARAMETERS])
    for i, view in enumerate(problem.views):
        shot = Shot.take(x[None, camera_slice(i)], points, frames)
        off, exchanged = view.judge(shot.uv, shot.freedom)
        judged = [t for t in zip(view.names, off, exchanged, view.own, strict=True) if t[3]]
        count += len(judged)
        gross += [n for n, p, e, _ in judged if p > GROSS and e < GROSS]
        swapped |= {key_of(n) for n, _, e, _ in judged if e > GROSS}
        if view.disagreement > 1:
            found.append(finding("finders-disagree", times=f"{view.disagreement:.1f}"))
    if len(gross) > TOO_MANY_GROSS * count:
        found.append(finding("points-implausible"))
    elif gross:
        found.append(finding("points-off", points=", ".join(words(n) for n in dict.fromkeys(gross))))
    if swapped:
        pairs = ", ".join(POINT_WORDS[k].format(side="").replace("  ", " ").strip() for k in sorted(swapped))
        found.append(finding("pairs-swapped", points=pairs))
    return found


def _body(problem: Problem, side: Side, theta_deg: float, x: FloatArray) -> list[Finding]:
    """Judge the fitted body: what is far from the expected and certain."""
    _, _, matrix = problem.evaluate(np.radians([theta_deg]), x[None])
    sd = np.sqrt(variances(matrix, range(torso.PARAMETERS))[0])

    def tilt_deg(parameter: int) -> float:
        """Return the tilt the photos alone say, degrees, or 0 where it is not unusual or not certain enough.

        Over the prior, the estimate has variance prior minus posterior; dividing by their share undoes the shrinking.
        """
        learnt = problem.sd[parameter] ** 2 - sd[parameter] ** 2
        if learnt <= 0 or abs(x[parameter]) < UNUSUAL * math.sqrt(learnt):
            return 0.0
        return math.degrees(x[parameter] / (learnt / problem.sd[parameter] ** 2))

    found = []
    roll, bend = abs(tilt_deg(torso.PELVIS_ROLL)), abs(tilt_deg(torso.HIP_SKEW))
    if roll > TILT_DEG:
        found.append(finding("hips-turned", angle=f"{roll:.0f}"))
    if bend > TILT_DEG:
        found.append(finding("side-bend", angle=f"{bend:.0f}"))
    drawn_back = -tilt_deg(torso.GIRDLE_SLACK) * side.sign
    if drawn_back > TILT_DEG:
        found.append(finding("shoulder-blade-drawn-back", angle=f"{drawn_back:.0f}"))
    mean, prior_sd = torso.body_prior()
    far = (
        np.abs(x[: torso.PARAMETERS] - mean)[[torso.BREADTH, torso.HIP_SPACING]]
        / prior_sd[[torso.BREADTH, torso.HIP_SPACING]]
    )
    if far.max() > 3:
        found.append(finding("body-implausible"))
    return found
