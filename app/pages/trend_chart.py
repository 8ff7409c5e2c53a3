"""The chart over visits, as SVG text with presentation attributes only, so that it prints and goes into a PDF.

Rounds stand side by side in the order of time, not to scale of time: a retest minutes later must stay readable
beside a visit weeks later. Left is a solid line with round marks, right a dashed one with square marks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

INK = "#14212e"
SOFT = "#45525f"
RULE = "#d5dce2"
LEFT = "#1d4f86"
RIGHT = "#8a3f0c"

COLUMN = 66.0
AXIS = 40.0
TOP = 22.0
ANGLES = 190.0
GAP = 40.0
DIFFERENCE = 110.0

Band = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Column:
    """One round of the chart; angles in degrees, None where there is none.

    Attributes
    ----------
    labels
        Two short lines under the column, e.g. date and round.
    left_deg, left_band_deg, right_deg, right_band_deg, difference_deg, difference_band_deg
        Means and 95 % bands.
    detectable_deg
        Smallest detectable difference of this round.
    pain
        0 to 10, None if not asked.
    drills
        Whether a drill plan was in force since before this round.

    """

    labels: tuple[str, str]
    left_deg: float | None
    left_band_deg: Band | None
    right_deg: float | None
    right_band_deg: Band | None
    difference_deg: float | None
    difference_band_deg: Band | None
    detectable_deg: float | None
    pain: int | None
    drills: bool


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    top: float
    height: float

    def y(self, value: float) -> float:
        return round(self.top + (self.high - value) / (self.high - self.low) * self.height, 1)


def _tens(values: Sequence[float], low: float, high: float) -> tuple[float, float]:
    return min([low, *values]) // 10 * 10, -(-max([high, *values]) // 10) * 10


def _text(x: float, y: float, words: str, anchor: str = "middle", size: float = 12, weight: int = 400) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-family="sans-serif" font-size="{size:g}" '
        f'font-weight="{weight}" fill="{INK}">{escape(words)}</text>'
    )


def _grid(scale: _Scale, width: float) -> str:
    parts = []
    step = 10 if scale.high - scale.low <= 60 else 20
    for value in range(int(scale.low), int(scale.high) + 1, step):
        y = scale.y(value)
        heavy = value == 0
        parts.append(
            f'<path d="M{AXIS:g} {y:g}H{width:g}" stroke="{INK if heavy else RULE}" '
            f'stroke-width="{1.5 if heavy else 1}"/>'
        )
        parts.append(_text(AXIS - 5, y + 4, f"{value}°".replace("-", "−"), "end"))
    return "".join(parts)


def _mark(side: str, x: float, y: float) -> str:
    if side == "left":
        return f'<circle cx="{x:g}" cy="{y:g}" r="5.5" fill="{LEFT}"/>'
    if side == "right":
        return f'<rect x="{x - 5:g}" y="{y - 5:g}" width="10" height="10" fill="{RIGHT}"/>'
    return f'<path d="M{x:g} {y - 7:g}L{x + 6:g} {y:g}L{x:g} {y + 7:g}L{x - 6:g} {y:g}Z" fill="{INK}"/>'


_DASHES = {"left": "", "right": ' stroke-dasharray="6 4"', "difference": ""}
_COLOURS = {"left": LEFT, "right": RIGHT, "difference": INK}


def _series(
    side: str, places: Sequence[tuple[float, float | None, Band | None]], scale: _Scale, names: Sequence[str]
) -> str:
    parts = []
    colour, dashes = _COLOURS[side], _DASHES[side]
    given = [(x, value) for x, value, _ in places if value is not None]
    if len(given) > 1:
        line = "L".join(f"{x:g} {scale.y(value):g}" for x, value in given)
        parts.append(f'<path d="M{line}" fill="none" stroke="{colour}" stroke-width="1.5"{dashes}/>')
    for (x, value, band), name in zip(places, names, strict=True):
        if value is None or band is None:
            continue
        low, high = scale.y(band[0]), scale.y(band[1])
        words = f"{name}, {side}: {value:.0f}°, band {band[0]:.0f}° to {band[1]:.0f}°"
        parts.append(
            f"<g><title>{escape(words)}</title>"
            f'<path d="M{x:g} {low:g}V{high:g}" stroke="{colour}" stroke-width="3"{dashes}/>'
            f'<path d="M{x - 5:g} {low:g}h10M{x - 5:g} {high:g}h10" stroke="{colour}" stroke-width="2"/>'
            f"{_mark(side, x, scale.y(value))}</g>"
        )
    return "".join(parts)


def trend_chart(columns: Sequence[Column]) -> str:
    """Return the chart as SVG text.

    Parameters
    ----------
    columns
        The rounds, oldest first; at least one.

    Raises
    ------
    ValueError
        If there is no round.

    """
    if not columns:
        raise ValueError("a chart needs at least one round")
    n = len(columns)
    width = max(360.0, AXIS + n * COLUMN + 4)
    column = (width - AXIS) / n
    middle = [AXIS + (i + 0.5) * column for i in range(n)]
    bands = [b for c in columns for b in (c.left_band_deg, c.right_band_deg) if b is not None]
    angles = _Scale(*_tens([v for b in bands for v in b], 0, 60), TOP, ANGLES)
    reaches = [abs(v) for c in columns for v in (*(c.difference_band_deg or ()), c.detectable_deg or 0.0)]
    reach = _tens(reaches, 0, 20)[1]
    top = TOP + ANGLES + GAP
    differences = _Scale(-reach, reach, top, DIFFERENCE)
    foot = top + DIFFERENCE
    names = [" ".join(c.labels) for c in columns]
    told = any(c.pain is not None for c in columns)
    parts = [
        _text(AXIS, 13, "Rotation, 95 % bands:", "start", weight=600),
        f'<path d="M222 9h26" stroke="{LEFT}" stroke-width="2"/>{_mark("left", 235, 9)}',
        _text(253, 13, "left", "start"),
        f'<path d="M288 9h26" stroke="{RIGHT}" stroke-width="2" stroke-dasharray="6 4"/>{_mark("right", 301, 9)}',
        _text(319, 13, "right", "start"),
        _grid(angles, width),
        _series(
            "left", [(x - 9, c.left_deg, c.left_band_deg) for x, c in zip(middle, columns, strict=True)], angles, names
        ),
        _series(
            "right",
            [(x + 9, c.right_deg, c.right_band_deg) for x, c in zip(middle, columns, strict=True)],
            angles,
            names,
        ),
        _text(AXIS, top - 10, "Left minus right; dots: smallest detectable", "start", weight=600),
        _grid(differences, width),
        _series(
            "difference",
            [(x, c.difference_deg, c.difference_band_deg) for x, c in zip(middle, columns, strict=True)],
            differences,
            names,
        ),
    ]
    for x, c in zip(middle, columns, strict=True):
        if c.detectable_deg is not None:
            for value in (-c.detectable_deg, c.detectable_deg):
                y = differences.y(value)
                parts.append(
                    f'<path d="M{x - 18:g} {y:g}H{x + 18:g}" stroke="{SOFT}" stroke-width="2" stroke-dasharray="2 3"/>'
                )
        parts.append(_text(x, foot + 18, c.labels[0], size=11))
        parts.append(_text(x, foot + 32, c.labels[1], size=11))
        if told:
            parts.append(_text(x, foot + 54, "–" if c.pain is None else str(c.pain), weight=600))
        if c.drills:
            left_edge = x - column / 2 + 3
            parts.append(
                f'<rect x="{left_edge:g}" y="{foot + 64:g}" width="{column - 6:g}" height="16" rx="3" fill="none" '
                f'stroke="{INK}" stroke-width="1.5"/>{_text(x, foot + 76, "drills", size=11)}'
            )
    if told:
        parts.append(_text(AXIS - 5, foot + 54, "pain", "end", size=11))
    height = foot + 86
    return (
        f'<svg class="trend" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}" role="img" aria-label="Rotation and difference over {n} '
        f'{"round" if n == 1 else "rounds"}; the table beside it holds the same numbers">{"".join(parts)}</svg>'
    )
