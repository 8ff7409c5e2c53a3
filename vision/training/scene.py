"""Camera, light and room: from posed, dressed bodies to labelled pictures without photographic faults."""

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor

from vision.landmark_names import ACROMIA, HIP_JOINTS, NAMES, key_of
from vision.training.clothes import Layers, Wardrobe
from vision.training.posing import SEEN_DEPTH_M, Posed, Poser, Rest, sample_kneeling, unit
from vision.training.raster import barycentric, draw

FAR_M = 1e6
LIGHT_MAP = 160
SOLIDS, PATCHES = 5, 6
SIDE_ON, FOOT_END, HEAD_END = 0.40, 0.28, 0.08
"""Shares of the viewpoints, the rest being anywhere.

From the foot end exact points would tell the angle to a degree, side-on to two (see vision/eye/card.md), and the foot
end asks for the finer points: hence the many pictures from there.
"""


@dataclass(frozen=True)
class Recipe:
    """What is drawn; the ablations switch parts off.

    Attributes
    ----------
    size
        Side of the square pictures, pixels.
    supersample
        Pictures are drawn this much larger and reduced.
    margin
        And show this much more around the person, so that :mod:`vision.training.shots` can frame them anew.
    other_positions, empty
        Share of pictures with a person in another position, and with nobody.
    clothes, photographic, clutter, solids, occlusion
        Families of variation; False leaves them out.
    any_view
        False keeps the camera within 25 degrees of side-on.
    wide
        Whole photographs, for the locator; otherwise crops around the person, for the network.
    pool
        How many people are posed at once.
    blend_bodies
        Share of people whose shape lies between two of the bodies.
    fused
        Compile the work on pixels into few kernels (graphics processor only).

    """

    size: int = 256
    supersample: float = 1.25
    margin: float = 1.2
    other_positions: float = 0.11
    empty: float = 0.04
    clothes: bool = True
    photographic: bool = True
    clutter: bool = True
    solids: bool = True
    occlusion: bool = True
    any_view: bool = True
    wide: bool = False
    pool: int = 768
    blend_bodies: float = 0.5
    fused: bool = False

    @property
    def drawn_size(self) -> int:
        """Side of the drawn pictures before they are framed, pixels."""
        return round(self.size * self.supersample * self.margin)


@dataclass
class Batch:
    """Pictures and labels.

    Attributes
    ----------
    image
        Shape (B, 3, S, S), 0..1.
    xy
        Shape (B, 21, 2), landmarks as fractions of the picture (0..1, may lie outside).
    depth
        Shape (B, 21): depth behind the mid-hip point, in the same unit as ``xy`` (weak perspective).
    seen
        Shape (B, 21) bool.
    rotation_right_deg, azimuth_deg
        Shape (B,): the angle; direction of the camera around the trunk (0 = the person's right side,
        90 = from the head, 180 = left side, -90 = from the feet).
    lines
        Shape (B, 2, 3): directions of the hip line and of the shoulder line, right to left, unit vectors in the frame
        of the line of sight to the trunk (x right, y down, z away from the camera).
    in_position
        Shape (B,) bool: False for other positions and empty rooms; then only this label counts.
    quarter_turns
        Shape (B,) int: how many quarter turns counter-clockwise the picture was turned.
    surface
        Shape (B, 5, S/4, S/4): where on the body each fourth pixel lies.  Place on the mean body at rest (x to the
        person's left, y, z; about -2 to 2), depth as of the landmarks, and 1 where there is skin or cloth, else 0.
        Empty, (B, 5, 0, 0), in whole photographs: the locator does not learn from it.

    """

    image: Tensor
    xy: Tensor
    depth: Tensor
    seen: Tensor
    rotation_right_deg: Tensor
    azimuth_deg: Tensor
    lines: Tensor
    in_position: Tensor
    quarter_turns: Tensor
    surface: Tensor

    def tensors(self) -> list[Tensor]:
        """All parts, in their order."""
        return [getattr(self, f.name) for f in fields(self)]

    def __getitem__(self, which: slice | Tensor) -> "Batch":
        return Batch(*(t[which] for t in self.tensors()))


