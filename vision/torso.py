"""The torso in the heel-sit kneeling position: shape, freedom, and what is known about both beforehand.

Lengths are in units of the trunk length T, from the midpoint of the hip-joint centres to the midpoint of the
acromia.  Trunk frame: x along the trunk axis toward the head, y along the hip line toward the person's left
(without its part along x), z dorsal.  Girdle frame: the trunk frame tilted by the forward bend of the upper
thorax and turned with the thorax.  World frame: see :mod:`vision.camera`.

Nothing here was read off the people the program is tested on.  Each prior states where it comes from:

* [A] ANSUR II, 4,082 men and 1,986 women, raw data (means of the sexes; :mod:`vision.anthropometry`);
* [G] geometry of this position;
* [J] a stated judgement, kept wide because no source was found.

What is not measured ([G], [J]) had been judged a tenth too wide: with exact or hand-placed points on development people
(seed 77 of ``tests/bench/render_people.py``) the errors of the angle were 0.89 to 0.93 of what the bands promise, with
:data:`JUDGED` 0.95.  Not narrowed further: invented people vary less than real ones.
"""

from dataclasses import dataclass

import numpy as np

from vision.arrays import FloatArray
from vision.landmark_names import PAIRED, counterpart, key_of
from vision.sides import Side

# ---- freedom of the body, in the order of the parameter vector
BREADTH, HIP_SPACING, HIP_SKEW, GIRDLE_SKEW, GIRDLE_SLACK, T12_SHARE, INCLINATION, PELVIS_ROLL = range(8)
PARAMETERS = 8

JUDGED = 0.9
"""Multiplies the standard deviations of all priors below that are judged, not measured."""

# Biacromial breadth / T.  [A] biacromial over acromion-trochanterion height .772 (men), .748 (women), SD .051;
# the tip of the greater trochanter is level with the hip-joint centre.  [G] bending the spine by about 50 degrees
# shortens the chord by about 3 %, leaning on one arm narrows the girdle by about as much [J, SD .03].
BREADTH_MEAN, BREADTH_SD = 0.755, 0.058
# Spacing of the hip points / T.  Joint centres lie 0.17 to 0.18 m apart in adults (0.72 of the pelvic width,
# Seidel 1995, from memory): 0.35 T; the trochanters, which hands and finders are drawn to, about 0.6 T apart ([A], hip
# breadth).  [J] midway, wide enough for both.
HIP_SPACING_MEAN, HIP_SPACING_SD = 0.47, JUDGED * 0.07
# [J] side-bend and a shifted pelvis tilt the hip line against the trunk axis.
HIP_SKEW_SD = JUDGED * np.radians(5.0)
# [J] one shoulder shrugged or leant on tilts the acromion line against the trunk axis.
GIRDLE_SKEW_SD = JUDGED * np.radians(4.5)
# One acromion 4 cm forward or back turns the line by 5.5 to 6.3 degrees without the spine ([A], geometry).
GIRDLE_SLACK_SD = JUDGED * np.radians(5.0)
# The thorax turns about its own axis, bent forward against the trunk chord by a third of the spine's bend [G].
FORWARD_BEND = np.radians(16.0)
FORWARD_BEND_SD = JUDGED * np.radians(5.0)
# Share of the turn reached at T12.  Lumbar rotation is about 16 % of the turn in side-lying (AJPT 2023), less when
# locked by the heel-sit.
T12_SHARE_MEAN, T12_SHARE_SD = 0.12, 0.10
# [G] buttocks on the heels, the elbow under the shoulder: hip joint and acromion heights and T.
INCLINATION_MEAN, INCLINATION_SD = np.radians(15.0), JUDGED * np.radians(10.0)
# [J] buttocks rest on both heels.
PELVIS_ROLL_SD = JUDGED * np.radians(5.0)

# Prior of the rotation in the declared direction, degrees.  Published means run from 41 (controls) and 45 (healthy
# adults) to 64 (elite surfers) (Furness 2016, Johnson 2012); the SD is kept wide so that it never decides.
ROTATION_MEAN_DEG, ROTATION_SD_DEG = 50.0, 35.0
START_SD_DEG = 12.0

GRID_LOW_DEG, GRID_HIGH_DEG, GRID_STEP_DEG = -25.0, 100.0, 4.0
START_REACH_DEG = 40.0


@dataclass(frozen=True, slots=True)
class _Attachment:
    """Where a point sits: offset from an anchor in a frame, mean and SD, units of T (y: away from the midline)."""

    anchor: str
    frame: str
    mean: tuple[float, float, float]
    sd: tuple[float, float, float]


