"""Overlays: what was measured, drawn on the photo.

Left and right are told by the words and by the line style first (left solid, right dashed, as on the pages); every
stroke is double, dark under light, so that it reads on any photo.
"""

import math
from collections.abc import Iterable, Mapping

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from vision.arrays import FloatArray
from vision.landmarks import Landmarks
from vision.photo import Photo
from vision.rotation import Rotation
from vision.sides import Side

LIGHT = (255, 255, 255)
DARK = (16, 24, 32)
SHOULDER = (255, 214, 90)  # pale yellow
HIP = (120, 220, 255)  # pale blue
TRUNK = LIGHT
BAND = (255, 255, 255, 90)

XY = tuple[float, float]


def overlay(
    photo: Photo, landmarks: Landmarks, rotation: Rotation, projected: Mapping[str, XY] | None = None
) -> Image.Image:
    """Draw hip line, shoulder line, trunk line and the angle with its band over a photo.

    Parameters
    ----------
    photo
        The photo.
    landmarks
        What the finders said: filled dots are points that are seen, hollow ones are inferred.
    rotation
        The angle, for the wedge and the caption; a withheld one is captioned so.
    projected
        Name to (x, y), pixels: points of the fitted body; lines are drawn through these where given, else through
        the landmarks.

    Returns
    -------
    PIL.Image.Image
        RGB, the size of the photo.

    """
    canvas = _Canvas(photo)
    points = dict(projected or {})
    for name, point in landmarks.points.items():
        points.setdefault(name, (point.x, point.y))
    shoulder = _pair(points, "acromion") or _pair(points, "shoulder_joint")
    hip = _pair(points, "hip_joint")
    if shoulder and hip:
        canvas.line(_middle(hip), _middle(shoulder), TRUNK)
    if hip:
        canvas.side_line(*hip, HIP)
    if shoulder:
        canvas.side_line(*shoulder, SHOULDER)
    for name, point in landmarks.points.items():
        canvas.dot((point.x, point.y), SHOULDER if "shoulder" in name or "acromion" in name else LIGHT, point.seen)
    for pair, what in ((shoulder, "shoulder"), (hip, "hip")):
        if pair:
            canvas.words(pair, what)
    canvas.dial(rotation)
    return canvas.image.convert("RGB")


def _pair(points: Mapping[str, XY], key: str) -> tuple[XY, XY] | None:
    left, right = points.get(f"{key}_left"), points.get(f"{key}_right")
    return (left, right) if left is not None and right is not None else None


def _middle(pair: tuple[XY, XY]) -> XY:
    (ax, ay), (bx, by) = pair
    return ((ax + bx) / 2, (ay + by) / 2)


