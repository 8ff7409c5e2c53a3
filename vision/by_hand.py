"""What people place or measure by hand, and how far it is believed.

The scatter of hand-placed points follows ``limits.md`` G2 and G3 of the limits study: a point that can be seen is
placed within about 1 % of the trunk's length, one that must be inferred within about 4 %. It is a judgement, not a
measured agreement of raters; no reliability study of this position from photos was found.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

from vision.landmarks import Landmark, Landmarks

SEEN_SHARE, HIDDEN_SHARE = 0.01, 0.04
"""Standard deviation of a hand-placed point, share of the trunk's length in the photo."""

TAPE_SD_MM = 10.0
"""Standard deviation of a shoulder breadth measured with a tape, mm: common practice, no source."""

DECIDING = ("acromion_left", "acromion_right", "hip_joint_left", "hip_joint_right")
"""The points that define the angle; once one of them is placed by hand, the whole-picture evidence is set aside."""


def with_points_by_hand(landmarks: Landmarks, placed: Mapping[str, tuple[float, float]]) -> Landmarks:
    """Return ``landmarks`` with some points placed by a person, who has seen what the finders made of the photo.

    Parameters
    ----------
    landmarks
        What the finders say.
    placed
        Name to (x, y), pixels of the upright photo.

    """
    points = dict(landmarks.points)
    positions = {name: (p.x, p.y) for name, p in points.items()} | dict(placed)
    trunk_px = _trunk_px(positions)
    for name, (x, y) in placed.items():
        # a finder that knows no shoulder tips still tells which shoulder can be seen
        before = landmarks.points.get(name) or landmarks.points.get(name.replace("acromion", "shoulder_joint"))
        seen = before is not None and before.seen
        share = SEEN_SHARE if seen else HIDDEN_SHARE
        points[name] = Landmark.round_(x, y, max(share * trunk_px, 0.5), seen, "hand")
    angle = None if any(name in placed for name in DECIDING) else landmarks.angle
    findings = tuple(f for f in landmarks.findings if not f.withholds)  # the person saw whether it is the position
    return replace(landmarks, points=points, angle=angle, second=None, findings=findings)


def _trunk_px(positions: Mapping[str, tuple[float, float]]) -> float:
    """Return the length in the photo from between the hips to between the shoulders, or a guess from the spread."""

    def middle(part: str) -> tuple[float, float] | None:
        a, b = positions.get(f"{part}_left"), positions.get(f"{part}_right")
        return None if a is None or b is None else ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)

    hips, shoulders = middle("hip_joint"), middle("acromion") or middle("shoulder_joint")
    if hips is not None and shoulders is not None:
        return math.dist(hips, shoulders)
    xs = [x for x, _ in positions.values()]
    ys = [y for _, y in positions.values()]
    return max(max(xs) - min(xs), max(ys) - min(ys)) / 2 if xs else 0.0
