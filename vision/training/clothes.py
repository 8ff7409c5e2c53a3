"""Clothes, hair and colours as further layers of triangles over the posed skin.

Every layer shares the skin's triangles (displaced outward, cut where its field is negative), except the
strands of hair, which are tubes falling from the head.
"""

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from vision.training.bodies import LANDMARK_VERTICES, N_VERTICES
from vision.training.posing import Posed, Poser, unit

STRANDS, RINGS, AROUND = 7, 11, 8
BALD, CROPPED, _SHORT, BUN, TAIL, LONG = range(6)  # kinds of hair


@dataclass
class Layers:
    """All surfaces of a batch in one list.

    Attributes
    ----------
    vertices, normals, colours
        Shape (B, N, 3); world metres, unit vectors, linear-ish RGB in 0..1.
    field
        Shape (B, N): cut away where negative.
    triangles
        Shape (T, 3), int64.

    """

    vertices: Tensor
    normals: Tensor
    colours: Tensor
    field: Tensor
    triangles: Tensor


def _wave_pattern(rest: Tensor, g: torch.Generator, lowest: float, highest: float, waves: int = 3) -> Tensor:
    """Smooth random pattern on rest-pose coordinates (metres), about -1 to 1; shape (B, V)."""
    B = len(rest)
    out = torch.zeros(rest.shape[:2], device=rest.device)
    for _ in range(waves):
        d = unit(torch.randn(B, 1, 3, generator=g, device=rest.device))
        k = torch.rand(B, 1, generator=g, device=rest.device) * (highest - lowest) + lowest
        phase = torch.rand(B, 1, generator=g, device=rest.device) * 2 * math.pi
        out = out + torch.sin((rest * d).sum(-1) * k * 2 * math.pi + phase)
    return out / waves


class _Figure:
    """Posed bodies as they are dressed: skin with its normals, rest shape, and the heights that clothes are cut by.

    Shapes are (B, V, 3) for points and (B, 1) for heights of the rest shape, metres.  ``along`` tells how far along the
    arm a vertex lies: 0 the shoulder, 1 the elbow, 2 the wrist; 0 off the arms.
    """

    def __init__(self, poser: Poser, posed: Posed, g: torch.Generator) -> None:
        self.posed, self.g = posed, g
        self.count, self.device = len(posed.vertices), posed.vertices.device
        rest = posed.rest
        self.V, self.N, self.R = posed.vertices, poser.normals(posed.vertices), rest.vertices
        self.x, self.y, self.z = self.R.unbind(-1)
        self.hip, self.knee, self.ankle = (
            _column(rest.head(b)[:, 2]) for b in ("upperleg01.L", "lowerleg01.L", "foot.L")
        )
        self.neck_z, self.neck_y = _column(rest.tail("spine01")[:, 2]), _column(rest.tail("spine01")[:, 1])
        self.waist, self.under = _column(rest.head("spine03")[:, 2]), _column(rest.head("spine01")[:, 2])
        self.along = torch.zeros_like(self.z)
        for s, sign in (("L", 1), ("R", -1)):
            hs, he, hw = (rest.head(f"{b}.{s}") for b in ("upperarm01", "lowerarm01", "wrist"))
            d = he - hs
            L = d.norm(dim=-1, keepdim=True)
            a = ((self.R - hs[:, None]) * (d / L)[:, None]).sum(-1) / L
            fore = 1 + ((self.R - he[:, None]) * unit(hw - he)[:, None]).sum(-1) / L
            mine = (poser.arm > 0.1)[None] & (self.x * sign > 0)
            self.along = torch.where(mine, torch.where(a > 1.02, torch.maximum(a, fore), a), self.along)

    def u(self, low: float = 0.0, high: float = 1.0, *more: int) -> Tensor:
        """Draw uniform numbers, one or more for each person."""
        return torch.rand(self.count, *more, generator=self.g, device=self.device) * (high - low) + low

    def one_of(self, *shares: float) -> Tensor:
        """Draw a kind for each person, shape (B,), by these shares."""
        return torch.multinomial(torch.tensor(shares, device=self.device), self.count, True, generator=self.g)

    def pattern(self, lowest: float, highest: float, waves: int = 3) -> Tensor:
        """Smooth random pattern on the rest shape, shape (B, V)."""
        return _wave_pattern(self.R, self.g, lowest, highest, waves)


@dataclass
class _Garment:
    """Where a garment is, shape (B, V), how far it stands off the skin, (B,), and whether it hangs loose, (B,).

    ``bulge``, (B, V) or one number: how much farther it stands off in places, metres.
    """

    field: Tensor
    offset: Tensor
    loose: Tensor
    bulge: Tensor | float