_ATTACHED = {
    # [A] the joint lies below the acromion by about a tenth of T; how far inward differs between finders
    "shoulder_joint": _Attachment("acromion", "girdle", (-0.10, -0.02, -0.01), (0.025, 0.035, 0.03)),
    # [A] cervicale above the acromia by .14 T, less when leaning on the arm lifts the girdle
    "c7": _Attachment("girdle", "girdle", (0.09, 0.0, 0.09), (0.035, 0.03, 0.03)),
    # [A] suprasternale level with the acromia, lower when the girdle is lifted; half the chest depth in front
    "sternum": _Attachment("girdle", "girdle", (-0.07, 0.0, -0.18), (0.045, 0.03, 0.035)),
    # [A] iliocristale and half the chest depth
    "t12": _Attachment("pelvis", "waist", (0.46, 0.0, 0.26), (0.05, 0.025, 0.035)),
    "s2": _Attachment("pelvis", "trunk", (0.0, 0.0, 0.20), (0.035, 0.025, 0.03)),
    # [J] people turn their heads as they like
    "ear": _Attachment("girdle", "girdle", (0.38, 0.10, -0.07), (0.07, 0.10, 0.10)),
    "nose": _Attachment("girdle", "girdle", (0.38, 0.0, -0.27), (0.10, 0.16, 0.10)),
    # [G] knees and shins rest on the floor; thigh and shin lengths [A]
    "knee": _Attachment("hip_joint", "world", (0.74, 0.05, -0.36), (0.05, 0.08, 0.04)),
    "ankle": _Attachment("hip_joint", "world", (-0.13, -0.08, -0.37), (0.065, 0.05, 0.04)),
    # [J] the support elbow stands on the floor between the knees
    "elbow": _Attachment("pelvis", "world", (0.70, 0.08, -0.40), (0.15, 0.20, 0.05)),
}
NAMES: tuple[str, ...] = tuple(
    name
    for key in ("acromion", "hip_joint", *_ATTACHED)
    for name in ((f"{key}_left", f"{key}_right") if key in PAIRED else (key,))
)
INDEX = {name: k for k, name in enumerate(NAMES)}
PARTNER = np.array([INDEX[counterpart(n)] for n in NAMES])

_ORDER = ("acromion_left", "acromion_right", "hip_joint_left", "hip_joint_right", "girdle", "pelvis")
_FRAMES = ("trunk", "girdle", "waist", "world")
_SIGN = np.array([1.0 if n.endswith("_left") else -1.0 if n.endswith("_right") else 0.0 for n in NAMES])
_KEY = [key_of(n) for n in NAMES]
CORE = 4


def _anchor_index(name: str, key: str) -> int:
    anchor = _ATTACHED[key].anchor
    return _ORDER.index(anchor if anchor in _ORDER else f"{anchor}_{name.rsplit('_', 1)[1]}")


_ANCHOR = np.array([_anchor_index(n, k) for n, k in zip(NAMES[CORE:], _KEY[CORE:], strict=True)])
_FRAME = np.array([_FRAMES.index(_ATTACHED[k].frame) for k in _KEY[CORE:]])
_OFFSET = np.array(
    [
        [_ATTACHED[k].mean[0], _ATTACHED[k].mean[1] * s, _ATTACHED[k].mean[2]]
        for k, s in zip(_KEY[CORE:], _SIGN[CORE:], strict=True)
    ]
)
_OF = np.concatenate([np.arange(CORE), _ANCHOR])  # what each point hangs on, a position in _ORDER
_AXES = 3 * _FRAMES.index("world")  # of the frames that move
_SHOULDER, _HIP = _AXES, _AXES + 1


def _weights() -> tuple[FloatArray, FloatArray]:
    """Return the points as sums of moving vectors, shape (K, 11), and their fixed offsets in the world, (K, 3).

    The vectors are the axes of the trunk, girdle and waist frames, half the shoulder line and half the hip line.
    """
    moving, fixed = np.zeros((len(NAMES), _AXES + 2)), np.zeros((len(NAMES), 3))
    on = [_ORDER[k] for k in _OF]
    moving[:, 0] = [0.5 if o.startswith(("acromion", "girdle")) else -0.5 for o in on]
    for column, key in ((_SHOULDER, "acromion"), (_HIP, "hip_joint")):
        moving[:, column] = [{f"{key}_left": 1.0, f"{key}_right": -1.0}.get(o, 0.0) for o in on]
    for k, (frame, offset) in enumerate(zip(_FRAME, _OFFSET, strict=True), CORE):
        if _FRAMES[frame] == "world":
            fixed[k] = offset
        else:
            moving[k, 3 * frame : 3 * frame + 3] += offset
    return moving, fixed


_MOVING, _FIXED = _weights()
_SPREAD = JUDGED * np.array([_ATTACHED[k].sd for k in _KEY[CORE:]])


