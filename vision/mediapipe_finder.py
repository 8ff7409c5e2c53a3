"""Finds landmarks with the pose model inside the mediapipe wheel, looking many times.

One look at a photo gives points without any notion of how good they are, so each person is looked at in several
crops, turns and mirrorings. Their scatter is measured; what all looks get wrong together is added from a study.
Left and right are settled by agreement between the looks, by the head against the legs, and last by the declared side.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from vision.arrays import ByteArray, FloatArray
from vision.findings import Finding, finding
from vision.kneeling import kneeling_probability, turned, upright_turns
from vision.landmarks import LEAST_TRUNK, Landmark, Landmarks
from vision.photo import Photo
from vision.pose_model import NOSE, PAIRS, POINTS, PoseModel, reduced
from vision.sides import Side

SOURCE = "pose-model"

_MIRROR = np.arange(POINTS)
for _left, _right in [(1, 4), (2, 5), (3, 6), (7, 8), (9, 10), *((i, i + 1) for i in range(11, 32, 2))]:
    _MIRROR[_left], _MIRROR[_right] = _right, _left

# Error that all looks at a photo share, per coordinate, in trunk lengths: (side to which the chest opens, other side).
# Root mean square error of what this finder gives on 40 end-range pictures of rendered people, the set that the
# sample images are from, by
#     python -m tests.bench.landmark_errors DIR
# (opening/other, percent: shoulder 6/13, hip 10/9, knee 7/9, ankle 9/7, ear 5/7, elbow 3/17, wrist 3/24, nose 4),
# raised by up to a quarter and to at least 6 % because renders are cleaner than photos: a judgement. The hips' order
# is near chance. The limits study (section C) had 11, 12, 23, 23 % for upper and lower shoulder and hips, with a
# single look. Much of it is the same in every picture (the lower shoulder is drawn toward the head), but taking that
# off made the angle no better on people kept back for testing, and biased it: it is left in and counted as scatter.
_FLOOR: dict[str, tuple[float, float]] = {
    "shoulder_joint": (0.07, 0.15),
    "hip_joint": (0.11, 0.11),
    "knee": (0.09, 0.11),
    "ankle": (0.10, 0.09),
    "ear": (0.07, 0.08),
    "elbow": (0.06, 0.21),
    "wrist": (0.06, 0.34),
    "nose": (0.06, 0.06),
}

_LOOK_PX = 512
# turn in degrees, side of the crop over the person's extent, shift over the extent, mirrored
_LOOKS: tuple[tuple[float, float, float, float, bool], ...] = (
    (0, 1.35, 0.00, 0.00, False),
    (0, 1.75, 0.10, -0.05, True),
    (90, 1.50, -0.05, 0.10, False),
    (180, 1.35, 0.05, 0.05, True),
    (270, 1.75, 0.00, -0.10, False),
    (15, 1.60, -0.10, 0.00, True),
    (-15, 2.10, 0.05, 0.10, False),
    (90, 2.10, 0.10, 0.05, True),
    (180, 1.90, -0.10, -0.05, False),
    (270, 1.45, 0.05, -0.05, True),
)
_FIRST_TURNS = (0.0, 90.0, 180.0, 270.0)
_MOST_PEOPLE = 3
_AGREE = 0.6  # share of votes (1 unanimous, 0 even) from which the looks settle left and right by themselves


@dataclass(frozen=True)
class Person:
    """Several looks at one person: points of shape (K, 33, 2), pixels; shown, shape (K, 33), 0 to 1."""

    points: FloatArray
    shown: FloatArray

    @property
    def middle(self) -> FloatArray:
        """Middle of shoulders and hips, shape (2,), pixels."""
        return np.asarray(np.median(self.points[:, [11, 12, 23, 24]].mean(axis=1), axis=0))

    @property
    def extent(self) -> float:
        """Longer side of the box around all points, pixels."""
        return float(np.ptp(np.median(self.points, axis=0), axis=0).max())


class MediapipeFinder:
    """A landmark finder around the full pose model of mediapipe 0.10.21; may be used from several threads."""

    name = "mediapipe 0.10.21 pose full"

    def __init__(self, model: PoseModel | None = None) -> None:
        self._model = model or PoseModel()

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks of the person in the kneeling position; see :class:`LandmarkFinder`."""
        picture, scale = reduced(photo.pixels)
        people = self._people(picture)
        if not people:
            return Landmarks({}, self.name, findings=(finding("person-not-found"),))
        judged = []
        for person in people:
            points, settled_by_side = place_upright(person, side)
            judged.append((kneeling_probability(points, upright_turns(points)), points, settled_by_side, person))
        in_position, points, settled_by_side, person = max(judged, key=lambda j: j[0])
        findings: list[Finding] = []
        if not _shows_trunk(person, picture.shape[1], picture.shape[0]):
            return Landmarks({}, self.name, in_position, findings=(finding("trunk-not-shown"),))
        if in_position < 0.5:
            return Landmarks({}, self.name, in_position, findings=(finding("not-in-position"),))
        if len(people) > 1:
            findings.append(finding("several-people", None, count=len(people)))
        if settled_by_side:
            findings.append(finding("left-right-settled"))
        return Landmarks(
            {name: _scaled(point, 1 / scale) for name, point in points.items()},
            self.name,
            in_position,
            findings=tuple(findings),
        )

    # ---- looking

    def _people(self, picture: ByteArray) -> list[Person]:
        """Return everybody in the picture, each looked at many times."""
        people: list[Person] = []
        rest = picture.copy()
        for _ in range(_MOST_PEOPLE):
            first = self._first_look(rest, all_turns=not people)
            person = None if first is None else self._look_closely(rest, first)
            if person is None:
                break
            people.append(person)
            _paint_over(rest, person)
        return people

    def _first_look(self, picture: ByteArray, all_turns: bool) -> FloatArray | None:
        """Return the points of some person, the first that any look at the whole or a part of the picture finds."""
        height, width = picture.shape[:2]
        whole = (width / 2, height / 2, float(max(width, height)))
        for turn in _FIRST_TURNS if all_turns else _FIRST_TURNS[:2]:
            found = self._look(picture, *whole, turn, False)
            if found is not None:
                return found[0]
        if all_turns:  # small people escape the detector in a large picture
            for x in (0.3, 0.7, 0.5):
                for y in (0.7, 0.4):
                    found = self._look(picture, x * width, y * height, 0.6 * max(width, height), 0.0, False)
                    if found is not None:
                        return found[0]
        return None

    def _look_closely(self, picture: ByteArray, first: FloatArray) -> Person | None:
        """Look at one person in several crops, turns and mirrorings; None if the looks do not agree on a person."""
        low, high = first.min(axis=0), first.max(axis=0)
        extent = float((high - low).max())
        x, y = (low + high) / 2
        looks = []
        for turn, factor, dx, dy, mirrored in _LOOKS:
            found = self._look(picture, x + dx * extent, y + dy * extent, factor * extent, turn, mirrored)
            if found is not None:
                looks.append(found)
        if len(looks) < 3:
            return None
        points = np.stack([p for p, _ in looks])
        shown = np.stack([s for _, s in looks])
        middles = points[:, [11, 12, 23, 24]].mean(axis=1)
        near = np.linalg.norm(middles - np.median(middles, axis=0), axis=1) < 0.25 * extent
        if near.sum() < max(3, len(_LOOKS) // 2):
            return None
        return Person(points[near], shown[near])

    def _look(
        self, picture: ByteArray, x: float, y: float, size: float, turn_deg: float, mirrored: bool
    ) -> tuple[FloatArray, FloatArray] | None:
        """Look once at a square of the picture; return points (33, 2), pixels of the picture, and shown (33,)."""
        a = math.radians(turn_deg)
        matrix = _LOOK_PX / size * np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
        shift = _LOOK_PX / 2 - matrix @ np.array([x, y])
        crop = cv2.warpAffine(
            picture,
            np.column_stack([matrix, shift]),
            (_LOOK_PX, _LOOK_PX),
            flags=cv2.INTER_AREA,
            borderMode=cv2.BORDER_REPLICATE,
        )
        if mirrored:
            crop = crop[:, ::-1]
        seen = self._model.look(np.ascontiguousarray(crop, dtype=np.uint8))
        if seen is None:
            return None
        raw = np.column_stack([seen.points, seen.shown])
        if mirrored:
            raw[:, 0] = _LOOK_PX - raw[:, 0]
            raw = raw[_MIRROR]
        points: FloatArray = (raw[:, :2] - shift) @ np.linalg.inv(matrix).T
        return points, raw[:, 2]


def _paint_over(picture: ByteArray, person: Person) -> None:
    """Hide a person that was found already, so that the next look finds another."""
    points = np.median(person.points, axis=0)
    margin = 0.08 * person.extent
    x0, y0 = np.maximum(points.min(axis=0) - margin, 0).astype(int)
    x1, y1 = (points.max(axis=0) + margin).astype(int)
    picture[y0:y1, x0:x1] = np.median(picture.reshape(-1, 3), axis=0).astype(np.uint8)


def _shows_trunk(person: Person, width: int, height: int) -> bool:
    """Whether shoulders and hips are inside the picture and taken to be visible by most looks."""
    trunk = np.median(person.points, axis=0)[[11, 12, 23, 24]]
    inside = (trunk > 0).all(axis=1) & (trunk < (width, height)).all(axis=1)
    shown = np.median(person.shown, axis=0)[[11, 12, 23, 24]] > 0.5
    ok = inside & shown
    return bool((ok[0] or ok[1]) and (ok[2] or ok[3]))


# ---- from looks to landmarks


def place(person: Person, side: Side) -> tuple[dict[str, Landmark], bool]:
    """Return the landmarks of a person from several looks, and whether the declared side had to settle left and right.

    Position: the median of the looks, each look's pairs exchanged where they disagree with the rest. Covariance:
    of a single look, plus the error that all looks share.
    """
    pairs = {name: person.points[:, list(ab)] for name, ab in PAIRS.items()}
    trunk_px = _trunk_px(pairs)
    by_side = False
    for name in ("shoulder_joint", "elbow", "wrist"):
        pairs[name], agreed = _vote(pairs[name])
        if not agreed and side is not Side.START:
            pairs[name] = _opening_side_up(pairs[name], side)
            by_side = by_side or name == "shoulder_joint"
    pairs["ear"], _ = _vote(pairs["ear"])
    for name in ("knee", "ankle"):
        pairs[name], _ = _vote(pairs[name])
        pairs[name] = _nearer_leg_lower(pairs[name], pairs["ear"], pairs["hip_joint"], trunk_px)
    pairs["hip_joint"] = _hips_by_knees(_vote(pairs["hip_joint"])[0], pairs["knee"])

    seen = _seen(pairs, side, trunk_px)
    shown = np.median(person.shown, axis=0)
    placed = {}
    for name, looks in pairs.items():
        for k, word in enumerate(("left", "right")):
            visible = bool(seen[name][k] and shown[PAIRS[name][k]] > 0.5)
            floor = _FLOOR[name][0] if word == side else max(_FLOOR[name])
            placed[f"{name}_{word}"] = _landmark(looks[:, k], floor * trunk_px, visible)
    placed["nose"] = _landmark(person.points[:, NOSE], _FLOOR["nose"][0] * trunk_px, bool(shown[NOSE] > 0.5))
    return placed, by_side


def place_upright(person: Person, side: Side) -> tuple[dict[str, Landmark], bool]:
    """Do as :func:`place`, also in a picture that lies on its side: what is up and down decides left and right."""
    placed = place(person, side)
    turns = upright_turns(placed[0])
    if turns == 0:
        return placed
    points, by_side = place(Person(turned(person.points, turns), person.shown), side)
    return {name: _turned_back(point, turns) for name, point in points.items()}, by_side


def _turned_back(point: Landmark, quarter_turns: int) -> Landmark:
    x, y = turned(np.array([point.x, point.y]), -quarter_turns)
    xx, xy, yy = point.cov
    cov = (yy, -xy, xx) if quarter_turns % 2 else point.cov
    return Landmark(float(x), float(y), cov, point.seen, point.source)


def _trunk_px(pairs: dict[str, FloatArray]) -> float:
    """Length of the trunk over all looks, pixels; at least :data:`LEAST_TRUNK` of the person's extent."""
    trunk = pairs["shoulder_joint"].mean(axis=1) - pairs["hip_joint"].mean(axis=1)
    everything = np.concatenate([np.median(p, axis=0) for p in pairs.values()])
    return max(
        float(np.median(np.linalg.norm(trunk, axis=1))), LEAST_TRUNK * float(np.ptp(everything, axis=0).max()), 1.0
    )


def _landmark(looks: FloatArray, floor_px: float, seen: bool) -> Landmark:
    middle = np.median(looks, axis=0)
    away = looks - middle
    # robust against single gross looks: weights of a Student t with four degrees of freedom
    scale = max(float(np.median((away**2).sum(axis=1))) / 1.39, 1e-6)  # 1.39: median of chi square with 2 d.o.f.
    weight = 6 / (4 + (away**2).sum(axis=1) / scale)
    cov = (weight[:, None] * away).T @ away / len(looks)
    return Landmark(
        float(middle[0]),
        float(middle[1]),
        (float(cov[0, 0]) + floor_px**2, float(cov[0, 1]), float(cov[1, 1]) + floor_px**2),
        seen,
        SOURCE,
    )


def _vote(pair: FloatArray) -> tuple[FloatArray, bool]:
    """Exchange left and right in the looks that disagree with the majority; tell whether the majority is clear.

    ``pair`` has shape (K, 2, 2): look, (left, right), (x, y).
    """
    line = pair[:, 0] - pair[:, 1]
    direction = np.linalg.eigh(line.T @ line)[1][:, -1]
    votes = np.sign(line @ direction)
    majority = np.sign(votes.sum()) or 1.0
    exchanged = np.where((votes == majority)[:, None, None], pair, pair[:, ::-1])
    return exchanged, bool(abs(votes.mean()) >= _AGREE)


def _opening_side_up(pair: FloatArray, side: Side) -> FloatArray:
    """Exchange so that the point of the side to which the chest opens is the upper one in the picture."""
    upper_first = np.where((pair[:, 0, 1] <= pair[:, 1, 1])[:, None, None], pair, pair[:, ::-1])
    return upper_first if side is Side.LEFT else upper_first[:, ::-1]


def _near_side(ears: FloatArray, hips: FloatArray) -> Side | None:
    """Tell which side of the body is nearer to the camera; None when the trunk points at or away from it.

    Kneeling with the back up, a head that points to the left of the picture shows the left side.
    """
    head = np.median(ears.mean(axis=1) - hips.mean(axis=1), axis=0)
    if abs(head[0]) < 0.7 * abs(head[1]):
        return None
    return Side.LEFT if head[0] < 0 else Side.RIGHT


def _nearer_leg_lower(pair: FloatArray, ears: FloatArray, hips: FloatArray, trunk_px: float) -> FloatArray:
    """Exchange knees or ankles so that the nearer one is the lower one: the camera looks down on the floor."""
    near = _near_side(ears, hips)
    drop = float(np.median(pair[:, 0, 1] - pair[:, 1, 1]))
    if near is None or abs(drop) < 0.05 * trunk_px:
        return pair
    return pair if (drop > 0) == (near is Side.LEFT) else pair[:, ::-1]


def _hips_by_knees(hips: FloatArray, knees: FloatArray) -> FloatArray:
    """Exchange the hips if that brings each nearer to the knee of its own side."""
    hip, knee = np.median(hips, axis=0), np.median(knees, axis=0)
    straight = np.linalg.norm(hip - knee, axis=1).sum()
    crossed = np.linalg.norm(hip[::-1] - knee, axis=1).sum()
    return hips if straight <= crossed else hips[:, ::-1]


def _seen(pairs: dict[str, FloatArray], side: Side, trunk_px: float) -> dict[str, tuple[bool, bool]]:
    """Tell which points can be seen in this position; the model itself calls all of them visible.

    The far hip is behind the body; so is the shoulder on the floor's side when the chest opens to the camera
    (limits study, section B: never visible in 40 and in 30 pictures). A far leg counts as hidden where it
    coincides with the near one.
    """
    near = _near_side(pairs["ear"], pairs["hip_joint"])
    seen = dict.fromkeys(pairs, (True, True))
    if near is None:
        return seen
    near_only = (near is Side.LEFT, near is Side.RIGHT)
    seen["hip_joint"] = near_only
    for name in ("knee", "ankle"):
        left, right = np.median(pairs[name], axis=0)
        if np.linalg.norm(left - right) < 0.15 * trunk_px:
            seen[name] = near_only
    if side is near or side is Side.START:
        seen["shoulder_joint"] = near_only
        seen["elbow"] = near_only if side is near else seen["elbow"]
    return seen


def _scaled(point: Landmark, factor: float) -> Landmark:
    xx, xy, yy = (v * factor**2 for v in point.cov)
    return Landmark(point.x * factor, point.y * factor, (xx, xy, yy), point.seen, point.source)
