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
"""The points that define the angle."""

MISREAD_SDS = 3.5
"""By how many standard deviations a deciding point must be moved for the photo to count as misread by the network.

A network that saw somebody else, or took left for right, places points much farther off than it states. Of readings
laid over photos whose angle differs by 12 to 30 degrees, 90 (side-on) and 97 (foot end) of 100 were found out once all
four points were corrected; of sound ones 2 of 100 were taken for misread. With 3, 93 and 98 were found out, but 6 and 4
sound ones lost what had been read from them. Reproduce, on the development people, with ``python -m
tests.bench.by_hand FOLDER FOLDER``.
"""

BESIDE_THE_NETWORK = 2.0
"""Multiplies the scatter of hand-placed points as long as the network's reading of the picture counts beside them.

The hand begins where the program saw the point, so that both err together. With 1 the bands of photos whose points
were merely confirmed held 92 (side-on) and 87 of 100 (foot end), with 2 they hold 93 and 92, those of photos corrected
half of the way 95 and 94 (the same command).
"""


def with_points_by_hand(landmarks: Landmarks, placed: Mapping[str, tuple[float, float]]) -> Landmarks:
    """Return ``landmarks`` with some points placed by a person, who has seen what the finders made of the photo.

    What the network read from the whole picture stays, unless a deciding point was moved so far that it must have
    misread the photo: side-on, points alone tell the angle far less well than points and picture together.

    Parameters
    ----------
    landmarks
        What the finders say.
    placed
        Name to (x, y), pixels of the upright photo.

    """
    points = dict(landmarks.points)
    trunk_px = _trunk_px({name: (p.x, p.y) for name, p in points.items()} | dict(placed))
    by_hand = {}
    for name, (x, y) in placed.items():
        # a finder that knows no shoulder tips still tells which shoulder can be seen
        before = landmarks.points.get(name) or landmarks.points.get(name.replace("acromion", "shoulder_joint"))
        seen = before is not None and before.seen
        share = SEEN_SHARE if seen else HIDDEN_SHARE
        by_hand[name] = Landmark.round_(x, y, max(share * trunk_px, 0.5), seen, "hand")
    misread = landmarks.angle is not None and any(
        _apart_sds(points[name], by_hand[name]) > MISREAD_SDS for name in DECIDING if name in points and name in by_hand
    )
    if misread and all(name in by_hand for name in DECIDING):
        points = {}  # those that nobody looked at were read from the same wrong picture
    angle = None if misread else landmarks.angle
    spread = 1.0 if angle is None else BESIDE_THE_NETWORK
    for name, p in by_hand.items():
        points[name] = Landmark.round_(p.x, p.y, spread * p.sd_px, p.seen, "hand")
    findings = tuple(f for f in landmarks.findings if not f.withholds)  # the person saw whether it is the position
    return replace(landmarks, points=points, angle=angle, second=None, findings=findings, misread=misread)


def _apart_sds(seen: Landmark, placed: Landmark) -> float:
    """Return how far apart two places of a point are, in standard deviations of their difference (Mahalanobis)."""
    xx, xy, yy = (a + b for a, b in zip(seen.cov, placed.cov, strict=True))
    dx, dy = placed.x - seen.x, placed.y - seen.y
    return math.sqrt((yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy))


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