def body_prior() -> tuple[FloatArray, FloatArray]:
    """Return mean and SD of the body parameters, shape (8,) each; angles in radians, lengths in T."""
    mean = np.zeros(PARAMETERS)
    mean[[BREADTH, HIP_SPACING, T12_SHARE, INCLINATION]] = (
        BREADTH_MEAN,
        HIP_SPACING_MEAN,
        T12_SHARE_MEAN,
        INCLINATION_MEAN,
    )
    sd = np.array(
        [BREADTH_SD, HIP_SPACING_SD, HIP_SKEW_SD, 1.0, GIRDLE_SLACK_SD, T12_SHARE_SD, INCLINATION_SD, PELVIS_ROLL_SD]
    )
    return mean, sd


def girdle_skew_prior(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and SD, radians, of the acromion line's tilt against the plane normal to the trunk axis.

    The mean follows from turning about an axis bent forward by :data:`FORWARD_BEND`.

    Parameters
    ----------
    theta
        Any shape, rotation angle, radians, right positive.

    """
    sine = np.sin(theta)
    return -np.arcsin(np.sin(FORWARD_BEND) * sine), np.hypot(GIRDLE_SKEW_SD, FORWARD_BEND_SD * sine)


def rotation_prior_deg(side: Side) -> tuple[float, float]:
    """Return mean and SD of the prior of the signed rotation angle, degrees."""
    if side is Side.START:
        return 0.0, START_SD_DEG
    return side.sign * ROTATION_MEAN_DEG, ROTATION_SD_DEG


def rotation_log_prior(theta_deg: FloatArray, side: Side) -> FloatArray:
    """Return the logarithm of the prior density of the signed rotation angle, up to a constant."""
    mean, sd = rotation_prior_deg(side)
    result: FloatArray = -0.5 * ((theta_deg - mean) / sd) ** 2
    return result


def rotation_grid_deg(side: Side, step_deg: float = GRID_STEP_DEG) -> FloatArray:
    """Return the grid of signed angles on which the posterior is computed, increasing."""
    if side is Side.START:
        return np.arange(-START_REACH_DEG, START_REACH_DEG + step_deg / 2, step_deg)
    grid = np.arange(GRID_LOW_DEG, GRID_HIGH_DEG + step_deg / 2, step_deg)
    return grid if side is Side.RIGHT else -grid[::-1]


def place(theta: FloatArray, body: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place the points of the torso in the world.

    Parameters
    ----------
    theta
        Shape (B,), rotation angle, radians, right positive.
    body
        Shape (B, 8), body parameters.

    Returns
    -------
    points
        Shape (B, K, 3), in the order of :data:`NAMES`.
    frames
        Shape (B, 4, 3, 3): rows are the axes of the trunk, girdle, waist and world frame in the world.

    """
    frames = _frames(theta, body)
    vectors = np.concatenate([frames[:, :3].reshape(-1, _AXES, 3), _half_lines(theta, body, frames)], 1)
    return _MOVING @ vectors + _FIXED, frames


def _frames(theta: FloatArray, body: FloatArray) -> FloatArray:
    n = len(theta)
    incl, roll = body[:, INCLINATION], body[:, PELVIS_ROLL]
    ci, si, cp, sp = np.cos(incl), np.sin(incl), np.cos(roll), np.sin(roll)
    frames = np.zeros((n, 4, 3, 3))
    trunk = frames[:, 0]
    trunk[:, 0, 0], trunk[:, 0, 2] = ci, si
    trunk[:, 1, 0], trunk[:, 1, 1], trunk[:, 1, 2] = -sp * si, cp, sp * ci
    trunk[:, 2, 0], trunk[:, 2, 1], trunk[:, 2, 2] = -cp * si, -sp, cp * ci
    x, y, z = trunk[:, 0], trunk[:, 1], trunk[:, 2]
    cb, sb = np.cos(FORWARD_BEND), np.sin(FORWARD_BEND)
    thorax = theta + body[:, GIRDLE_SLACK]
    frames[:, 1, 0] = cb * x - sb * z
    frames[:, 2, 0] = x
    for frame, angle, dorsal in ((1, thorax, sb * x + cb * z), (2, body[:, T12_SHARE] * thorax, z)):
        c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
        frames[:, frame, 1], frames[:, frame, 2] = c * y - s * dorsal, s * y + c * dorsal
    frames[:, 3] = np.eye(3)
    return frames


def _half_lines(theta: FloatArray, body: FloatArray, frames: FloatArray) -> FloatArray:
    """Return half the shoulder line and half the hip line, right to left, shape (B, 2, 3)."""
    x, y, z = frames[:, 0, 0], frames[:, 0, 1], frames[:, 0, 2]
    across = np.stack([np.cos(theta)[:, None] * y - np.sin(theta)[:, None] * z, y], 1)
    skew = body[:, [GIRDLE_SKEW, HIP_SKEW], None]
    width = body[:, [BREADTH, HIP_SPACING], None]
    result: FloatArray = width / 2 * (np.sin(skew) * x[:, None] + np.cos(skew) * across)
    return result


def place_slope(theta: FloatArray, body: FloatArray, frames: FloatArray) -> FloatArray:
    """Return the derivatives of the points by the angle, then by the body parameters, shape (9, B, K, 3).

    Parameters
    ----------
    theta, body
        As for :func:`place`.
    frames
        What :func:`place` returned for them.

    """
    n = len(theta)
    x, y, z = frames[:, 0, 0], frames[:, 0, 1], frames[:, 0, 2]
    lines = _half_lines(theta, body, frames)
    vectors = np.concatenate([frames[:, :3].reshape(n, _AXES, 3), lines], 1)
    slopes = np.zeros((1 + PARAMETERS, n, _AXES + 2, 3))
    angle, of = slopes[0], slopes[1:]
    share = body[:, T12_SHARE, None]
    girdle = slice(4, 6)
    waist = slice(7, 9)
    turned_waist = np.stack([-frames[:, 2, 2], frames[:, 2, 1]], 1)
    angle[:, girdle] = np.stack([-frames[:, 1, 2], frames[:, 1, 1]], 1)
    angle[:, waist] = share[..., None] * turned_waist
    of[GIRDLE_SLACK] = angle
    of[T12_SHARE][:, waist] = (theta + body[:, GIRDLE_SLACK])[:, None, None] * turned_waist
    c, s = np.cos(theta)[:, None], np.sin(theta)[:, None]
    angle[:, _SHOULDER] = (body[:, BREADTH] / 2 * np.cos(body[:, GIRDLE_SKEW]))[:, None] * (-s * y - c * z)
    for vector, width, skew, across in (
        (_SHOULDER, BREADTH, GIRDLE_SKEW, c * y - s * z),
        (_HIP, HIP_SPACING, HIP_SKEW, y),
    ):
        ck, sk, half = np.cos(body[:, skew, None]), np.sin(body[:, skew, None]), body[:, width, None] / 2
        of[width][:, vector] = (sk * x + ck * across) / 2
        of[skew][:, vector] = half * (ck * x - sk * across)
    of[INCLINATION][..., 0], of[INCLINATION][..., 2] = -vectors[..., 2], vectors[..., 0]
    ci, si = x[:, None, 0], x[:, None, 2]  # the trunk axis, about which the pelvis rolls
    of[PELVIS_ROLL][..., 0] = -si * vectors[..., 1]
    of[PELVIS_ROLL][..., 1] = si * vectors[..., 0] - ci * vectors[..., 2]
    of[PELVIS_ROLL][..., 2] = ci * vectors[..., 1]
    result: FloatArray = _MOVING @ slopes
    return result


def spread(frames: FloatArray) -> FloatArray:
    """Return how far the attached points may sit from where :func:`place` puts them, as square-root covariances.

    Parameters
    ----------
    frames
        From :func:`place`, (B, 4, 3, 3), in any axes.

    Returns
    -------
    Shape (B, K - CORE, 3, 3), the first :data:`CORE` points left out, which sit where they are placed: rows are
    vectors in the same axes, one standard deviation long each.

    """
    result: FloatArray = frames[:, _FRAME] * _SPREAD[None, :, :, None]
    return result


# Biacromial breadth in mm over acromion-trochanterion height in mm: means of the sexes, their SDs and correlation [A].
BREADTH_MM, BREADTH_MM_SD = 390.5, 31.0
TRUNK_MM, TRUNK_MM_SD, BREADTH_TRUNK_R = 514.8, 40.0, 0.62
POSTURE_RATIO_SD = 0.03


def breadth_prior(breadth_mm: tuple[float, float] | None) -> tuple[float, float]:
    """Return mean and SD of the biacromial breadth over T.

    A photo has no scale, so a tape-measured breadth tells the ratio only through how trunk length goes with breadth:
    it narrows the prior little.

    Parameters
    ----------
    breadth_mm
        Tape-measured biacromial breadth and its standard deviation, or None.

    """
    if breadth_mm is None:
        return BREADTH_MEAN, BREADTH_SD
    value, sd = breadth_mm
    slope = BREADTH_TRUNK_R * TRUNK_MM_SD / BREADTH_MM_SD
    trunk = TRUNK_MM + slope * (value - BREADTH_MM)
    trunk_sd = TRUNK_MM_SD * np.sqrt(1 - BREADTH_TRUNK_R**2)
    ratio = value / trunk
    by_tape = sd * (1 / trunk - value * slope / trunk**2)
    return float(ratio), float(np.sqrt((ratio * trunk_sd / trunk) ** 2 + by_tape**2 + POSTURE_RATIO_SD**2))