@dataclass
class _Hair:
    """Cap of hair: kind, (B,), surface and field; height of the crown and depth of the back of the head, (B, 1)."""

    kind: Tensor
    vertices: Tensor
    field: Tensor
    crown: Tensor
    back: Tensor


def _column(t: Tensor) -> Tensor:
    """Give one number for each person an axis for the vertices, shape (B, 1)."""
    return t[:, None]


class Wardrobe:
    """Dresses posed bodies at random."""

    def __init__(self, poser: Poser) -> None:
        self.poser = poser
        rings, around = torch.meshgrid(torch.arange(RINGS - 1), torch.arange(AROUND), indexing="ij")
        a, b = rings * AROUND + around, rings * AROUND + (around + 1) % AROUND
        one = torch.stack([torch.stack([a, b, b + AROUND], -1), torch.stack([a, b + AROUND, a + AROUND], -1)], -2)
        tube = one.reshape(-1, 3).to(poser.device)
        self.tubes = torch.cat([tube + i * RINGS * AROUND for i in range(STRANDS)])

    def dress(self, posed: Posed, g: torch.Generator) -> Layers:
        """Random clothes, hair, shoes and colours; independent of the pose."""
        f = _Figure(self.poser, posed, g)
        top, bottom = self._top(f), self._bottom(f)
        flat = torch.zeros(f.count, device=f.device)
        top_V = self._worn(f, top, torch.where(top.loose, f.u(0, 0.06), flat))
        bottom_V = self._worn(f, bottom, flat)
        hair = self._hair(f)
        strand_V, strand_N, strand_field = self._strands(f, hair)
        skin_V, colours = self._colours(f, strand_V.shape[1])
        n, normals, body = N_VERTICES, self.poser.normals, self.poser.triangles
        return Layers(
            torch.cat([skin_V, bottom_V, top_V, hair.vertices, strand_V], 1),
            torch.cat([f.N, normals(bottom_V), normals(top_V), normals(hair.vertices), strand_N], 1),
            colours,
            torch.cat([torch.ones(f.count, n, device=f.device), bottom.field, top.field, hair.field, strand_field], 1),
            torch.cat([body, body + n, body + 2 * n, body + 3 * n, self.tubes + 4 * n]),
        )

    def _top(self, f: _Figure) -> _Garment:
        """Kind 0 bare, 1 sports top, 2 tank, 3 short sleeves, 4 long sleeves, 5 hooded."""
        po, x, y, z = self.poser, f.x, f.y, f.z
        kind = f.one_of(0.10, 0.13, 0.12, 0.27, 0.22, 0.16)
        is_ = [_column(kind == i) for i in range(6)]
        neckline = (f.neck_z - _column(f.u(0.0, 0.05)) - z) + 0.45 * (y - f.neck_y)
        sleeve = torch.where(is_[3], _column(f.u(0.25, 0.9)), _column(f.u(1.3, 1.95)))
        arms = torch.where(po.arm[None] > 0.25, (sleeve - f.along) * 0.28, 0.1)
        no_arm = (0.40 + _column(f.u(-0.12, 0.12))) - po.arm_smooth[None]
        straps = torch.maximum(
            neckline - _column(f.u(0.04, 0.09)), _column(f.u(0.018, 0.035)) - (x.abs() - _column(f.u(0.075, 0.1))).abs()
        )
        hem = torch.where(is_[1], z - (f.under - _column(f.u(0.03, 0.12))), z - (f.hip + _column(f.u(-0.09, 0.09))))
        sleeveless = torch.minimum(torch.minimum(straps, neckline + 0.02), no_arm)
        not_head = torch.where(po.head_weight > 0.6, -0.05, 0.1)[None]
        sleeved = torch.minimum(torch.minimum(neckline, arms), not_head.expand_as(z))
        field = torch.minimum(torch.where(is_[1] | is_[2], sleeveless, sleeved), hem)
        field = torch.where(is_[0], -1.0, field)
        loose = f.u() < torch.tensor([0.0, 0.0, 0.35, 0.7, 0.55, 1.0], device=f.device)[kind]
        offset = torch.where(loose, f.u(0.009, 0.028), f.u(0.003, 0.008))
        offset = torch.where(kind == 5, offset + f.u(0.004, 0.014), offset)
        at_neck = torch.exp(-(((z - f.neck_z + 0.02) / 0.05) ** 2)) * (y > f.neck_y - 0.02)
        return _Garment(field, offset, loose, torch.where(is_[5], 0.055 * at_neck, 0.0))

    def _bottom(self, f: _Figure) -> _Garment:
        """Shorts or leggings, tight or not."""
        thigh, shin = (f.hip - f.z) / (f.hip - f.knee), (f.knee - f.z) / (f.knee - f.ankle)
        tight = f.u() < 0.5
        length = _column(torch.where(f.u() < 0.5, f.u(0.3, 0.9), f.u(1.3, 2.0)))  # along thigh 0..1, shin 1..2
        leg_end = torch.where(length < 1, (length - thigh) * 0.45, ((length - 1) - shin) * 0.45)
        field = torch.minimum(
            torch.minimum(f.waist - _column(f.u(0.0, 0.09)) - f.z, leg_end), 0.08 - self.poser.arm[None]
        )
        return _Garment(field, torch.where(tight, f.u(0.002, 0.006), f.u(0.008, 0.02)), ~tight, 0.0)

    def _worn(self, f: _Figure, garment: _Garment, sag: Tensor) -> Tensor:
        """Lay a garment over the skin, smoother the looser it is; ``sag``, (B,), is how far it hangs down, metres."""
        po, V, N = self.poser, f.V, f.N
        s1 = po.smooth(V, 3)
        s2 = po.smooth(s1, 12)
        s3 = po.smooth(s2, 25)
        how = _column(torch.where(garment.loose, f.u(0.3, 2.0), f.u(0.0, 0.5)))[..., None]
        base = torch.where(how < 1, s1 * (1 - how) + s2 * how, s2 * (2 - how) + s3 * (how - 1))
        wrinkle = f.pattern(4, 14) * _column(torch.where(garment.loose, f.u(0, 0.008), f.u(0, 0.0015)))
        C = base + N * (_column(garment.offset) + wrinkle + garment.bulge)[..., None]
        down = (-N[..., 2]).clamp(0, 1) * (garment.field / 0.12).clamp(0, 1) * _column(sag)
        C = torch.cat([C[..., :2], C[..., 2:] - po.smooth(down[..., None], 15)], -1)
        depth = ((C - V) * N).sum(-1)
        C = C + N * (_column(garment.offset) * 0.6 - depth).clamp_min(0)[..., None]
        return torch.cat([C[..., :2], C[..., 2:].clamp_min(0.003)], -1)

    def _hair(self, f: _Figure) -> _Hair:
        """Cap of hair: bald, cropped, short, or what strands hang from."""
        po, y, z = self.poser, f.y, f.z
        kind = f.one_of(0.1, 0.2, 0.25, 0.12, 0.15, 0.18)
        on_head = po.head_weight > 0.35
        crown = torch.where(po.head_weight[None] > 0.9, z, -9.0).amax(1, keepdim=True)
        nose = torch.einsum("v,bvc->bc", po.landmark_rows[LANDMARK_VERTICES.index("nose")], f.R)
        eye_z, eye_y = _column(nose[:, 2]) + 0.035, _column(nose[:, 1]) + 0.02
        tall = crown - eye_z
        back = torch.where((po.head_weight[None] > 0.9) & (z > eye_z), y, -9.0).amax(1, keepdim=True)
        front_line, nape = eye_z + _column(f.u(0.5, 0.75)) * tall, eye_z - _column(f.u(0.4, 0.75)) * tall
        slope = ((y - (eye_y - 0.005)) / (back - eye_y - 0.015)).clamp(0, 1) ** 0.8
        field = torch.where(on_head[None], z - (front_line + (nape - front_line) * slope), -0.05)
        field = torch.where(_column(kind == BALD), -1.0, field)
        thick = torch.where(kind == CROPPED, f.u(0.002, 0.006), f.u(0.008, 0.03))
        vertices = (
            po.smooth(f.V, 5)
            + f.N * (_column(thick) * (field / 0.02).clamp(0.15, 1) * (1 + 0.4 * f.pattern(8, 30)))[..., None]
        )
        vertices = vertices + f.N * (0.002 - ((vertices - f.V) * f.N).sum(-1)).clamp_min(0)[..., None]
        return _Hair(kind, vertices, field, crown, back)

    def _strands(self, f: _Figure, hair: _Hair) -> tuple[Tensor, Tensor, Tensor]:
        """Vertices, normals and field of the tubes that fall from the head; bun and tail use the middle one only."""
        B, dev, kind = f.count, f.device, hair.kind
        G, P, h = f.posed.head_rotation, f.posed.head_position, f.posed.rest.head("head")

        def to_world(q: Tensor) -> Tensor:
            return P[:, None] + torch.einsum("bij,bsj->bsi", G, q - h[:, None])

        long = _column(kind == LONG)
        spread = torch.linspace(-1, 1, STRANDS, device=dev)[None].expand(B, STRANDS) + f.u(-0.15, 0.15, STRANDS)
        zero = torch.zeros(B, STRANDS, device=dev)
        on = torch.stack(
            [torch.where(long, spread * 0.075, zero),
             hair.back + 0.008 - torch.where(long, spread.abs() * 0.055, zero),
             hair.crown - _column(f.u(0.05, 0.12)) + zero], -1,
        )  # fmt: skip
        path = [to_world(on)]
        gravity = torch.tensor([0, 0, -1.0], device=dev)
        away = torch.einsum("bij,j->bi", G, torch.tensor([0, 0.6, -0.6], device=dev))[:, None].expand(B, STRANDS, 3)
        sway = torch.randn(B, STRANDS, 3, generator=f.g, device=dev) * 0.25
        length_m = torch.where(kind == BUN, f.u(0.03, 0.06), f.u(0.14, 0.38))[:, None, None]
        direction = unit(away + sway)
        for _ in range(RINGS - 1):
            direction = unit(direction + 0.6 * gravity + 0.15 * sway)
            path.append(path[-1] + direction * length_m / (RINGS - 1))
        line = torch.stack(path, 2)
        line = torch.cat([line[..., :2], line[..., 2:].clamp_min(0.012)], -1)
        t = torch.linspace(0, 1, RINGS, device=dev)
        radius = torch.where(
            kind == BUN, f.u(0.03, 0.05), torch.where(kind == TAIL, f.u(0.015, 0.028), f.u(0.016, 0.028))
        )
        profile = torch.where(
            (kind == BUN)[:, None], (1 - (2 * t - 1) ** 2).clamp_min(0.05).sqrt()[None],
            (0.6 + 0.4 * (t * 4).clamp(0, 1)) * (1 - t**3 * 0.8)[None],
        )  # fmt: skip
        tangent = unit(torch.cat([line[:, :, 1:] - line[:, :, :-1], line[:, :, -1:] - line[:, :, -2:-1]], 2))
        side = unit(torch.linalg.cross(tangent, torch.tensor([0.3, 0.9, 0.2], device=dev).expand_as(tangent)))
        other = torch.linalg.cross(tangent, side)
        angle = torch.arange(AROUND, device=dev) * 2 * math.pi / AROUND
        ring = torch.cos(angle)[:, None] * side[..., None, :] + torch.sin(angle)[:, None] * other[..., None, :]
        vertices = line[..., None, :] + ring * (radius[:, None] * profile)[:, None, :, None, None]
        middle = torch.arange(STRANDS, device=dev) == STRANDS // 2
        shown = (long | (_column((kind == BUN) | (kind == TAIL)) & middle[None]))[..., None]
        field = torch.where(shown, 1.0, -1.0).expand(B, STRANDS, RINGS * AROUND).reshape(B, -1)
        return vertices.reshape(B, -1, 3), ring.reshape(B, -1, 3), field

    def _colours(self, f: _Figure, strand_vertices: int) -> tuple[Tensor, Tensor]:
        """Skin with shoes on it, and the colours of all layers in their order."""
        B, dev = f.count, f.device
        tone = f.u(0.0, 1.0)[:, None]
        light, dark = torch.tensor([0.92, 0.72, 0.6], device=dev), torch.tensor([0.2, 0.12, 0.08], device=dev)
        skin = light * (1 - tone) + dark * tone + torch.randn(B, 3, generator=f.g, device=dev) * 0.025
        skin_c = skin[:, None] * (1 + 0.05 * f.pattern(3, 20))[..., None]
        shoe = _column(f.u() < 0.35) & ((f.ankle - f.z) > _column(f.u(-0.06, 0.02))) & (self.poser.arm[None] < 0.1)
        skin_c = torch.where(shoe[..., None], f.u(0, 1, 1, 3), skin_c)
        skin_V = torch.where(shoe[..., None], f.V + f.N * 0.008, f.V)

        def cloth(pattern_chance: float) -> Tensor:
            base = f.u(0, 1, 1, 3) ** 1.3
            base = torch.where(f.u(0, 1, 1, 1) < 0.35, base.mean(-1, keepdim=True).expand_as(base), base)
            second = f.u(0, 1, 1, 3)
            stripes = (f.pattern(2, 12, waves=1) > f.u(-0.6, 0.6, 1)).float()[..., None]
            use = (f.u(0, 1, 1, 1) < pattern_chance).float()
            return base * (1 - use * stripes) + second * use * stripes

        def stain(c: Tensor) -> Tensor:
            return c * (1 + 0.1 * f.pattern(5, 30))[..., None]

        hair_c = f.u(0, 1, 1, 3) * torch.tensor([0.5, 0.38, 0.3], device=dev) * f.u(0.08, 1, 1, 1)
        bottom_c, top_c = stain(cloth(0.25)), stain(cloth(0.35))
        hair_cap_c = stain(hair_c.expand(B, N_VERTICES, 3))
        return skin_V, torch.cat([skin_c, bottom_c, top_c, hair_cap_c, hair_c.expand(B, strand_vertices, 3)], 1)
