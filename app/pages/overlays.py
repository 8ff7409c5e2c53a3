"""Lines over a photo and the dial of its angle, placed; ``drawings/overlay.html`` draws them."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from app.pages import words
from vision.by_hand import DECIDING
from vision.landmarks import Landmark
from vision.rotation import Rotation


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of a photo, pixels."""

    x: float
    y: float
    width: float
    height: float

    @property
    def view_box(self) -> str:
        """The rectangle as an SVG attribute."""
        return f"{self.x:g} {self.y:g} {self.width:g} {self.height:g}"


@dataclass(frozen=True, slots=True)
class Joint:
    """A landmark placed on the photo."""

    name: str
    words: str
    x: float
    y: float
    kind: str  # left, right or middle
    seen: bool
    by_hand: bool
    main: bool
    lower: bool  # of its pair, so that its name is written below and not over the other's


@dataclass(frozen=True, slots=True)
class Overlay:
    """Lines and points over the part of a photo in which the person is.

    Attributes
    ----------
    bones
        ``(class, x1, y1, x2, y2)`` for hips, shoulders and trunk, as far as their ends are known.
    radius
        Of a point, pixels of the photo.

    """

    photo_id: str
    width: int
    height: int
    box: Box
    bones: tuple[tuple[str, float, float, float, float], ...]
    joints: tuple[Joint, ...]
    radius: float
    words: str


def crop(points: Mapping[str, Landmark], width: int, height: int, margin: float = 0.35) -> Box:
    """Return the part of the photo around ``points``, 4:3, within the photo; the whole photo without points."""
    if not points:
        return Box(0, 0, width, height)
    xs, ys = [p.x for p in points.values()], [p.y for p in points.values()]
    span = max(max(xs) - min(xs), (max(ys) - min(ys)) * 4 / 3, 40.0)
    w = min(span * (1 + 2 * margin), width, height * 4 / 3)
    h = w * 3 / 4
    x = min(max((min(xs) + max(xs) - w) / 2, 0), width - w)
    y = min(max((min(ys) + max(ys) - h) / 2, 0), height - h)
    return Box(round(x, 1), round(y, 1), round(w, 1), round(h, 1))


def overlay(
    photo_id: str, width: int, height: int, points: Mapping[str, Landmark], description: str, *, cropped: bool = True
) -> Overlay:
    """Place the lines of one photo."""
    box = crop(points, width, height) if cropped else Box(0, 0, width, height)
    bones = []
    middles = {}
    for part, kind in (("hip_joint", "hips"), ("acromion", "shoulders")):
        a, b = points.get(f"{part}_left"), points.get(f"{part}_right")
        if a is not None and b is not None:
            bones.append((kind, a.x, a.y, b.x, b.y))
            middles[kind] = ((a.x + b.x) / 2, (a.y + b.y) / 2)
    if len(middles) == 2:
        bones.insert(0, ("trunk", *middles["hips"], *middles["shoulders"]))
    joints = tuple(
        Joint(
            name=name,
            words=words.landmark_words(name),
            x=round(p.x, 1),
            y=round(p.y, 1),
            kind="left" if name.endswith("_left") else "right" if name.endswith("_right") else "middle",
            seen=p.seen,
            by_hand=p.source == "hand",
            main=name in DECIDING,
            lower=_lower(name, points),
        )
        for name, p in points.items()
    )
    placed = tuple((kind, *(round(v, 1) for v in ends)) for kind, *ends in bones)
    return Overlay(
        photo_id=photo_id,
        width=width,
        height=height,
        box=box,
        bones=placed,  # type: ignore[arg-type]  # a name and four numbers each
        joints=tuple(sorted(joints, key=lambda j: j.main)),
        radius=round(box.width / 90, 1),
        words=description,
    )


def _lower(name: str, points: Mapping[str, Landmark]) -> bool:
    """Return whether a point lies below its partner of the other side."""
    part, _, side = name.rpartition("_")
    partner = points.get(f"{part}_{'right' if side == 'left' else 'left'}")
    return partner is not None and points[name].y > partner.y


@dataclass(frozen=True, slots=True)
class Dial:
    """The angle as seen along the trunk from the feet: hip line level, shoulder line turned, band as a wedge.

    Attributes
    ----------
    side
        Which line style.
    line
        ``(x1, y1, x2, y2)`` of the shoulder line, the person's left end first.
    wedge
        SVG path of the band at the end that went up.

    """

    side: str
    line: tuple[float, float, float, float]
    wedge: str
    words: str


def _end(right_deg: float, sign: int, radius: float) -> tuple[float, float]:
    # seen from the feet the person's right is on the right, and right rotation lifts the right end
    turn = math.radians(right_deg)
    return round(50 + sign * radius * math.cos(turn), 1), round(50 - sign * radius * math.sin(turn), 1)


def dial(rotation: Rotation | None) -> Dial | None:
    """Place the dial of a rotation; None when it has no angle."""
    if rotation is None or rotation.right_deg is None or rotation.band_right_deg is None:
        return None
    up = 1 if rotation.right_deg >= 0 else -1
    low, high = rotation.band_right_deg
    (x0, y0), (x1, y1) = _end(low, up, 42), _end(high, up, 42)
    large = int(abs(high - low) > 180)
    left_end, right_end = _end(rotation.right_deg, -1, 42), _end(rotation.right_deg, 1, 42)
    return Dial(
        side=rotation.side.value,
        line=(*left_end, *right_end),
        wedge=f"M50 50L{x0} {y0}A42 42 0 {large} 0 {x1} {y1}Z",
        words=f"Seen from the feet: shoulder line turned {abs(rotation.right_deg):.0f} degrees to the "
        f"{'right' if rotation.right_deg >= 0 else 'left'} of the hip line",
    )