class Studio:
    """Makes batches of labelled pictures."""

    def __init__(self, poser: Poser, recipe: Recipe, seed: int) -> None:
        self.poser, self.recipe = poser, recipe
        self.wardrobe = Wardrobe(poser)
        self.device = poser.device
        self.g = torch.Generator(self.device).manual_seed(seed)
        depth = [SEEN_DEPTH_M[key_of(n)] for n in NAMES]
        self.seen_depth = torch.tensor(depth, device=self.device)
        self.on_body = _on_body(poser)
        self._pool: tuple[Posed, Tensor] | None = None
        self._drawn = 0
        fuse = _fused if recipe.fused else _as_it_is
        self._body_pixels, self._room_pixels = fuse(_body_pixels), fuse(_room_pixels)

    # ------------------------------------------------------------------ random numbers

    def u(self, low: float, high: float, *shape: int) -> Tensor:
        """Draw uniform numbers."""
        return torch.rand(*shape, generator=self.g, device=self.device) * (high - low) + low

    def n(self, sd: float, *shape: int) -> Tensor:
        """Draw normal numbers of mean zero."""
        return torch.randn(*shape, generator=self.g, device=self.device) * sd

    # ------------------------------------------------------------------ people

    def _pose(self, B: int, n_other: int, overrides: dict[str, Tensor]) -> tuple[Posed, Tensor]:
        rest = self._bodies(B)
        kneeling = B - n_other
        p = sample_kneeling(kneeling, self.g, self.device) | overrides
        posed = self.poser.kneel(rest[:kneeling], p)
        in_position = torch.arange(B, device=self.device) < kneeling
        if n_other:
            kind = torch.randint(7, (n_other,), generator=self.g, device=self.device)
            posed = posed.joined(self.poser.other(rest[kneeling:], kind, self.g))
        return posed, in_position

    def _bodies(self, B: int) -> Rest:
        """Rest shapes: one of the bodies, or between two; the blend keeps the variance, since scores have mean 0."""
        one, two = torch.randint(len(self.poser.scores), (2, B), generator=self.g, device=self.device)
        share = torch.where(self.u(0, 1, B) < self.recipe.blend_bodies, self.u(0, math.pi / 4, B), 0.0)[:, None]
        return self.poser.bodies(self.poser.scores[one] * torch.cos(share) + self.poser.scores[two] * torch.sin(share))

    def people(self, B: int, overrides: dict[str, Tensor] | None = None) -> tuple[Posed, Tensor]:
        """Posed people and which of them are in position.

        Posing costs the same for few and for many, so a large pool is posed at once and every pose is drawn
        about twice, in other clothes, from another place, in another light.
        """
        if overrides is not None:
            return self._pose(B, 0, overrides)
        if self._pool is None or self._drawn >= 2 * self.recipe.pool:
            n = max(B, self.recipe.pool)
            self._pool, self._drawn = self._pose(n, round(n * self.recipe.other_positions), {}), 0
        posed, in_position = self._pool
        pick = torch.randperm(len(in_position), generator=self.g, device=self.device)[:B]
        self._drawn += B
        return posed[pick], in_position[pick]

    # ------------------------------------------------------------------ camera

    def cameras(self, L: Tensor, azimuth_deg: Tensor | None = None) -> tuple[Tensor, Tensor, Tensor]:
        """Place a camera before each person with landmarks ``L``, shape (B, 21, 3).

        Returns camera positions (B, 3), rotations world-to-camera (B, 3, 3; x right, y down), azimuths (B,).
        """
        B = len(L)
        hips, shoulders = L[:, HIP_JOINTS].mean(1), L[:, ACROMIA].mean(1)
        centre = (hips + shoulders) / 2
        if azimuth_deg is None:
            side = torch.where(self.u(0, 1, B) < 0.5, 0.0, 180.0) + self.n(13, B)
            choice = self.u(0, 1, B)
            feet, head = -90 + self.n(18, B), 90 + self.n(18, B)
            azimuth = torch.where(choice < SIDE_ON + FOOT_END + HEAD_END, head, self.u(-180, 180, B))
            azimuth = torch.where(choice < SIDE_ON + FOOT_END, feet, azimuth)
            azimuth = torch.where(choice < SIDE_ON, side, azimuth)
            if not self.recipe.any_view:
                azimuth = side
        else:
            azimuth = azimuth_deg
        a = torch.deg2rad(azimuth - 90)  # azimuth 0: camera on the right side, at y < 0
        dist, height = self.u(1.25, 4.2, B), self.u(0.12, 1.75, B)
        flat = (dist**2 - (height - centre[:, 2]) ** 2).clamp_min(0.7).sqrt()
        C = torch.stack([centre[:, 0] + torch.cos(a) * flat, centre[:, 1] + torch.sin(a) * flat, height], -1)
        spread = torch.where(self.u(0, 1, B) < 0.25, 0.3, 0.1)[:, None]
        f = unit(centre + self.n(1.0, B, 3) * spread - C)
        up = torch.tensor([0, 0, 1.0], device=self.device).expand_as(f)
        r = unit(torch.linalg.cross(f, up))
        upright = torch.linalg.cross(r, f)
        roll = torch.where(self.u(0, 1, B) < 0.2, self.u(-30, 30, B), self.n(4, B))
        roll = torch.deg2rad(roll)[:, None]
        r, upright = r * torch.cos(roll) + upright * torch.sin(roll), upright * torch.cos(roll) - r * torch.sin(roll)
        return C, torch.stack([r, -upright, f], 1), (azimuth + 180) % 360 - 180

    # ------------------------------------------------------------------ a batch

    @torch.no_grad()
    def draw(self, B: int, overrides: dict[str, Tensor] | None = None, azimuth_deg: Tensor | None = None) -> Batch:
        """Draw ``B`` labelled pictures of side ``recipe.drawn_size``, as yet unframed and faultless.

        ``overrides`` fixes pose parameters (for sweeps), ``azimuth_deg`` the viewpoint.
        """
        rec, dev = self.recipe, self.device
        D = rec.drawn_size
        posed, in_position = self.people(B, overrides)
        layers = self.wardrobe.dress(posed, self.g)
        if not rec.clothes:
            count = posed.vertices.shape[1]
            layers.field[:, count : 3 * count] = -1
        L = posed.landmarks
        C, R, azimuth = self.cameras(L, azimuth_deg)
        empty = self.u(0, 1, B) < rec.empty
        in_position = in_position & ~empty
        layers.field = torch.where(empty[:, None], -1.0, layers.field)
        bend = self.n(0.03, B) if rec.photographic else torch.zeros(B, device=dev)

        def see(X: Tensor) -> tuple[Tensor, Tensor]:
            q = torch.einsum("bij,bnj->bni", R, X - C[:, None])
            z = q[..., 2]
            p = q[..., :2] / z.clamp_min(0.05)[..., None]
            return p * (1 + bend[:, None, None] * (p**2).sum(-1, keepdim=True)), z

        lp, lz = see(L)
        low, high = lp.amin(1), lp.amax(1)
        extent = (high - low).amax(1)
        loose = self.u(0, 1, B)
        if rec.wide:
            scale = torch.exp(self.u(math.log(1.05), math.log(5.0), B))
            room_to_move = self.u(-0.5, 0.5, B, 2) * ((1 - 1 / scale) * 0.98)[:, None]
        else:
            scale = torch.where(loose < 0.85, self.u(1.15, 1.62, B), self.u(1.62, 2.3, B))
            scale = torch.where(loose > 0.95, self.u(0.8, 1.15, B), scale)  # cut off
            room_to_move = self.n(0.03, B, 2)
        s = extent * scale * rec.margin
        c = (low + high) / 2 + room_to_move * s[:, None]

        def to_picture(p: Tensor) -> Tensor:
            return (p - c[:, None]) / s[:, None, None] + 0.5

        people_v, people_n, people_c, field, tris = (
            layers.vertices, layers.normals, layers.colours, layers.field, layers.triangles,
        )  # fmt: skip
        if rec.clutter:
            people_v, people_n, people_c, field, tris = self._bystander(posed, layers, C)
        pv, vz = see(people_v)
        xyz = torch.cat([to_picture(pv) * D, vz[..., None]], -1)
        triangle, depth = draw(xyz, field, tris, D, D)

        # what is seen of the landmarks
        to = to_picture(lp)
        px = (to * D).long()
        inside = ((px >= 0) & (px < D)).all(-1)
        px = px.clamp(0, D - 1)
        surface = depth.view(B, -1).gather(1, px[..., 1] * D + px[..., 0])
        ray = torch.sqrt(1 + (lp**2).sum(-1))
        seen = inside & ((lz - surface) * ray < self.seen_depth)

        sun = unit(self.n(1.0, B, 3) * torch.tensor([1, 1, 0.45], device=dev) + torch.tensor([0, 0, 0.9], device=dev))
        sun = torch.stack([sun[:, 0], sun[:, 1], sun[:, 2].clamp_min(0.12)], -1)
        light = self._light(layers, sun, L.mean(1))
        body = self._body_pixels(people_v, people_n, people_c, xyz, tris, triangle, C, light)
        image = self._room_pixels(body, triangle >= 0, self._room(B, R, C, L.mean(1), c, s), light)

        trunk_z = lz[:, HIP_JOINTS].mean(1, keepdim=True)
        return Batch(
            image, to, _behind(lz, trunk_z, s), seen, posed.rotation_right_deg, azimuth,
            _lines(L, C, R), in_position, torch.zeros(B, dtype=torch.long, device=dev),
            self._surface(triangle, depth, tris, trunk_z, s),
        )  # fmt: skip

    # ------------------------------------------------------------------ parts

    def _surface(self, triangle: Tensor, depth: Tensor, tris: Tensor, trunk_z: Tensor, side: Tensor) -> Tensor:
        """Where on the body every fourth pixel lies: :attr:`Batch.surface`; hair and bystanders count as room."""
        if self.recipe.wide:
            return depth.new_zeros(len(depth), 5, 0, 0)
        n = triangle.shape[1] // 4
        triangle, depth = triangle[:, 2::4, 2::4][:, :n, :n], depth[:, 2::4, 2::4][:, :n, :n]
        of_triangle = self.on_body[tris[:, 0].clamp_max(len(self.on_body) - 1)]
        place = of_triangle[triangle.clamp_min(0)].permute(0, 3, 1, 2)
        shown = place[:, 3:] * (triangle >= 0)[:, None]
        behind = _behind(depth.flatten(1), trunk_z, side).view_as(depth)[:, None]
        return torch.cat([place[:, :3], behind.clamp(-2, 2), torch.ones_like(shown)], 1) * shown

    def _bystander(self, posed: Posed, layers: Layers, C: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """Put a second person into some of the pictures, beside or behind; clothes painted on the skin."""
        B = len(C)
        n = max(1, B // 10)
        rest = self._bodies(n)
        kind = torch.randint(3, (n,), generator=self.g, device=self.device)
        other = self.poser.other(rest, torch.where(kind == 2, 6, kind), self.g)
        who = torch.randperm(B, generator=self.g, device=self.device)[:n]
        away = posed.landmarks[who].mean(1) - C[who]
        away = F.normalize(away[:, :2], dim=-1)
        beside = torch.stack([-away[:, 1], away[:, 0]], -1)
        shift = away * self.u(-0.2, 1.4, n, 1) + beside * torch.where(self.u(0, 1, n, 1) < 0.5, 1.0, -1.0) * self.u(
            0.45, 1.5, n, 1
        )
        spot = posed.landmarks[who].mean(1)[:, :2] + shift
        V = other.vertices.clone()
        V[..., :2] += (spot - V.mean(1)[:, :2])[:, None]
        N = self.poser.normals(V)
        z = rest.vertices[..., 2]
        hip, neck = rest.head("upperleg01.L")[:, 2:3], rest.tail("spine01")[:, 2:3]
        skin, top, bottom = self.u(0.15, 0.9, n, 1, 3), self.u(0, 1, n, 1, 3), self.u(0, 1, n, 1, 3)
        colour = torch.where((z < neck)[..., None], top, skin * torch.tensor([1, 0.8, 0.65], device=self.device))
        colour = torch.where((z < hip + 0.05)[..., None], bottom, colour)
        count = V.shape[1]

        def place(base: Tensor, extra: Tensor, blank: float) -> Tensor:
            out = torch.full((B, count, *base.shape[2:]), blank, device=self.device)
            out[who] = extra
            return torch.cat([base, out], 1)

        start = layers.vertices.shape[1]
        return (
            place(layers.vertices, V, 0.0), place(layers.normals, N, 1.0), place(layers.colours, colour, 0.0),
            place(layers.field, torch.ones(n, count, device=self.device), -1.0),
            torch.cat([layers.triangles, self.poser.triangles + start]),
        )  # fmt: skip

    def _light(self, layers: Layers, sun: Tensor, centre: Tensor) -> dict[str, Tensor]:
        """Draw light and shadow: where the sun stands, what it reaches, how strong everything is."""
        B = len(sun)
        up = torch.tensor([0.3, 0.2, 1.0], device=self.device).expand_as(sun)
        a = unit(torch.linalg.cross(sun, up))
        view = torch.stack([a, torch.linalg.cross(sun, a), -sun], 1)
        light = {
            "sun": sun, "view": view, "centre": centre, "fill": unit(self.n(1.0, B, 3)),
            "ambient": self.u(0.25, 0.75, B, 1, 1), "strength": self.u(0.15, 0.9, B, 1, 1),
            "filling": self.u(0, 0.35, B, 1, 1), "shadow_depth": self.u(0.3, 1.0, B, 1, 1),
            "gloss": self.u(0, 0.25, B, 1, 1), "tint": 1 + self.n(0.06, B, 1, 1, 3),
        }  # fmt: skip
        seen_from_sun = _from_sun(light, layers.vertices)
        _, depth = draw(seen_from_sun, layers.field, layers.triangles, LIGHT_MAP, LIGHT_MAP)
        return light | {"reached": depth[:, None].clamp_max(60.0)}

    def _room(self, B: int, R: Tensor, C: Tensor, centre: Tensor, c: Tensor, s: Tensor) -> dict[str, Tensor]:
        """Draw what a room looks like: floor with pattern, mat, wall, solids, flat patches; and the camera's place."""
        forward = F.normalize(centre[:, :2] - C[:, :2], dim=-1)
        swing = torch.deg2rad(self.n(20, B))
        forward = torch.stack(
            [forward[:, 0] * torch.cos(swing) - forward[:, 1] * torch.sin(swing),
             forward[:, 0] * torch.sin(swing) + forward[:, 1] * torch.cos(swing)], -1,
        )  # fmt: skip

        def u(low: float, high: float, *more: int) -> Tensor:
            return self.u(low, high, B, 1, 1, *more)

        room = {
            "R": R, "C": C, "centre": centre, "c": c, "s": s, "forward": forward, "wall": u(0.75, 3.5),
            "tiles": torch.stack([u(0.5, 9), u(0, 8)]), "grain": torch.stack([u(2, 40), u(2, 40)]),
            "floor_colour": u(0, 1, 3) * 0.6 + u(0, 0.4, 1), "tile_depth": u(0, 1) ** 2, "grain_depth": u(0, 1),
            "mat_turn": torch.deg2rad(self.n(12, B))[:, None, None],
            "mat_at": torch.stack([self.n(0.1, B, 1, 1), self.n(0.05, B, 1, 1)]),
            "mat_size": torch.stack([u(0.5, 1.2), u(0.28, 0.8)]), "mat_shown": u(0, 1) < 0.65, "mat_colour": u(0, 1, 3),
            "slope": torch.stack([u(-0.3, 0.3), u(-0.3, 0.3)]), "wall_colour": u(0, 1, 3) * 0.5 + u(0.0, 0.5, 1),
            "lines": u(0, 14), "lines_shown": u(0, 1) < 0.25,
        }  # fmt: skip
        if self.recipe.solids:
            to_person = F.normalize(centre[:, :2] - C[:, :2], dim=-1)
            beside = torch.stack([-to_person[:, 1], to_person[:, 0]], -1)
            n = SOLIDS
            size = self.u(0.06, 0.42, n, B)  # radius, or half the side
            at = centre[:, :2] + to_person * self.u(0.15, 2.2, n, B, 1) + beside * self.u(-1.7, 1.7, n, B, 1)
            room |= {
                "solid_sun": unit(self.n(1.0, B, 3) + torch.tensor([0, 0, 1.5], device=self.device)),
                "solid_at": torch.cat([at, size[..., None]], -1), "solid_size": size,
                "solid_shown": self.u(0, 1, n, B, 1, 1) < 0.45, "solid_turn": self.u(0, math.pi, n, B, 1, 1),
                "solid_colour": self.u(0, 1, n, B, 1, 1, 3) * self.u(0.3, 1, n, B, 1, 1, 1),
                "solid_half": torch.stack(
                    [size * self.u(0.4, 1.6, n, B), size * self.u(0.4, 1.6, n, B), size], -1
                )[:, :, None, None],
            }  # fmt: skip
        if self.recipe.clutter:
            n, side = PATCHES, s[:, None, None, None]
            room |= {
                "patch_size": self.u(0.04, 0.5, n, B, 1, 1, 2) * side,
                "patch_at": self.u(-0.75, 0.75, n, B, 1, 1, 2) * side,
                "patch_shown": self.u(0, 1, n, B, 1, 1) < 0.4, "patch_shade": self.n(0.4, n, B, 1, 1, 1),
                "patch_colour": self.u(0, 1, n, B, 1, 1, 3) * self.u(0.2, 1, n, B, 1, 1, 1),
            }  # fmt: skip
        return room


# ---------------------------------------------------------------------- work on pixels, without random numbers


def _on_body(poser: Poser) -> Tensor:
    """For each vertex of skin, bottom and top its place on the mean body, and 1; zeros for one vertex of no body."""
    rest = poser.bodies(torch.zeros_like(poser.scores[:1])).vertices[0]
    middle = rest.mean(0) * torch.tensor([0.0, 1, 1], device=rest.device)  # left and right stay mirror images
    place = (rest - middle) / (rest - middle).pow(2).mean().sqrt()
    skin = torch.cat([place, torch.ones_like(place[:, :1])], 1)
    return torch.cat([skin, skin, skin, torch.zeros_like(skin[:1])])


def _behind(z: Tensor, trunk_z: Tensor, side: Tensor) -> Tensor:
    """Distances from the camera, shape (B, N), as :attr:`Batch.depth`; ``side`` of the picture at distance 1."""
    return (z - trunk_z) / trunk_z / side[:, None]


def _as_it_is(function: Callable[..., Any]) -> Callable[..., Any]:
    return function


@functools.cache
def _fused(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function of hundreds of small steps on every pixel into a few kernels."""
    compiled: Callable[..., Any] = torch.compile(function, dynamic=False)
    return compiled


def _lines(L: Tensor, C: Tensor, R: Tensor) -> Tensor:
    """Hip line and shoulder line as :attr:`Batch.lines`."""
    hips, shoulders = L[:, HIP_JOINTS], L[:, ACROMIA]
    away = unit((shoulders.mean(1) + hips.mean(1)) / 2 - C)
    across = unit(torch.linalg.cross(R[:, 1], away))
    sight = torch.stack([across, torch.linalg.cross(away, across), away], 1)
    lines = unit(torch.stack([hips[:, 0] - hips[:, 1], shoulders[:, 0] - shoulders[:, 1]], 1))
    return torch.einsum("bij,bkj->bki", sight, lines)


def _from_sun(light: dict[str, Tensor], X: Tensor) -> Tensor:
    """World points (B, N, 3) in pixels of the picture that the sun sees, with their depth."""
    q = torch.einsum("bij,bnj->bni", light["view"], X - light["centre"][:, None])
    return torch.cat([(q[..., :2] / 2.4 + 0.5) * LIGHT_MAP, q[..., 2:] + 5.0], -1)


def _lit(light: dict[str, Tensor], X: Tensor) -> Tensor:
    """How much of the sun reaches world points (B, H, W, 3): 0 or 1."""
    q = _from_sun(light, X.reshape(len(X), -1, 3))
    at = q[..., :2].floor().long().clamp(0, LIGHT_MAP - 1)
    reached = light["reached"].view(len(X), -1).gather(1, at[..., 1] * LIGHT_MAP + at[..., 0])
    return ((q[..., 2] - reached) < 0.035).float().view(X.shape[:-1])


def _body_pixels(
    vertices: Tensor, normals: Tensor, colours: Tensor, xyz: Tensor, tris: Tensor, triangle: Tensor, C: Tensor,
    light: dict[str, Tensor],
) -> Tensor:  # fmt: skip
    """Colour of the people at every pixel, shape (B, H, W, 3); anything where no triangle was hit."""
    B, H, W = triangle.shape
    v, w = barycentric(xyz, tris, triangle)
    flat = v.view(B, -1, 1).expand(-1, -1, 3)

    def at_pixels(values: Tensor) -> Tensor:
        return (values.gather(1, flat).view(B, H, W, 3, 3) * w[..., None]).sum(3)

    normal, colour, point = F.normalize(at_pixels(normals), dim=-1), at_pixels(colours), at_pixels(vertices)
    sun, fill = light["sun"][:, None, None], light["fill"][:, None, None]
    bright = 1 - light["shadow_depth"] * (1 - _lit(light, point))
    shade = light["ambient"] * (0.72 + 0.28 * normal[..., 2])
    shade = shade + (normal * sun).sum(-1).clamp_min(0) * light["strength"] * bright
    shade = shade + (normal * fill).sum(-1).clamp_min(0) * light["filling"]
    shade = shade * (0.6 + 0.4 * (point[..., 2] / 0.35).clamp(0, 1))
    half = F.normalize(F.normalize(C[:, None, None] - point, dim=-1) + sun, dim=-1)
    gloss = (half * normal).sum(-1).clamp_min(0) ** 24 * light["gloss"] * bright
    return colour * shade[..., None] * light["tint"] + gloss[..., None]


def _room_pixels(body: Tensor, hit: Tensor, room: dict[str, Tensor], light: dict[str, Tensor]) -> Tensor:
    """Paint the room behind the people; shape (B, 3, D, D)."""
    D = hit.shape[1]
    C, centre, c, s = room["C"], room["centre"], room["c"], room["s"]
    line = torch.arange(D, device=body.device) + 0.5
    ys, xs = torch.meshgrid(line, line, indexing="ij")
    q = (torch.stack([xs, ys], -1)[None] / D - 0.5) * s[:, None, None, None] + c[:, None, None]
    d = torch.einsum("bji,bhwj->bhwi", room["R"], torch.cat([q, torch.ones_like(q[..., :1])], -1))
    t = -C[:, None, None, 2] / d[..., 2].clamp_max(-1e-3)
    X = C[:, None, None] + d * t[..., None]
    rel = X[..., :2] - centre[:, None, None, :2]
    floor = (d[..., 2] < -1e-3) & ((rel * room["forward"][:, None, None]).sum(-1) < room["wall"])
    tex = ((rel[..., 0] * room["tiles"][0]).floor() + (rel[..., 1] * room["tiles"][1]).floor()) % 2
    grain = torch.sin(rel[..., 0] * room["grain"][0]) * torch.sin(rel[..., 1] * room["grain"][1])
    pattern = 1 - 0.45 * tex * room["tile_depth"] + 0.08 * grain * room["grain_depth"]
    floor_c = room["floor_colour"] * pattern[..., None]
    turn = room["mat_turn"]
    mx = rel[..., 0] * torch.cos(turn) + rel[..., 1] * torch.sin(turn)
    my = rel[..., 1] * torch.cos(turn) - rel[..., 0] * torch.sin(turn)
    mat = room["mat_shown"] & ((mx + room["mat_at"][0]).abs() < room["mat_size"][0])
    mat = mat & ((my + room["mat_at"][1]).abs() < room["mat_size"][1])
    floor_c = torch.where(mat[..., None], room["mat_colour"], floor_c)
    shadow = 1 - light["shadow_depth"] * (1 - _lit(light, X.clamp(-30, 30)))
    contact = 1 - 0.35 * torch.exp(-((rel / 0.55) ** 2).sum(-1))
    floor_c = floor_c * (shadow * contact)[..., None]
    slope = q[..., 1] * room["slope"][0] + q[..., 0] * room["slope"][1]
    wall_c = room["wall_colour"] * (1 + slope)[..., None]
    lines = (q[..., 0] * room["lines"]).floor() % 2
    wall_c = wall_c * (1 - 0.3 * lines * room["lines_shown"])[..., None]
    level = light["ambient"] + 0.6 * light["strength"]
    out = torch.where(floor[..., None], floor_c, wall_c) * level[..., None].clamp(0.4, 1.3)
    if "solid_at" in room:
        out = _solids(out, C, F.normalize(d, dim=-1), room, level)
    if "patch_at" in room:
        rel_q = q - c[:, None, None]
        for number in range(PATCHES):
            size, at = room["patch_size"][number], room["patch_at"][number]
            from_middle = ((rel_q - at) / size * 2).abs()
            box = from_middle.amax(-1) < 1 if number % 2 else (from_middle**2).sum(-1) < 1
            box = box & room["patch_shown"][number] & ~(floor & (X[..., 0] > 1e3))
            shade = 1 + room["patch_shade"][number] * ((rel_q - at) / size)[..., :1]
            out = torch.where(box[..., None], room["patch_colour"][number] * shade, out)
    return torch.where(hit[..., None], body, out).permute(0, 3, 1, 2)


def _solids(image: Tensor, C: Tensor, ray: Tensor, room: dict[str, Tensor], level: Tensor) -> Tensor:
    """Put shaded balls and boxes on the floor around and behind the person.

    Flat patches teach nothing about round things: a network trained without solids takes a ball for a back.
    """
    sun = room["solid_sun"][:, None, None]
    nearest = torch.full(image.shape[:3], FAR_M, device=image.device)
    for number in range(SOLIDS):
        size = room["solid_size"][number][:, None, None]
        o = (C - room["solid_at"][number])[:, None, None]
        if number % 2 == 0:  # ball: |o + t ray| = size
            b = (o * ray).sum(-1)
            under = b**2 - (o**2).sum(-1) + size**2
            t = -b - under.clamp_min(0).sqrt()
            hit = (under > 0) & (t > 0.2)
            normal = (o + ray * t[..., None]) / size[..., None]
        else:  # box: entry through the last of three slabs
            half = room["solid_half"][number]
            c, s = torch.cos(room["solid_turn"][number]), torch.sin(room["solid_turn"][number])

            def turned(v: Tensor, c: Tensor = c, s: Tensor = s) -> Tensor:
                return torch.stack([c * v[..., 0] + s * v[..., 1], c * v[..., 1] - s * v[..., 0], v[..., 2]], -1)

            lo, ld = turned(o), turned(ray)
            ld = torch.where(ld.abs() < 1e-5, torch.full_like(ld, 1e-5), ld)
            enter, leave = (-lo - half * ld.sign()) / ld, (-lo + half * ld.sign()) / ld
            t, face = enter.max(-1)
            hit = (t < leave.amin(-1)) & (t > 0.2)
            local = (face[..., None] == torch.arange(3, device=image.device)) * -ld.sign()
            normal = torch.stack(
                [c * local[..., 0] - s * local[..., 1], s * local[..., 0] + c * local[..., 1], local[..., 2]], -1
            )
        hit = hit & room["solid_shown"][number] & (t < nearest)
        lightness = 0.35 + 0.65 * (normal * sun).sum(-1).clamp_min(0)
        gloss = (normal * F.normalize(sun - ray, dim=-1)).sum(-1).clamp_min(0) ** 40 * 0.4
        shaded = room["solid_colour"][number] * (lightness * level)[..., None]
        if number % 2 == 0:
            shaded = shaded + gloss[..., None]
        image = torch.where(hit[..., None], shaded, image)
        nearest = torch.where(hit, t, nearest)
    return image
