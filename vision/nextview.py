"""Which photo to ask for next: the extra viewpoint that would narrow the band most, and by how much.

A candidate photo is imagined: the fitted torso seen by a camera there, each landmark placed with the error of a
visible or of an inferred point, whichever is usual from there, as large as in the photos there are.  The Cramer-Rao
bound of the same model with and without it gives the information it adds.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.evidence import Evidence, View
from vision.fit import ANGLE_EVIDENCE_WEIGHT, TorsoFit, told_again
from vision.landmark_names import key_of
from vision.landmarks import AngleEvidence, Landmark, Landmarks
from vision.rotation import HALF_WIDTH
from vision.sides import Side
from vision.solver import LOG_DEPTH_MEAN, Problem, Shot

SEEN_SD, HIDDEN_SD = 0.015, 0.04  # of a hand-placed point, units of T: 3 and 8 px on a trunk of 200 px
_SIZE_PX, _FOCAL_PX = (1200, 900), 900.0
_ELEVATION = math.radians(15.0)
SAME_PLACE_DEG = 22.5
"""Half the way between two of the places below: a photo from nearer than that is from the same place."""
WORTH_ASKING_DEG = 1.0
"""Narrowing of the band (whole width) below which no further photo is asked for."""


@dataclass(frozen=True, slots=True)
class Viewpoint:
    """A place for the phone.

    Attributes
    ----------
    code
        Stable identifier.
    place
        Where to stand, in words; ``{side}`` is the side the chest opens to, ``{other}`` the other.
    azimuth_deg
        Of the camera for a right rotation: 0 head end, -90 the person's right, 180 foot end; mirrored for a left one.
    seen
        Points of the opening (``up``) and support (``low``) side and of the midline that a camera there sees in more
        than half of the photos (rays cast on posed people, ``tests/bench/pose_people.py``).

    """

    code: str
    place: str
    azimuth_deg: float
    seen: frozenset[str]


def _seen(up: str, low: str, midline: str) -> frozenset[str]:
    return frozenset([*(f"{k}:up" for k in up.split()), *(f"{k}:low" for k in low.split()), *midline.split()])


VIEWPOINTS: tuple[Viewpoint, ...] = (
    Viewpoint(
        "opening-side",
        "from the {side} side, square to the trunk",
        -90.0,
        _seen("ear shoulder_joint hip_joint elbow knee ankle", "", "nose sternum"),
    ),
    Viewpoint(
        "opening-side-feet",
        "from the {side} side, half-way toward the feet",
        -135.0,
        _seen("ear shoulder_joint hip_joint elbow knee ankle", "hip_joint ankle", "nose s2"),
    ),
    Viewpoint(
        "foot-end", "from the foot end, in line with the trunk", 180.0, _seen("hip_joint", "hip_joint", "t12 s2")
    ),
    Viewpoint(
        "closing-side-feet",
        "from the {other} side, half-way toward the feet",
        135.0,
        _seen("hip_joint ankle", "ear shoulder_joint hip_joint knee ankle", "t12 s2"),
    ),
    Viewpoint(
        "closing-side",
        "from the {other} side, square to the trunk",
        90.0,
        _seen("", "acromion ear shoulder_joint hip_joint knee ankle", "c7"),
    ),
    Viewpoint(
        "head-end",
        "from the head end, in line with the trunk",
        0.0,
        _seen("acromion ear shoulder_joint knee", "acromion shoulder_joint knee", "nose c7"),
    ),
    Viewpoint(
        "opening-side-head",
        "from the {side} side, half-way toward the head",
        -45.0,
        _seen("acromion ear shoulder_joint hip_joint elbow knee ankle", "knee", "nose sternum"),
    ),
    Viewpoint(
        "closing-side-head",
        "from the {other} side, half-way toward the head",
        45.0,
        _seen("acromion elbow knee", "acromion ear shoulder_joint hip_joint knee", "c7"),
    ),
)


@dataclass(frozen=True, slots=True)
class NextView:
    """What one more photo would bring.

    Attributes
    ----------
    viewpoint
        Where from.
    width_now_deg, width_then_deg
        Width of the 95 % band now and expected with the extra photo.
    sentence
        The same in one sentence.

    """

    viewpoint: Viewpoint
    width_now_deg: float
    width_then_deg: float
    sentence: str


def next_view(fit: TorsoFit, viewpoints: Sequence[Viewpoint] = VIEWPOINTS) -> NextView | None:
    """Return the extra photo of the same held position that would narrow the band most, or None if none would.

    Parameters
    ----------
    fit
        The fit of the photos there are.
    viewpoints
        Places to choose from. One that was photographed already is not asked for again: a second look from there
        shares the first one's errors, so it would bring less than is computed here.

    """
    side = fit.rotation.side
    low, high = fit.posterior.band_deg
    width_now = high - low
    free = [v for v in viewpoints if not _photographed(fit, v)]
    if not free:
        return None
    widths = {v.code: _width_then_deg(fit, v, width_now) for v in free}
    best = min(free, key=lambda v: widths[v.code])
    width_then = widths[best.code]
    if width_now - width_then < WORTH_ASKING_DEG:
        return None
    place = best.place.format(side=_opening(side).value, other=_opening(side).other.value)
    sentence = (
        f"One more photo of the same position, taken {place}, would narrow the band from about "
        f"{width_now:.0f} to about {width_then:.0f} degrees."
    )
    return NextView(best, width_now, width_then, sentence)


def _opening(side: Side) -> Side:
    return Side.RIGHT if side is Side.START else side


def _photographed(fit: TorsoFit, viewpoint: Viewpoint) -> bool:
    cameras = fit.parameters[torso.PARAMETERS :].reshape(-1, cam.PARAMETERS)
    apart = cameras[:, cam.AZIMUTH] - _camera(viewpoint, fit.rotation.side)[cam.AZIMUTH]
    apart_deg = np.degrees(np.abs(np.arctan2(np.sin(apart), np.cos(apart))))
    return bool(apart_deg.min() < SAME_PLACE_DEG)


def _width_then_deg(fit: TorsoFit, viewpoint: Viewpoint, width_now_deg: float) -> float:
    """Return the width expected with the extra photo: its information is added to what the band says there is.

    A photo that the network reads is expected to tell the angle directly as well as those there are, and shares errors
    with them, for which the fit takes off as much as it will then.
    """
    theta = math.radians(fit.theta_deg)
    body = fit.parameters[: torso.PARAMETERS]
    camera = _camera(viewpoint, fit.rotation.side)
    imagined = _imagine(viewpoint, fit.rotation.side, theta, body, camera, _usual(fit))
    both = Problem([*fit.problem.views, Evidence(imagined, fit.rotation.side)], fit.problem.breadth)
    now = fit.problem.angle_sd_deg(theta, fit.parameters)
    then = both.angle_sd_deg(theta, np.concatenate([fit.parameters, camera]))
    information = (2 * HALF_WIDTH / width_now_deg) ** 2
    extra = max(0.0, then**-2 - now**-2)
    direct = [ANGLE_EVIDENCE_WEIGHT / _variance_deg2(a) for v in fit.problem.views if (a := v.view.landmarks.angle)]
    if direct:
        shared = told_again(len(direct))
        total = information * shared + extra + float(np.mean(direct))
        return min(width_now_deg, 2 * HALF_WIDTH / math.sqrt(total / told_again(len(direct) + 1)))
    return 2 * HALF_WIDTH / math.sqrt(information + extra)


def _variance_deg2(angle: AngleEvidence) -> float:
    density = np.exp(angle.log_density - angle.log_density.max())
    density /= density.sum()
    mean = float(density @ angle.grid_deg)
    return float(density @ (angle.grid_deg - mean) ** 2)


@dataclass(frozen=True, slots=True)
class _Usual:
    """Errors of points, units of T, and who places them."""

    seen_sd: float
    hidden_sd: float
    source: str


BY_HAND = _Usual(SEEN_SD, HIDDEN_SD, "hand")


def _usual(fit: TorsoFit) -> _Usual:
    """Return the errors that the points of the photos there are have, for one more of the same kind."""
    points = [
        (p, p.sd_px / (v.trunk * v.focal))
        for v in fit.problem.views
        for name, p in v.view.landmarks.points.items()
        if name in torso.NAMES and p.source != "hand"
    ]
    if not points:
        return BY_HAND
    seen = [sd for p, sd in points if p.seen]
    hidden = [sd for p, sd in points if not p.seen]
    return _Usual(float(np.median(seen or hidden)), float(np.median(hidden or seen)), points[0][0].source)


def _camera(viewpoint: Viewpoint, side: Side, elevation: float = _ELEVATION) -> FloatArray:
    azimuth = math.radians(viewpoint.azimuth_deg) * (-1 if side is Side.LEFT else 1)
    camera = np.zeros(cam.PARAMETERS)
    camera[[cam.AZIMUTH, cam.ELEVATION, cam.LOG_DEPTH]] = azimuth, elevation, LOG_DEPTH_MEAN
    return camera


def _imagine(
    viewpoint: Viewpoint, side: Side, theta: float, body: FloatArray, camera: FloatArray, usual: _Usual = BY_HAND
) -> View:
    """Return the photo a camera would take, with the landmark errors usual from there."""
    points, frames = torso.place(np.array([theta]), body[None])
    uv = Shot.take(camera[None], points, frames).uv[0] * _FOCAL_PX + np.array(_SIZE_PX) / 2
    trunk_px = _FOCAL_PX / math.exp(camera[cam.LOG_DEPTH])
    landmarks = {}
    for name, (u, v) in zip(torso.NAMES, uv, strict=True):
        seen = _label(name, side) in viewpoint.seen
        sd = (usual.seen_sd if seen else usual.hidden_sd) * trunk_px
        landmarks[name] = Landmark.round_(float(u), float(v), sd, seen, usual.source)
    return View(Landmarks(landmarks, "imagined"), *_SIZE_PX, _FOCAL_PX)


def _label(name: str, side: Side) -> str:
    key = key_of(name)
    if key == name:
        return key
    return f"{key}:{'up' if name.endswith(_opening(side).value) else 'low'}"


def expected_widths_deg(
    theta_deg: float,
    side: Side,
    viewpoints: Sequence[Viewpoint] = VIEWPOINTS,
    elevation_deg: float = math.degrees(_ELEVATION),
) -> Mapping[str, float]:
    """Return the width of the 95 % band that a single photo gives of the average person, by viewpoint code.

    Parameters
    ----------
    theta_deg
        Rotation in the side's direction.
    side
        The side the chest opens to.
    viewpoints
        Places of the phone.
    elevation_deg
        How high it is held, as an angle seen from the middle of the trunk.

    """
    theta = math.radians(theta_deg) * side.sign
    body = torso.body_prior()[0]
    body[torso.GIRDLE_SKEW] = torso.girdle_skew_prior(np.array([theta]))[0][0]
    widths: dict[str, float] = {}
    for viewpoint in viewpoints:
        camera = _camera(viewpoint, side, math.radians(elevation_deg))
        problem = Problem([Evidence(_imagine(viewpoint, side, theta, body, camera), side)], torso.breadth_prior(None))
        sd = problem.angle_sd_deg(theta, np.concatenate([body, camera]))
        widths[viewpoint.code] = 2 * HALF_WIDTH / math.sqrt(1 / sd**2 + 1 / torso.ROTATION_SD_DEG**2)
    return widths


STANDING_ADVICE = (
    "Put the phone on the side the chest opens to: on the right for right rotation, on the left for left rotation.",
    "If it must stay on one side, move it half-way toward the feet for the turn away from it.",
    "What helps most is a second photo of the same held turn in line with the trunk: from the foot end, or from the "
    "head end.",
    "At the foot end hold the phone low, near the floor: from higher up, tilted hips look like rotation.",
)
"""What the capture page says before any photo; the tests check it against :func:`expected_widths_deg`.

That a photo from half-way toward the feet beats one square to the trunk holds for points placed by hand only: the
network reads the latter better (DEVELOPERS.md, table by viewpoint), so it is said of the closing side alone.
"""
