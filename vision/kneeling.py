"""Tells the heel-sit kneeling position from other postures by the geometry of the landmarks alone."""

import math
from collections.abc import Mapping

import numpy as np

from vision.arrays import FloatArray
from vision.landmarks import Landmark, Landmarks

# Each mark of the position is a soft threshold (middle, width); the widths leave room for landmarks that are
# wrong by a tenth of the trunk. [G] follows from the geometry of the position with thigh and shin each about
# 0.85 trunk lengths long: hip over ankle, shin on the floor, trunk inclined. See tests/vision/test_kneeling.py.
_FOLDED = (0.55, 0.06)  # [G] hip-ankle distance / (thigh + shin): 0.25 on the heels, 0.7 on a chair, 1 standing
_SHIN_LEVEL = (0.62, 0.10)  # [G] ankle below knee / trunk: 0 on the floor, 0.85 squatting, sitting, standing
_INCLINED = (0.92, 0.05)  # [G] rise of the trunk / its length: 0.2 to 0.7 on the forearm, 1 upright
_HELD_ASKEW_DEG = 35.0
_HIP_HIGH = (0.06, 0.05)  # [G] hip below knee / trunk: -0.4 on the heels, the other way round upside down
_END_ON_SHORT = (1.42, 0.08)  # [G] leg as it appears / trunk: up to 1.4 seen from feet or head, 1.7 standing
_END_ON_LOW = (0.76, 0.05)  # [G] ankle below knee / trunk, seen from above the feet
_END_ON_HIP = (0.25, 0.08)  # [G] hip below knee / trunk: about 0 seen from above the feet


def kneeling_probability(points: Mapping[str, Landmark], quarter_turns: int = 0) -> float:
    """Return how well landmarks agree with the heel-sit kneeling position, 0 to 1.

    Side-on: knees fully bent, shins on the floor, trunk inclined. From the foot or head end, where all that is
    foreshortened: legs that look short against the trunk, feet little lower than the knees. Without shoulders,
    hips, knees and ankles nothing can be told and 0 is returned.

    Parameters
    ----------
    points
        Landmarks of one person.
    quarter_turns
        Judge as if the picture were turned by so many quarter turns counter-clockwise.

    """
    middle = middles(points)
    if middle is None:
        return 0.0
    shoulder, hip, knee, ankle = _levelled([turned(p, quarter_turns) for p in middle])
    trunk = float(np.linalg.norm(shoulder - hip))
    leg = float(np.linalg.norm(hip - knee) + np.linalg.norm(knee - ankle))
    if trunk == 0 or leg == 0:
        return 0.0
    size = max(trunk, leg / 2)  # a trunk that points at the camera looks short
    folded = float(np.linalg.norm(hip - ankle)) / leg
    ankle_below_knee = (ankle[1] - knee[1]) / size
    rise = (hip[1] - shoulder[1]) / trunk * min(1.0, trunk / (0.6 * size))
    hip_below_knee = (hip[1] - knee[1]) / size
    side_on = (
        _below(folded, *_FOLDED)
        * _below(abs(ankle_below_knee), *_SHIN_LEVEL)
        * _below(rise, *_INCLINED)
        * _below(hip_below_knee, *_HIP_HIGH)
    )
    end_on = _below(leg / trunk, *_END_ON_SHORT) * _below(abs(ankle_below_knee), *_END_ON_LOW)
    return max(side_on, 0.9 * end_on * _below(hip_below_knee, *_END_ON_HIP))


def middles(points: Mapping[str, Landmark]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None:
    """Return the midpoints, pixels, of shoulders, hips, knees and ankles; None if one of them is missing."""
    found = []
    for keys in (("shoulder_joint", "acromion"), ("hip_joint",), ("knee",), ("ankle",)):
        pairs = [[points.get(f"{key}_{side}") for side in ("left", "right")] for key in keys]
        pair = next(([p for p in pair if p] for pair in pairs if any(pair)), None)
        if pair is None:
            return None
        found.append(np.array([[p.x, p.y] for p in pair]).mean(axis=0))
    shoulder, hip, knee, ankle = found
    return shoulder, hip, knee, ankle


def turned(xy: FloatArray, quarter_turns: int) -> FloatArray:
    """Return positions, shape (..., 2), as they read after turning the picture about its origin.

    ``quarter_turns`` counts counter-clockwise.
    """
    c, s = round(math.cos(quarter_turns * math.pi / 2)), round(math.sin(quarter_turns * math.pi / 2))
    result: FloatArray = xy @ np.array([[c, -s], [s, c]], dtype=float)
    return result


def upright_turns(points: Mapping[str, Landmark]) -> int:
    """Return by how many quarter turns counter-clockwise the picture must be turned to stand upright, 0 to 3.

    Anything but 0 is returned only if the person is in the kneeling position that way and not as the picture is.
    """
    middle = middles(points)
    if middle is None:
        return 0
    tilt = _tilt_deg(*middle)
    candidates = range(4) if tilt is None else (0, 2) if abs(tilt) < 45 else (1, 3)
    best = max(candidates, key=lambda q: kneeling_probability(points, q))
    return best if kneeling_probability(points, best) > 0.5 > kneeling_probability(points) + 0.3 else 0


SIDE_ON_DEG = 35.0
"""Farther than this from side-on, shins on a level floor no longer look level: a judgement, by projection."""


def turns_to_upright(landmarks: Landmarks) -> int:
    """Return by how many quarter turns counter-clockwise the picture must be turned to stand upright, 0 to 3.

    What the finder says counts; where it says nothing, the landmarks tell (:func:`upright_turns`).
    """
    return upright_turns(landmarks.points) if landmarks.camera is None else landmarks.camera.quarter_turns


def camera_tilt_deg(landmarks: Landmarks) -> float | None:
    """Return how far the phone was held askew, degrees; None where the shins do not tell.

    They tell only where the camera is side-on: from the feet, shins on a level floor point up the picture.
    """
    if landmarks.camera is not None and landmarks.camera.off_side_deg > SIDE_ON_DEG:
        return None
    return shin_tilt_deg(landmarks.points)


def shin_tilt_deg(points: Mapping[str, Landmark]) -> float | None:
    """Return the tilt of the shins against the picture's lower edge, degrees, -90 to 90; None if foreshortened.

    In this position the shins lie on the floor, so that a side-on photo shows them level. They are the line
    from knees to ankles, used only where it is at least half as long as the trunk appears.
    """
    middle = middles(points)
    return None if middle is None else _tilt_deg(*middle)


def _tilt_deg(shoulder: FloatArray, hip: FloatArray, knee: FloatArray, ankle: FloatArray) -> float | None:
    shin = ankle - knee
    if np.linalg.norm(shin) < 0.5 * np.linalg.norm(shoulder - hip):
        return None
    return (math.degrees(math.atan2(shin[1], shin[0])) + 90) % 180 - 90


def _levelled(middle: list[FloatArray]) -> list[FloatArray]:
    """Turn the body so that shins that are a little tilted lie level: phones are held askew by up to 30 degrees."""
    tilt = _tilt_deg(*middle)
    if tilt is None or abs(tilt) > _HELD_ASKEW_DEG:
        return middle
    c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
    return [p @ np.array([[c, -s], [s, c]]) for p in middle]


def _below(value: float, middle: float, width: float) -> float:
    return 1 / (1 + math.exp(min((value - middle) / width, 50.0)))
