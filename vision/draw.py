"""Overlays: what was measured, drawn on the photo.

Left and right are told by the words and by the line style first (left dashed, right solid); every stroke is double,
dark under light, so that it reads on any photo.
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
        """Draw a double stroke from a to b."""
        for shade, width in ((DARK, 2.4 * self.unit), (colour, 1.1 * self.unit)):
            for p, q in _dashes(a, b, 5 * self.unit) if dashed else [(a, b)]:
                self.draw.line([p, q], fill=shade, width=max(1, round(width)))

    def side_line(self, left: XY, right: XY, colour: tuple[int, int, int]) -> None:
        """Draw a line from left to right whose left half is dashed."""
        middle = _middle((left, right))
        self.line(middle, right, colour)
        self.line(middle, left, colour, dashed=True)

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
        for step in (0, 1, -1, 2, -2, 3, -3):
            moved = min(max(y + step * h * 1.05, 0), self.image.height - h)
            box = (x, moved, x + w, moved + h)
            if not any(_overlap(box, other) for other in self.taken):
                break
        self.taken.append(box)
        ground = Image.new("RGBA", (max(1, round(w)), max(1, round(h))), (*DARK, 190))
        self.image.alpha_composite(ground, (max(0, round(box[0])), max(0, round(box[1]))))
        self.draw.text((box[0] + pad - x0, box[1] + pad - y0), word, font=self.font, fill=LIGHT)

    def dial(self, rotation: Rotation) -> None:
        """Draw the angle as a wedge with its band, as seen along the trunk from the head, in a free corner."""
        unit = self.unit
        r = 34 * unit
        w, h = 2 * r + 16 * unit, r + 40 * unit
        x, y = self._corner(w, h)
        panel = Image.new("RGBA", (round(w), round(h)), (*DARK, 205))
        self.image.alpha_composite(panel, (round(x), round(y)))
        self.taken.append((x, y, x + w, y + h))
        centre = (x + w / 2, y + r + 22 * unit)
        value, band = rotation.right_deg, rotation.band_right_deg
        if value is None or band is None:
            self._centred("angle not given", x + w / 2, y + h / 2)
            return
        # seen from behind the feet the person's right is on the right; a right turn lifts the right shoulder
        self.draw.line([(centre[0] - r, centre[1]), (centre[0] + r, centre[1])], fill=HIP, width=round(1.2 * unit))
        for end in (1, -1):
            self._wedge(centre, r, band, end, BAND)
        for low_high in band:
            self._ray(centre, r, low_high, LIGHT, 0.5)
        self._ray(centre, r, value, SHOULDER, 1.4)
        sign = rotation.side.sign
        low, high = rotation.band_deg or band
        shown = value if sign == 0 else rotation.magnitude_deg or 0.0
        word = {Side.LEFT: "LEFT rotation", Side.RIGHT: "RIGHT rotation", Side.START: "start position"}[rotation.side]
        self._centred(word, x + w / 2, y + 6 * unit)
        self._centred(f"{shown:.0f}° (95 % band {low:.0f}° to {high:.0f}°)", x + w / 2, y + 14 * unit, 0.85)
        self._centred("LEFT", x + 9 * unit, centre[1] + 7 * unit, 0.8)
        self._centred("RIGHT", x + w - 10 * unit, centre[1] + 7 * unit, 0.8)

    def _ray(self, centre: XY, r: float, right_deg: float, colour: tuple[int, int, int], width: float) -> None:
        a = math.radians(right_deg)
        dx, dy = r * math.cos(a), r * math.sin(a)
        ends = [(centre[0] - dx, centre[1] + dy), (centre[0] + dx, centre[1] - dy)]
        self.draw.line(ends, fill=colour, width=max(1, round(width * self.unit)))

    def _wedge(self, centre: XY, r: float, band: tuple[float, float], end: int, colour: tuple[int, ...]) -> None:
        turns = [math.radians(v) for v in np.linspace(band[0], band[1], 24)]
        rim = [(centre[0] + end * r * math.cos(a), centre[1] - end * r * math.sin(a)) for a in turns]
        layer = Image.new("RGBA", self.image.size, (0, 0, 0, 0))
        ImageDraw.Draw(layer).polygon([centre, *rim], fill=colour)
        self.image.alpha_composite(layer)

    def _centred(self, word: str, x: float, y: float, size: float = 1.0) -> None:
        font = self.font.font_variant(size=self.font.size * size) if size != 1 else self.font  # type: ignore[union-attr]
        self.draw.text((x, y), word, font=font, fill=LIGHT, anchor="mm")

    def _corner(self, w: float, h: float) -> XY:
        """Return the corner in which a panel covers the fewest words and strokes."""
        corners = [(x, y) for y in (0.0, self.image.height - h) for x in (0.0, self.image.width - w)]
        return min(corners, key=lambda c: sum(_overlap((*c, c[0] + w, c[1] + h), t) for t in self.taken))


def _dashes(a: XY, b: XY, length: float) -> Iterable[tuple[XY, XY]]:
    start, end = np.array(a), np.array(b)
    total = float(np.linalg.norm(end - start))
    pieces = max(1, round(total / length))
    for k in range(0, pieces, 2):
        p, q = (start + (end - start) * min(1.0, f / pieces) for f in (k, k + 1))
        yield (float(p[0]), float(p[1])), (float(q[0]), float(q[1]))


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
