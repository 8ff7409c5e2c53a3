"""Line drawings of our own, as SVG text: the drills and the body sketch.

A person is drawn from a few joints. Every limb is a thick dark stroke with a thinner white one on top; all
strokes of a layer come before its white ones, so that joints run into each other like ink drawings do.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from html import escape

from app.care.position import SITES, words_for

INK = "#1f2933"
PAPER = "#ffffff"
ACCENT = "#0b5394"
LINE = 3.0

Point = tuple[float, float]


def _path(points: Sequence[Point], closed: bool = False) -> str:
    return "M" + " L".join(f"{x:g} {y:g}" for x, y in points) + (" Z" if closed else "")


@dataclass
class _Layer:
    """Parts at one depth: outlines first, white insides after."""

    under: list[str] = field(default_factory=list)
    over: list[str] = field(default_factory=list)

    def limb(self, points: Sequence[Point], width: float) -> "_Layer":
        """Add an arm or a leg along ``points``."""
        common = f'd="{_path(points)}" fill="none" stroke-linecap="round" stroke-linejoin="round"'
        self.under.append(f'<path {common} stroke="{INK}" stroke-width="{width:g}"/>')
        self.over.append(f'<path {common} stroke="{PAPER}" stroke-width="{width - 2 * LINE:g}"/>')
        return self

    def body(self, points: Sequence[Point], width: float) -> "_Layer":
        """Add a trunk: a polygon with rounded corners."""
        common = f'd="{_path(points, True)}" stroke-linejoin="round"'
        self.under.append(f'<path {common} fill="{INK}" stroke="{INK}" stroke-width="{width:g}"/>')
        self.over.append(f'<path {common} fill="{PAPER}" stroke="{PAPER}" stroke-width="{width - 2 * LINE:g}"/>')
        return self

    def head(self, x: float, y: float, toward: Point, radius: float = 17) -> "_Layer":
        """Add a head with a nose pointing along ``toward``."""
        nx, ny = toward
        tip = (x + nx * (radius + 1), y + ny * (radius + 1))
        self.under.append(f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" fill="{INK}"/>')
        self.under.append(f'<path d="{_path([(x, y), tip])}" stroke="{INK}" stroke-width="10" stroke-linecap="round"/>')
        self.over.append(f'<circle cx="{x:g}" cy="{y:g}" r="{radius - LINE:g}" fill="{PAPER}"/>')
        inner = (x + nx * (radius + 0.5), y + ny * (radius + 0.5))
        self.over.append(
            f'<path d="{_path([(x, y), inner])}" stroke="{PAPER}" stroke-width="4.5" stroke-linecap="round"/>'
        )
        return self

    def svg(self) -> str:
        return "".join(self.under) + "".join(self.over)


def _arrow(path: str, tip: Point, direction: Point) -> str:
    dx, dy = direction
    length = (dx * dx + dy * dy) ** 0.5
    dx, dy = dx / length * 11, dy / length * 11
    wings = [(tip[0] - dx - dy * 0.6, tip[1] - dy + dx * 0.6), tip, (tip[0] - dx + dy * 0.6, tip[1] - dy - dx * 0.6)]
    style = f'fill="none" stroke="{ACCENT}" stroke-width="4" stroke-linecap="round" stroke-linejoin="round"'
    return f'<path d="{path}" {style}/><path d="{_path(wings)}" {style}/>'


def _floor(width: float, y: float) -> str:
    return f'<path d="M8 {y:g} H{width - 8:g}" stroke="{INK}" stroke-width="2"/>'


def _words(x: float, y: float, text: str) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" font-family="sans-serif" font-size="15" text-anchor="middle" '
        f'fill="{INK}">{escape(text)}</text>'
    )


def _document(width: float, height: float, title: str, *parts: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def _at(x: float, y: float, *parts: str) -> str:
    return f'<g transform="translate({x:g} {y:g})">{"".join(parts)}</g>'


_TRUNK_DOWN = ((68, 132), (84, 122), (104, 114), (136, 108), (170, 106), (174, 116), (160, 126), (112, 138), (80, 140))
_TRUNK_OPEN = (
    (68, 132),
    (80, 120),
    (96, 112),
    (130, 98),
    (164, 84),
    (172, 92),
    (175, 126),
    (166, 134),
    (112, 140),
    (80, 140),
)


def _chest_open() -> str:
    """Draw trunk and head with the chest turned towards us; the thin line is the breastbone."""
    trunk = _Layer().limb([(170, 106), (198, 98)], 15).body(_TRUNK_OPEN, 24).head(206, 95, (0.35, -0.94))
    breastbone = f'<path d="M166 106 L140 116 L118 122" stroke="{INK}" stroke-width="2" fill="none"/>'
    return trunk.svg() + breastbone


def _kneeling_start(arm_low_back: bool = True) -> str:
    """Draw the heel-sit kneeling position from the side, head to the right, chest down; floor at y = 180."""
    far = _Layer().limb([(176, 118), (168, 170), (214, 172)], 17)
    legs = _Layer().limb([(34, 172), (58, 170), (140, 168)], 21).limb([(140, 166), (70, 138)], 33)
    trunk = _Layer().limb([(174, 112), (200, 112)], 15).body(_TRUNK_DOWN, 26).head(208, 114, (0.5, 0.87))
    arm = _Layer()
    if arm_low_back:
        arm.limb([(170, 108), (132, 84), (100, 112)], 16)
    return far.svg() + legs.svg() + trunk.svg() + arm.svg()


def _kneeling_turned(blade: bool = False) -> str:
    """Draw the end range seen from the side the chest opens to: one shoulder up, chest towards us."""
    support = _Layer().limb([(172, 136), (164, 170), (210, 172)], 17)
    legs = _Layer().limb([(34, 172), (58, 170), (140, 168)], 21).limb([(140, 166), (70, 138)], 33)
    back_arm = _Layer().limb([(168, 82), (126, 66), (100, 106)], 16)
    trunk = _chest_open()
    line = (
        f'<path d="M165 80 L175 134" stroke="{ACCENT}" stroke-width="3" stroke-dasharray="6 4" stroke-linecap="round"/>'
        if not blade
        else ""
    )
    return back_arm.svg() + legs.svg() + support.svg() + trunk + line


def _sitting(lean: float, turned: bool) -> str:
    """Draw someone on a stool from the front with a roller between the knees; floor at y = 240."""
    stool = (
        f'<path d="M62 158 H138 M72 158 L66 238 M128 158 L134 238" stroke="{INK}" stroke-width="4" '
        'stroke-linecap="round" fill="none"/>'
    )
    legs = (
        _Layer()
        .limb([(82, 150), (70, 176), (72, 228), (62, 233)], 22)
        .limb([(118, 150), (130, 176), (128, 228), (138, 233)], 22)
    )
    roller = (
        f'<rect x="82" y="163" width="36" height="26" rx="6" fill="{PAPER}" stroke="{INK}" stroke-width="{LINE}"/>'
        f'<circle cx="100" cy="176" r="6" fill="none" stroke="{INK}" stroke-width="2"/>'
    )
    half = 17 if turned else 27
    top_left, top_right = (100 + lean - half, 78 + lean * 0.35 * -0.4), (100 + lean + half, 78 + lean * 0.35)
    head_x, head_y = 100 + lean * 1.45, 44 + abs(lean) * 0.2
    trunk = _Layer().limb([(100 + lean, 84), (head_x, head_y)], 16)
    trunk.body([(86, 146), (82 + lean * 0.3, 120), top_left, top_right, (118 + lean * 0.3, 120), (114, 146)], 22)
    trunk.head(head_x, head_y, (0.98, 0.2) if turned else (0, 0))
    arms = _Layer()
    if turned:
        arms.limb([top_left, (top_left[0] + 6, 116), (top_right[0] + 6, 90)], 14)
        arms.limb([top_right, (top_right[0] + 12, 112), (top_left[0] + 10, 96)], 14)
    else:
        arms.limb([top_left, (76, 112), (118, 92)], 14).limb([top_right, (124, 112), (82, 92)], 14)
    return stool + legs.svg() + roller + trunk.svg() + arms.svg()


def seated_rotation_with_roller() -> str:
    """Return the drawing of the seated turn with side-bend, knees squeezing a roller."""
    return _document(
        420,
        270,
        "Sitting on a stool, a roller squeezed between the knees, arms crossed: first upright, then turned and bent "
        "to the same side.",
        _at(0, 0, _sitting(0, False)),
        _at(210, 0, _sitting(16, True), _arrow("M78 34 C92 10 128 8 150 26", (150, 26), (22, 20))),
        _floor(420, 242),
        _words(100, 262, "upright"),
        _words(310, 262, "turn, then bend"),
    )


def kneeling_rotation_with_band() -> str:
    """Return the drawing of the kneeling turn pulled by a band."""
    post = f'<path d="M8 8 V180" stroke="{INK}" stroke-width="5" stroke-linecap="round"/>'
    arm = _Layer().limb([(168, 82), (132, 56), (96, 48)], 16)
    band = (
        f'<path d="M96 46 L10 22" stroke="{ACCENT}" stroke-width="5" stroke-dasharray="10 5" stroke-linecap="round"/>'
    )
    legs = _Layer().limb([(34, 172), (58, 170), (140, 168)], 21).limb([(140, 166), (70, 138)], 33)
    support = _Layer().limb([(172, 136), (164, 170), (210, 172)], 17)
    trunk = _chest_open()
    return _document(
        270,
        210,
        "Sitting back on the heels, one forearm on the floor. A band fixed above and behind pulls the other arm, and "
        "with it the chest, open.",
        post,
        band,
        arm.svg(),
        legs.svg(),
        support.svg(),
        trunk,
        _arrow("M226 56 C236 76 238 106 228 128", (228, 128), (-8, 20)),
        _floor(270, 183),
        _words(138, 204, "come down in 3 to 5 s"),
    )


def active_return() -> str:
    """Return the drawing of the active return with the shoulder blade drawn back."""
    return _document(
        500,
        210,
        "Sitting back on the heels, one forearm on the floor, the other hand on the low back: held turned open with "
        "the shoulder blade drawn back, then held with the chest down.",
        _at(0, 0, _kneeling_turned(blade=True), _arrow("M186 58 C176 46 162 44 150 48", (150, 48), (-12, 4))),
        _at(250, 0, _kneeling_start(), _arrow("M216 60 C226 70 230 76 230 84", (230, 84), (0, 10))),
        _floor(500, 183),
        _words(120, 204, "open: hold 3 to 5 s"),
        _words(370, 204, "down: hold 3 to 5 s"),
    )


# Outlines of the body sketch, one half of the front view: the other half is its mirror image. The middle is x = 70.
_SITE_SHAPES: dict[str, str] = {
    "shoulder": "M50 54 L34 60 Q24 64 23 80 L38 84 L46 70 Z",
    "upper": "M70 52 L50 54 L46 70 L38 84 L40 102 L70 102 Z",
    "middle": "M70 102 L40 102 L44 128 L70 128 Z",
    "low": "M70 128 L44 128 L42 150 L70 152 Z",
    "buttock": "M70 152 L42 150 Q34 168 37 182 L66 184 L70 180 Z",
    "chest": "M70 52 L50 54 L46 70 L38 84 L40 100 L70 100 Z",
    "ribs": "M70 100 L40 100 L44 124 L70 124 Z",
    "belly": "M70 124 L44 124 Q35 160 37 182 L66 184 L70 180 Z",
    "arm": "M23 80 L38 84 L32 128 L26 170 Q24 186 17 186 Q9 184 12 168 L16 124 Z",
    "leg": "M37 182 L66 184 L64 240 L62 300 L66 316 L46 316 L47 300 L42 240 Z",
}
_BACK = ("shoulder", "upper", "middle", "low", "buttock")
_FRONT = ("shoulder", "chest", "ribs", "belly")


def _site(key: str, shape: str, words: str, marked: bool, mirrored: bool) -> str:
    turn = ' transform="matrix(-1 0 0 1 140 0)"' if mirrored else ""
    fill = "url(#hatch)" if marked else PAPER
    return (
        f'<path class="site" data-site="{key}" d="{shape}"{turn} fill="{fill}" stroke="{INK}" stroke-width="1.6" '
        f'stroke-linejoin="round"><title>{escape(words)}</title></path>'
    )


def body_sketch(marked: Collection[str]) -> str:
    """Return the body from the back and from the front with the ``marked`` pain sites hatched.

    Parameters
    ----------
    marked
        Keys of :data:`app.care.position.SITES`.

    """

    def view(face: str, names: Sequence[str], left_is_left: bool) -> str:
        parts = [f'<ellipse cx="70" cy="24" rx="15" ry="19" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>']
        neck = "M63 42 L77 42 L78 52 L90 54 L70 56 L50 54 L62 52 Z"
        if face == "back":
            key = "back-neck"
            parts.append(_site(key, neck, words_for(SITES, key), key in marked, False))
        else:
            parts.append(f'<path d="{neck}" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>')
            parts.append(
                f'<path d="M62 21 h3 M75 21 h3 M70 22 v6 M66 33 h8" stroke="{INK}" stroke-width="1.6" fill="none"/>'
            )
        for side, mirrored in (("left", not left_is_left), ("right", left_is_left)):
            for name in (*names, "arm", "leg"):
                key = f"{name}-{side}" if name in ("arm", "leg") else f"{face}-{name}-{side}"
                parts.append(_site(key, _SITE_SHAPES[name], words_for(SITES, key), key in marked, mirrored))
        return "".join(parts)

    hatch = (
        '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="6" height="6" fill="{PAPER}"/><rect width="3" height="6" fill="{ACCENT}"/></pattern></defs>'
    )
    named = ", ".join(words_for(SITES, key) for key in sorted(marked)) or "none"
    return _document(
        320,
        345,
        f"Body seen from the back and from the front. Pain marked: {named}.",
        hatch,
        view("back", _BACK, True),
        _words(22, 40, "L"),
        _words(118, 40, "R"),
        _words(70, 338, "back"),
        _at(170, 0, view("front", _FRONT, False), _words(22, 40, "R"), _words(118, 40, "L"), _words(70, 338, "front")),
    )
