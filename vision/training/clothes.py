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
        po, rest = self.poser, posed.rest
        B, dev = len(posed.vertices), posed.vertices.device

        def u(low: float = 0.0, high: float = 1.0, *more: int) -> Tensor:
            return torch.rand(B, *more, generator=g, device=dev) * (high - low) + low

        def col(t: Tensor) -> Tensor:
            return t[:, None]

        V, N, R = posed.vertices, po.normals(posed.vertices), rest.vertices
        x, y, z = R.unbind(-1)
        hip, knee, ankle = (col(rest.head(b)[:, 2]) for b in ("upperleg01.L", "lowerleg01.L", "foot.L"))
        neck_z, neck_y = col(rest.tail("spine01")[:, 2]), col(rest.tail("spine01")[:, 1])
        waist, under = col(rest.head("spine03")[:, 2]), col(rest.head("spine01")[:, 2])
        along = torch.zeros_like(z)
        for s, sign in (("L", 1), ("R", -1)):
            hs, he, hw = (rest.head(f"{b}.{s}") for b in ("upperarm01", "lowerarm01", "wrist"))
            d = he - hs
            L = d.norm(dim=-1, keepdim=True)
            a = ((R - hs[:, None]) * (d / L)[:, None]).sum(-1) / L
            fore = 1 + ((R - he[:, None]) * unit(hw - he)[:, None]).sum(-1) / L
            mine = (po.arm > 0.1)[None] & (x * sign > 0)
            along = torch.where(mine, torch.where(a > 1.02, torch.maximum(a, fore), a), along)
        thigh, shin = (hip - z) / (hip - knee), (knee - z) / (knee - ankle)
        not_head = torch.where(po.head_weight > 0.6, -0.05, 0.1)[None]

        # ---- top: kind 0 bare, 1 sports top, 2 tank, 3 short sleeves, 4 long sleeves, 5 hooded
        kind = torch.multinomial(torch.tensor([0.10, 0.13, 0.12, 0.27, 0.22, 0.16], device=dev), B, True, generator=g)
        is_ = [col(kind == i) for i in range(6)]
        neckline = (neck_z - col(u(0.0, 0.05)) - z) + 0.45 * (y - neck_y)
        sleeve = torch.where(is_[3], col(u(0.25, 0.9)), col(u(1.3, 1.95)))
        arms = torch.where(po.arm[None] > 0.25, (sleeve - along) * 0.28, 0.1)
        no_arm = (0.40 + col(u(-0.12, 0.12))) - po.arm_smooth[None]
        straps = torch.maximum(
            neckline - col(u(0.04, 0.09)), col(u(0.018, 0.035)) - (x.abs() - col(u(0.075, 0.1))).abs()
        )
        hem = torch.where(is_[1], z - (under - col(u(0.03, 0.12))), z - (hip + col(u(-0.09, 0.09))))
        sleeveless = torch.minimum(torch.minimum(straps, neckline + 0.02), no_arm)
        sleeved = torch.minimum(torch.minimum(neckline, arms), not_head.expand_as(z))
        top = torch.minimum(torch.where(is_[1] | is_[2], sleeveless, sleeved), hem)
        top = torch.where(is_[0], -1.0, top)
        loose = u() < torch.tensor([0.0, 0.0, 0.35, 0.7, 0.55, 1.0], device=dev)[kind]
        top_offset = torch.where(loose, u(0.009, 0.028), u(0.003, 0.008))
        top_offset = torch.where(kind == 5, top_offset + u(0.004, 0.014), top_offset)
        hood = torch.where(is_[5], 0.055 * torch.exp(-(((z - neck_z + 0.02) / 0.05) ** 2)) * (y > neck_y - 0.02), 0.0)

        # ---- bottom
        tight = u() < 0.5
        length = torch.where(u() < 0.5, u(0.3, 0.9), u(1.3, 2.0))  # along thigh 0..1, shin 1..2
        leg_end = torch.where(col(length) < 1, (col(length) - thigh) * 0.45, ((col(length) - 1) - shin) * 0.45)
        bottom = torch.minimum(torch.minimum(waist - col(u(0.0, 0.09)) - z, leg_end), 0.08 - po.arm[None])
        bottom_offset = torch.where(tight, u(0.002, 0.006), u(0.008, 0.02))

        def worn(field: Tensor, offset: Tensor, loose_: Tensor, extra: Tensor | float, sag: Tensor) -> Tensor:
            s1 = po.smooth(V, 3)
            s2 = po.smooth(s1, 12)
            s3 = po.smooth(s2, 25)
            how = col(torch.where(loose_, u(0.3, 2.0), u(0.0, 0.5)))[..., None]
            base = torch.where(how < 1, s1 * (1 - how) + s2 * how, s2 * (2 - how) + s3 * (how - 1))
            wrinkle = _wave_pattern(R, g, 4, 14) * col(torch.where(loose_, u(0, 0.008), u(0, 0.0015)))
            C = base + N * (col(offset) + wrinkle + extra)[..., None]
            down = (-N[..., 2]).clamp(0, 1) * (field / 0.12).clamp(0, 1) * col(sag)
            C = torch.cat([C[..., :2], C[..., 2:] - po.smooth(down[..., None], 15)], -1)
            depth = ((C - V) * N).sum(-1)
            C = C + N * (col(offset) * 0.6 - depth).clamp_min(0)[..., None]
            return torch.cat([C[..., :2], C[..., 2:].clamp_min(0.003)], -1)

        top_V = worn(top, top_offset, loose, hood, torch.where(loose, u(0, 0.06), torch.zeros(B, device=dev)))
        bottom_V = worn(bottom, bottom_offset, ~tight, 0.0, torch.zeros(B, device=dev))

        # ---- hair cap: kind 0 bald, 1 cropped, 2 short, 3 bun, 4 one tail, 5 loose long
        hair_kind = torch.multinomial(
            torch.tensor([0.1, 0.2, 0.25, 0.12, 0.15, 0.18], device=dev), B, True, generator=g
        )
        on_head = po.head_weight > 0.35
        crown = torch.where(po.head_weight[None] > 0.9, z, -9.0).amax(1, keepdim=True)
        nose = torch.einsum("v,bvc->bc", po.landmark_rows[LANDMARK_VERTICES.index("nose")], R)
        eye_z, eye_y = col(nose[:, 2]) + 0.035, col(nose[:, 1]) + 0.02
        tall = crown - eye_z
        back = torch.where((po.head_weight[None] > 0.9) & (z > eye_z), y, -9.0).amax(1, keepdim=True)
        front_line, nape = eye_z + col(u(0.5, 0.75)) * tall, eye_z - col(u(0.4, 0.75)) * tall
        slope = ((y - (eye_y - 0.005)) / (back - eye_y - 0.015)).clamp(0, 1) ** 0.8
        hair = torch.where(on_head[None], z - (front_line + (nape - front_line) * slope), -0.05)
        hair = torch.where(col(hair_kind == 0), -1.0, hair)
        thick = torch.where(hair_kind == 1, u(0.002, 0.006), u(0.008, 0.03))
        hair_V = (
            po.smooth(V, 5)
            + N * (col(thick) * (hair / 0.02).clamp(0.15, 1) * (1 + 0.4 * _wave_pattern(R, g, 8, 30)))[..., None]
        )
        hair_V = hair_V + N * (0.002 - ((hair_V - V) * N).sum(-1)).clamp_min(0)[..., None]

        # ---- strands
        G, P, h = posed.head_rotation, posed.head_position, rest.head("head")

        def to_world(q: Tensor) -> Tensor:
            return P[:, None] + torch.einsum("bij,bsj->bsi", G, q - h[:, None])

        spread = torch.linspace(-1, 1, STRANDS, device=dev)[None].expand(B, STRANDS) + u(-0.15, 0.15, STRANDS)
        zero = torch.zeros(B, STRANDS, device=dev)
        on = torch.stack(
            [torch.where(col(hair_kind == 5), spread * 0.075, zero),
             back + 0.008 - torch.where(col(hair_kind == 5), spread.abs() * 0.055, zero),
             crown - col(u(0.05, 0.12)) + zero], -1,
        )  # fmt: skip
        path = [to_world(on)]
        gravity = torch.tensor([0, 0, -1.0], device=dev)
        away = torch.einsum("bij,j->bi", G, torch.tensor([0, 0.6, -0.6], device=dev))[:, None].expand(B, STRANDS, 3)
        sway = torch.randn(B, STRANDS, 3, generator=g, device=dev) * 0.25
        length_m = torch.where(hair_kind == 3, u(0.03, 0.06), u(0.14, 0.38))[:, None, None]
        direction = unit(away + sway)
        for _ in range(RINGS - 1):
            direction = unit(direction + 0.6 * gravity + 0.15 * sway)
            path.append(path[-1] + direction * length_m / (RINGS - 1))
        spine_ = torch.stack(path, 2)
        spine_ = torch.cat([spine_[..., :2], spine_[..., 2:].clamp_min(0.012)], -1)
        t = torch.linspace(0, 1, RINGS, device=dev)
        radius = torch.where(
            hair_kind == 3, u(0.03, 0.05), torch.where(hair_kind == 4, u(0.015, 0.028), u(0.016, 0.028))
        )
        profile = torch.where(
            (hair_kind == 3)[:, None], (1 - (2 * t - 1) ** 2).clamp_min(0.05).sqrt()[None],
            (0.6 + 0.4 * (t * 4).clamp(0, 1)) * (1 - t**3 * 0.8)[None],
        )  # fmt: skip
        tangent = unit(torch.cat([spine_[:, :, 1:] - spine_[:, :, :-1], spine_[:, :, -1:] - spine_[:, :, -2:-1]], 2))
        side = unit(torch.linalg.cross(tangent, torch.tensor([0.3, 0.9, 0.2], device=dev).expand_as(tangent)))
        other = torch.linalg.cross(tangent, side)
        angle = torch.arange(AROUND, device=dev) * 2 * math.pi / AROUND
        ring = torch.cos(angle)[:, None] * side[..., None, :] + torch.sin(angle)[:, None] * other[..., None, :]
        strand_V = spine_[..., None, :] + ring * (radius[:, None] * profile)[:, None, :, None, None]
        strand_V, strand_N = strand_V.reshape(B, -1, 3), ring.reshape(B, -1, 3)
        middle = torch.arange(STRANDS, device=dev) == STRANDS // 2
        shown = (col(hair_kind == 5) | (col((hair_kind == 3) | (hair_kind == 4)) & middle[None]))[..., None]
        strand_field = torch.where(shown, 1.0, -1.0).expand(B, STRANDS, RINGS * AROUND).reshape(B, -1)

        # ---- colours
        tone = u(0.0, 1.0)[:, None]
        light, dark = torch.tensor([0.92, 0.72, 0.6], device=dev), torch.tensor([0.2, 0.12, 0.08], device=dev)
        skin = light * (1 - tone) + dark * tone + torch.randn(B, 3, generator=g, device=dev) * 0.025
        skin_c = skin[:, None] * (1 + 0.05 * _wave_pattern(R, g, 3, 20))[..., None]
        shoe = col(u() < 0.35) & ((ankle - z) > col(u(-0.06, 0.02))) & (po.arm[None] < 0.1)
        skin_c = torch.where(shoe[..., None], u(0, 1, 1, 3), skin_c)
        V = torch.where(shoe[..., None], V + N * 0.008, V)

        def cloth(pattern_chance: float) -> Tensor:
            base = u(0, 1, 1, 3) ** 1.3
            base = torch.where(u(0, 1, 1, 1) < 0.35, base.mean(-1, keepdim=True).expand_as(base), base)
            second = u(0, 1, 1, 3)
            stripes = (_wave_pattern(R, g, 2, 12, waves=1) > u(-0.6, 0.6, 1)).float()[..., None]
            use = (u(0, 1, 1, 1) < pattern_chance).float()
            return base * (1 - use * stripes) + second * use * stripes

        def stain(c: Tensor) -> Tensor:
            return c * (1 + 0.1 * _wave_pattern(R, g, 5, 30))[..., None]

        hair_c = u(0, 1, 1, 3) * torch.tensor([0.5, 0.38, 0.3], device=dev) * u(0.08, 1, 1, 1)
        body_tris = po.triangles
        n = N_VERTICES
        vertices = torch.cat([V, bottom_V, top_V, hair_V, strand_V], 1)
        layer_normals = [po.normals(v) for v in (bottom_V, top_V)]
        return Layers(
            vertices,
            torch.cat([N, *layer_normals, po.normals(hair_V), strand_N], 1),
            torch.cat(
                [
                    skin_c,
                    stain(cloth(0.25)),
                    stain(cloth(0.35)),
                    stain(hair_c.expand(B, n, 3)),
                    hair_c.expand(B, strand_V.shape[1], 3),
                ],
                1,
            ),
            torch.cat([torch.ones(B, n, device=dev), bottom, top, hair, strand_field], 1),
            torch.cat([body_tris, body_tris + n, body_tris + 2 * n, body_tris + 3 * n, self.tubes + 4 * n]),
        )