class _Canvas:
    """A photo to draw on, with stroke widths that follow its size."""

    def __init__(self, photo: Photo) -> None:
        self.image = Image.fromarray(photo.pixels).convert("RGBA")
        self.draw = ImageDraw.Draw(self.image, "RGBA")
        self.unit = max(photo.width, photo.height) / 400  # stroke width, pixels
        self.font = ImageFont.load_default(size=max(11.0, 6.5 * self.unit))
        self.taken: list[tuple[float, float, float, float]] = []

    def line(self, a: XY, b: XY, colour: tuple[int, int, int], dashed: bool = False) -> None:
        """Draw a double stroke from a to b, and keep words off it."""
        for f in np.linspace(0, 1, 12):
            x, y = a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])
            self.taken.append((x - self.unit, y - self.unit, x + self.unit, y + self.unit))
        for shade, width in ((DARK, 2.4 * self.unit), (colour, 1.1 * self.unit)):
            for p, q in _dashes(a, b, 5 * self.unit) if dashed else [(a, b)]:
                self.draw.line([p, q], fill=shade, width=_px(width))

    def side_line(self, left: XY, right: XY, colour: tuple[int, int, int]) -> None:
        """Draw a line from left to right whose right half is dashed."""
        middle = _middle((left, right))
        self.line(middle, left, colour)
        self.line(middle, right, colour, dashed=True)

    def dot(self, at: XY, colour: tuple[int, int, int], filled: bool) -> None:
        """Draw a point: filled if seen, hollow if inferred."""
        r = 1.9 * self.unit
        self._circle(at, r + 0.7 * self.unit, DARK, max(1, round(1.2 * self.unit)) if not filled else None)
        self._circle(at, r, colour, None if filled else max(1, round(0.8 * self.unit)))

    def _circle(self, at: XY, r: float, colour: tuple[int, int, int], width: int | None) -> None:
        box = (at[0] - r, at[1] - r, at[0] + r, at[1] + r)
        if width is None:
            self.draw.ellipse(box, fill=colour)
        else:
            self.draw.ellipse(box, outline=colour, width=width)

    def words(self, pair: tuple[XY, XY], what: str) -> None:
        """Write LEFT and RIGHT and what it is beyond the ends of a line."""
        left, right = np.array(pair[0]), np.array(pair[1])
        direction = left - right
        length = float(np.linalg.norm(direction)) or 1.0
        # words are wider than high, so they need more room beside a line than above or below it
        away = direction / length * np.array([26, 9]) * self.unit
        for word, at, offset in (("LEFT", left, away), ("RIGHT", right, -away)):
            self.text(at + offset, f"{word} {what}")

    def text(self, centre: FloatArray, word: str) -> None:
        """Write a word on a dark ground, inside the picture and clear of the words written before."""
        x0, y0, x1, y1 = self.draw.textbbox((0, 0), word, font=self.font)
        pad = 1.2 * self.unit
        w, h = x1 - x0 + 2 * pad, y1 - y0 + 2 * pad
        x = min(max(float(centre[0]) - w / 2, 0), self.image.width - w)
        y = min(max(float(centre[1]) - h / 2, 0), self.image.height - h)
        for step in (0, 0.5, -0.5, 1, -1, 1.5, -1.5, 2, -2, 3, -3):
            moved = min(max(y + step * h * 1.05, 0), self.image.height - h)
            box = (x, moved, x + w, moved + h)
            if not any(_overlap(box, other) for other in self.taken):
                break
        self.taken.append(box)
        ground = Image.new("RGBA", (max(1, round(w)), max(1, round(h))), (*DARK, 190))
        self.image.alpha_composite(ground, (max(0, round(box[0])), max(0, round(box[1]))))
        self.draw.text((box[0] + pad - x0, box[1] + pad - y0), word, font=self.font, fill=LIGHT)

    def dial(self, rotation: Rotation) -> None:
        """Draw the angle as a wedge with its band, as seen along the trunk from the feet, in a free corner."""
        unit = self.unit
        r = 34 * unit
        w, h = 2 * r + 20 * unit, 1.45 * r + 24 * unit
        x, y = self._corner(w, h)
        panel = Image.new("RGBA", (round(w), round(h)), (0, 0, 0, 0))
        pen = ImageDraw.Draw(panel, "RGBA")
        pen.rectangle((0, 0, w, h), fill=(*DARK, 205))

        def centred(word: str, cx: float, cy: float, size: float = 1.0) -> None:
            font = ImageFont.load_default(size=max(10.0, 6.5 * unit * size))
            pen.text((cx, cy), word, font=font, fill=LIGHT, anchor="mm")

        word = {Side.LEFT: "LEFT rotation", Side.RIGHT: "RIGHT rotation", Side.START: "start position"}[rotation.side]
        centred(word, w / 2, 6 * unit)
        value, band, own = rotation.right_deg, rotation.band_right_deg, rotation.band_deg
        if value is None or band is None or own is None:
            centred("angle not given", w / 2, h / 2)
        else:
            shown = rotation.magnitude_deg or 0.0
            centred(f"{shown:.0f}° (95 % band {own[0]:.0f}° to {own[1]:.0f}°)", w / 2, 14 * unit, 0.85)
            # seen from the feet the person's right is on the right, and a right turn lifts the right shoulder
            centre = (w / 2, r + 22 * unit)
            end = -1 if value < 0 else 1
            tips = [_tip(centre, r, v, end) for v in np.linspace(band[0], band[1], 33)]
            pen.polygon([centre, *tips], fill=BAND)
            pen.line([(centre[0] - r, centre[1]), (centre[0] + r, centre[1])], fill=HIP, width=_px(1.2 * unit))
            for tip in (tips[0], tips[-1]):
                pen.line([centre, tip], fill=LIGHT, width=_px(0.5 * unit))
            pen.line([centre, _tip(centre, r, value, end)], fill=SHOULDER, width=_px(1.6 * unit))
            centred("left", 8 * unit, centre[1] - 5 * unit, 0.8)
            centred("right", w - 9 * unit, centre[1] - 5 * unit, 0.8)
            centred("against the hip line, seen from the feet", w / 2, h - 5 * unit, 0.62)
        self.image.alpha_composite(panel, (round(x), round(y)))
        self.taken.append((x, y, x + w, y + h))

    def _corner(self, w: float, h: float) -> XY:
        """Return the corner in which a panel covers the fewest words and strokes."""
        corners = [(x, y) for y in (0.0, self.image.height - h) for x in (0.0, self.image.width - w)]
        return min(corners, key=lambda c: sum(_overlap((*c, c[0] + w, c[1] + h), t) for t in self.taken))


def _px(width: float) -> int:
    return max(1, round(width))


def _tip(centre: XY, r: float, right_deg: float, end: int) -> XY:
    """Where the shoulder line ends that is turned by ``right_deg``: its right end (1) or its left end (-1)."""
    a = math.radians(right_deg)
    return (centre[0] + end * r * math.cos(a), centre[1] - end * r * math.sin(a))


def _dashes(a: XY, b: XY, length: float) -> Iterable[tuple[XY, XY]]:
    start, end = np.array(a), np.array(b)
    total = float(np.linalg.norm(end - start))
    pieces = max(1, round(total / length))
    for k in range(0, pieces, 2):
        p, q = (start + (end - start) * min(1.0, f / pieces) for f in (k, k + 1))
        yield (float(p[0]), float(p[1])), (float(q[0]), float(q[1]))


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
