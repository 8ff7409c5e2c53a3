"""Camera, light, room and photographic faults: from posed, dressed bodies to labelled pictures."""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, fields

import torch
import torch.nn.functional as F
from torch import Tensor

from vision.landmark_names import MIRRORED, NAMES, key_of
from vision.training.clothes import Layers, Wardrobe
from vision.training.posing import SEEN_DEPTH_M, Posed, Poser, sample_kneeling, unit
from vision.training.raster import barycentric, draw

FAR_M = 1e6
LIGHT_MAP = 160


@dataclass(frozen=True)
class Recipe:
    """What is drawn; the ablations switch parts off.

    Attributes
    ----------
    size
        Side of the square pictures, pixels.
    supersample
        Pictures are drawn this much larger and reduced.
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

    """

    size: int = 256
    supersample: float = 1.25
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
    in_position
        Shape (B,) bool: False for other positions and empty rooms; then only this label counts.
    quarter_turns
        Shape (B,) int: how many quarter turns counter-clockwise the picture was turned.

    """

    image: Tensor
    xy: Tensor
    depth: Tensor
    seen: Tensor
    rotation_right_deg: Tensor
    azimuth_deg: Tensor
    in_position: Tensor
    quarter_turns: Tensor

    def parts(self, count: int) -> list["Batch"]:
        """Split into ``count`` batches of equal size."""
        pieces = [getattr(self, f.name).chunk(count) for f in fields(self)]
        return [Batch(*some) for some in zip(*pieces, strict=True)]


class Studio:
    """Makes batches of labelled pictures."""

    def __init__(self, poser: Poser, recipe: Recipe, seed: int) -> None:
        self.poser, self.recipe = poser, recipe
        self.wardrobe = Wardrobe(poser)
        self.device = poser.device
        self.g = torch.Generator(self.device).manual_seed(seed)
        self.host = random.Random(seed)  # noqa: S311  choices made on the host: reading one back would stall the device
        depth = [SEEN_DEPTH_M[key_of(n)] for n in NAMES]
        self.seen_depth = torch.tensor(depth, device=self.device)
        self._pool: tuple[Posed, Tensor] | None = None
        self._drawn = 0

    # ------------------------------------------------------------------ random numbers

    def u(self, low: float, high: float, *shape: int) -> Tensor:
        """Draw uniform numbers."""
        return torch.rand(*shape, generator=self.g, device=self.device) * (high - low) + low

    def n(self, sd: float, *shape: int) -> Tensor:
        """Draw normal numbers of mean zero."""
        return torch.randn(*shape, generator=self.g, device=self.device) * sd

    # ------------------------------------------------------------------ people

    def _pose(self, B: int, n_other: int, overrides: dict[str, Tensor]) -> tuple[Posed, Tensor]:
        which = torch.randint(len(self.poser.scores), (B,), generator=self.g, device=self.device)
        rest = self.poser.bodies(which)
        kneeling = B - n_other
        p = sample_kneeling(kneeling, self.g, self.device) | overrides
        posed = self.poser.kneel(rest[:kneeling], p)
        in_position = torch.arange(B, device=self.device) < kneeling
        if n_other:
            kind = torch.randint(7, (n_other,), generator=self.g, device=self.device)
            posed = posed.joined(self.poser.other(rest[kneeling:], kind, self.g))
        return posed, in_position

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

    def cameras(self, posed: Posed, azimuth_deg: Tensor | None = None) -> tuple[Tensor, Tensor, Tensor]:
        """Camera positions (B, 3), rotations world-to-camera (B, 3, 3; x right, y down), azimuths (B,)."""
        B = len(posed.landmarks)
        L = posed.landmarks
        hips, shoulders = L[:, 4:6].mean(1), L[:, 0:2].mean(1)
        centre = (hips + shoulders) / 2
        if azimuth_deg is None:
            side = torch.where(self.u(0, 1, B) < 0.5, 0.0, 180.0) + self.n(13, B)
            choice = self.u(0, 1, B)
            azimuth = torch.where(choice < 0.56, side, self.u(-180, 180, B))
            azimuth = torch.where((choice >= 0.56) & (choice < 0.72), -90 + self.n(18, B), azimuth)
            azimuth = torch.where((choice >= 0.72) & (choice < 0.79), 90 + self.n(18, B), azimuth)
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
    def batch(
        self, B: int, overrides: dict[str, Tensor] | None = None, azimuth_deg: Tensor | None = None, mirror: bool = True
    ) -> Batch:
        """Draw ``B`` labelled pictures.

        ``overrides`` fixes pose parameters (for sweeps), ``azimuth_deg`` the viewpoint.
        """
        rec, dev = self.recipe, self.device
        S = rec.size
        D = round(S * rec.supersample)
        posed, in_position = self.people(B, overrides)
        layers = self.wardrobe.dress(posed, self.g)
        if not rec.clothes:
            count = posed.vertices.shape[1]
            layers.field[:, count : 3 * count] = -1
        L = posed.landmarks
        C, R, azimuth = self.cameras(posed, azimuth_deg)
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
            scale = torch.where(loose < 0.85, self.u(1.12, 1.65, B), self.u(1.65, 2.4, B))
            scale = torch.where(loose > 0.95, self.u(0.8, 1.12, B), scale)  # cut off
            room_to_move = self.n(0.04, B, 2)
        s = extent * scale
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
        hit = triangle >= 0
        v, w = barycentric(xyz, tris, triangle)
        flat = v.view(B, -1)

        def at_pixels(values: Tensor) -> Tensor:
            got = values.gather(1, flat[..., None].expand(-1, -1, 3)).view(B, D, D, 3, 3)
            return (got * w[..., None]).sum(3)

        normal, colour, point = F.normalize(at_pixels(people_n), dim=-1), at_pixels(people_c), at_pixels(people_v)

        # what is seen of the landmarks
        to = to_picture(lp)
        px = (to * D).long()
        inside = ((px >= 0) & (px < D)).all(-1)
        px = px.clamp(0, D - 1)
        surface = depth.view(B, -1).gather(1, px[..., 1] * D + px[..., 0])
        ray = torch.sqrt(1 + (lp**2).sum(-1))
        seen = inside & ((lz - surface) * ray < self.seen_depth)

        # light
        sun = unit(self.n(1.0, B, 3) * torch.tensor([1, 1, 0.45], device=dev) + torch.tensor([0, 0, 0.9], device=dev))
        sun = torch.stack([sun[:, 0], sun[:, 1], sun[:, 2].clamp_min(0.12)], -1)
        fill = unit(self.n(1.0, B, 3))
        lit = self._lit(layers, sun, L.mean(1))
        ambient, strength, filling = self.u(0.25, 0.75, B, 1, 1), self.u(0.15, 0.9, B, 1, 1), self.u(0, 0.35, B, 1, 1)
        shadow_depth = self.u(0.3, 1.0, B, 1, 1)
        bright = 1 - shadow_depth * (1 - lit(point))
        direct = (normal * sun[:, None, None]).sum(-1).clamp_min(0) * strength * bright
        shade = ambient * (0.72 + 0.28 * normal[..., 2]) + direct
        shade = shade + (normal * fill[:, None, None]).sum(-1).clamp_min(0) * filling
        shade = shade * (0.6 + 0.4 * (point[..., 2] / 0.35).clamp(0, 1))
        view = F.normalize(C[:, None, None] - point, dim=-1)
        half = F.normalize(view + sun[:, None, None], dim=-1)
        gloss = (half * normal).sum(-1).clamp_min(0) ** 24 * self.u(0, 0.25, B, 1, 1) * bright
        tint = 1 + self.n(0.06, B, 1, 1, 3)
        body = colour * shade[..., None] * tint + gloss[..., None]

        back = self._room(B, D, R, C, L.mean(1), c, s, lit, shadow_depth, ambient + 0.6 * strength)
        image = torch.where(hit[..., None], body, back).permute(0, 3, 1, 2)
        if rec.occlusion:
            image, covered = self._occluders(image, to)
            seen = seen & ~covered
        image = F.interpolate(image, S, mode="bilinear", antialias=True, align_corners=False)

        trunk_z = lz[:, 4:6].mean(1, keepdim=True)
        relative = (lz - trunk_z) / trunk_z / s[:, None]
        theta = posed.rotation_right_deg
        turn = torch.where(
            self.u(0, 1, B) < (0.3 if rec.wide else 0.05), torch.randint(1, 4, (B,), generator=self.g, device=dev), 0
        )
        if mirror:
            flip = self.u(0, 1, B) < 0.5
            image = torch.where(flip[:, None, None, None], image.flip(3), image)
            mirrored = torch.stack([1 - to[..., 0], to[..., 1]], -1)[:, MIRRORED]
            to = torch.where(flip[:, None, None], mirrored, to)
            relative = torch.where(flip[:, None], relative[:, MIRRORED], relative)
            seen = torch.where(flip[:, None], seen[:, MIRRORED], seen)
            theta = torch.where(flip, -theta, theta)
            azimuth = torch.where(flip, (360 - azimuth) % 360 - 180, azimuth)  # right side 0 becomes left side 180
        for k in (1, 2, 3):
            m = turn == k
            image = torch.where(m[:, None, None, None], image.rot90(k, (2, 3)), image)
        if rec.photographic:
            image = self._photograph(image)
        return Batch(image.clamp(0, 1), to, relative, seen, theta, azimuth, in_position, turn)

    # ------------------------------------------------------------------ parts

    def _bystander(self, posed: Posed, layers: Layers, C: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """Put a second person into some of the pictures, beside or behind; clothes painted on the skin."""
        B = len(C)
        n = max(1, B // 10)
        rest = self.poser.bodies(torch.randint(len(self.poser.scores), (n,), generator=self.g, device=self.device))
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

    def _lit(self, layers: Layers, sun: Tensor, centre: Tensor) -> Callable[[Tensor], Tensor]:
        """Return a function telling, for world points (B, ..., 3), how much of the sun reaches them (0..1)."""
        up = torch.tensor([0.3, 0.2, 1.0], device=self.device).expand_as(sun)
        a = unit(torch.linalg.cross(sun, up))
        b = torch.linalg.cross(sun, a)
        M = torch.stack([a, b, -sun], 1)
        G = LIGHT_MAP

        def project(X: Tensor) -> Tensor:
            q = torch.einsum("bij,bnj->bni", M, X - centre[:, None])
            return torch.cat([(q[..., :2] / 2.4 + 0.5) * G, q[..., 2:] + 5.0], -1)

        _, depth = draw(project(layers.vertices), layers.field, layers.triangles, G, G)
        depth = depth[:, None]

        def lit(X: Tensor) -> Tensor:
            shape = X.shape[:-1]
            q = project(X.reshape(len(X), -1, 3))
            grid = (q[..., :2] / G * 2 - 1).view(len(X), -1, 1, 2)
            d = F.grid_sample(depth.clamp_max(60.0), grid, mode="nearest", align_corners=False, padding_mode="border")
            return ((q[..., 2] - d[:, 0, :, 0]) < 0.035).float().view(shape)

        return lit

    def _room(
        self, B: int, D: int, R: Tensor, C: Tensor, centre: Tensor, c: Tensor, s: Tensor,
        lit: Callable[[Tensor], Tensor], shadow_depth: Tensor, level: Tensor,
    ) -> Tensor:  # fmt: skip
        """Floor with pattern and shadow, mat, wall, boxes; shape (B, D, D, 3)."""
        dev = self.device
        ys, xs = torch.meshgrid(torch.arange(D, device=dev) + 0.5, torch.arange(D, device=dev) + 0.5, indexing="ij")
        q = (torch.stack([xs, ys], -1)[None] / D - 0.5) * s[:, None, None, None] + c[:, None, None]
        d = torch.einsum("bji,bhwj->bhwi", R, torch.cat([q, torch.ones_like(q[..., :1])], -1))
        t = -C[:, None, None, 2] / d[..., 2].clamp_max(-1e-3)
        X = C[:, None, None] + d * t[..., None]
        rel = X[..., :2] - centre[:, None, None, :2]
        forward = F.normalize(centre[:, :2] - C[:, :2], dim=-1)
        swing = torch.deg2rad(self.n(20, B))
        forward = torch.stack(
            [forward[:, 0] * torch.cos(swing) - forward[:, 1] * torch.sin(swing),
             forward[:, 0] * torch.sin(swing) + forward[:, 1] * torch.cos(swing)], -1,
        )  # fmt: skip
        wall = self.u(0.75, 3.5, B, 1, 1)
        floor = (d[..., 2] < -1e-3) & ((rel * forward[:, None, None]).sum(-1) < wall)
        a, b = self.u(0.5, 9, B, 1, 1), self.u(0, 8, B, 1, 1)
        tex = ((rel[..., 0] * a).floor() + (rel[..., 1] * b).floor()) % 2
        grain = torch.sin(rel[..., 0] * self.u(2, 40, B, 1, 1)) * torch.sin(rel[..., 1] * self.u(2, 40, B, 1, 1))
        base = self.u(0, 1, B, 1, 1, 3) * 0.6 + self.u(0, 0.4, B, 1, 1, 1)
        floor_c = base * (1 - 0.45 * tex * self.u(0, 1, B, 1, 1) ** 2 + 0.08 * grain * self.u(0, 1, B, 1, 1))[..., None]
        turn = torch.deg2rad(self.n(12, B))[:, None, None]
        mx = rel[..., 0] * torch.cos(turn) + rel[..., 1] * torch.sin(turn)
        my = rel[..., 1] * torch.cos(turn) - rel[..., 0] * torch.sin(turn)
        mat = ((mx + self.n(0.1, B, 1, 1)).abs() < self.u(0.5, 1.2, B, 1, 1)) & (
            (my + self.n(0.05, B, 1, 1)).abs() < self.u(0.28, 0.8, B, 1, 1)
        )
        mat = mat & (self.u(0, 1, B, 1, 1) < 0.65)
        floor_c = torch.where(mat[..., None], self.u(0, 1, B, 1, 1, 3), floor_c)
        shadow = 1 - shadow_depth * (1 - lit(X.clamp(-30, 30)))
        contact = 1 - 0.35 * torch.exp(-((rel / 0.55) ** 2).sum(-1))
        floor_c = floor_c * (shadow * contact)[..., None]
        slope = q[..., 1] * self.u(-0.3, 0.3, B, 1, 1) + q[..., 0] * self.u(-0.3, 0.3, B, 1, 1)
        wall_c = (self.u(0, 1, B, 1, 1, 3) * 0.5 + self.u(0.0, 0.5, B, 1, 1, 1)) * (1 + slope)[..., None]
        lines = (q[..., 0] * self.u(0, 14, B, 1, 1)).floor() % 2
        wall_c = wall_c * (1 - 0.3 * lines * (self.u(0, 1, B, 1, 1) < 0.25))[..., None]
        out = torch.where(floor[..., None], floor_c, wall_c) * level[..., None].clamp(0.4, 1.3)
        if self.recipe.solids:
            out = self._solids(out, C, F.normalize(d, dim=-1), centre, level)
        if self.recipe.clutter:
            rel_q = q - c[:, None, None]
            for number in range(6):
                size = self.u(0.04, 0.5, B, 1, 1, 2) * s[:, None, None, None]
                at = (self.u(-0.75, 0.75, B, 1, 1, 2)) * s[:, None, None, None]
                from_middle = ((rel_q - at) / size * 2).abs()
                box = from_middle.amax(-1) < 1 if number % 2 else (from_middle**2).sum(-1) < 1
                box = box & (self.u(0, 1, B, 1, 1) < 0.4) & ~(floor & (X[..., 0] > 1e3))
                shade = 1 + self.n(0.4, B, 1, 1, 1) * ((rel_q - at) / size)[..., :1]
                out = torch.where(box[..., None], self.u(0, 1, B, 1, 1, 3) * self.u(0.2, 1, B, 1, 1, 1) * shade, out)
        return out

    def _solids(self, image: Tensor, C: Tensor, ray: Tensor, centre: Tensor, level: Tensor) -> Tensor:
        """Put shaded balls and boxes on the floor around and behind the person.

        Flat patches teach nothing about round things: a network trained without solids takes a ball for a back.
        """
        B = len(C)
        to_person = F.normalize(centre[:, :2] - C[:, :2], dim=-1)
        beside = torch.stack([-to_person[:, 1], to_person[:, 0]], -1)
        sun = unit(self.n(1.0, B, 3) + torch.tensor([0, 0, 1.5], device=self.device))
        nearest = torch.full(image.shape[:3], FAR_M, device=self.device)
        for number in range(5):
            size = self.u(0.06, 0.42, B)  # radius, or half the side
            along, across = self.u(0.15, 2.2, B, 1), self.u(-1.7, 1.7, B, 1)
            at = torch.cat([centre[:, :2] + to_person * along + beside * across, size[:, None]], -1)
            wanted = (self.u(0, 1, B) < 0.45)[:, None, None]
            o = (C - at)[:, None, None]
            colour = self.u(0, 1, B, 1, 1, 3) * self.u(0.3, 1, B, 1, 1, 1)
            if number % 2 == 0:  # ball: |o + t ray| = size
                b = (o * ray).sum(-1)
                under = b**2 - (o**2).sum(-1) + size[:, None, None] ** 2
                t = -b - under.clamp_min(0).sqrt()
                hit = (under > 0) & (t > 0.2)
                normal = (o + ray * t[..., None]) / size[:, None, None, None]
            else:  # box: entry through the last of three slabs
                half = torch.stack([size * self.u(0.4, 1.6, B), size * self.u(0.4, 1.6, B), size], -1)[:, None, None]
                turn = self.u(0, math.pi, B)
                c, s = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]

                def turned(v: Tensor, c: Tensor = c, s: Tensor = s) -> Tensor:
                    return torch.stack([c * v[..., 0] + s * v[..., 1], c * v[..., 1] - s * v[..., 0], v[..., 2]], -1)

                lo, ld = turned(o), turned(ray)
                ld = torch.where(ld.abs() < 1e-5, torch.full_like(ld, 1e-5), ld)
                enter, leave = (-lo - half * ld.sign()) / ld, (-lo + half * ld.sign()) / ld
                t, face = enter.max(-1)
                hit = (t < leave.amin(-1)) & (t > 0.2)
                local = F.one_hot(face, 3) * -ld.sign()
                normal = torch.stack(
                    [c * local[..., 0] - s * local[..., 1], s * local[..., 0] + c * local[..., 1], local[..., 2]], -1
                )
            hit = hit & wanted & (t < nearest)
            lightness = 0.35 + 0.65 * (normal * sun[:, None, None]).sum(-1).clamp_min(0)
            gloss = (normal * F.normalize(sun[:, None, None] - ray, dim=-1)).sum(-1).clamp_min(0) ** 40 * 0.4
            shaded = colour * (lightness * level)[..., None] + (gloss * (number % 2 == 0))[..., None]
            image = torch.where(hit[..., None], shaded, image)
            nearest = torch.where(hit, t, nearest)
        return image

    def _occluders(self, image: Tensor, landmarks: Tensor) -> tuple[Tensor, Tensor]:
        """Put flat objects in front of a sixth of the people; returns also which landmarks they cover."""
        B, _, D, _ = image.shape
        covered = torch.zeros(landmarks.shape[:2], dtype=torch.bool, device=self.device)
        ys, xs = torch.meshgrid(
            (torch.arange(D, device=self.device) + 0.5) / D,
            (torch.arange(D, device=self.device) + 0.5) / D,
            indexing="ij",
        )
        for _ in range(2):
            use = self.u(0, 1, B) < 0.1
            at, size = self.u(0.1, 0.9, B, 2), self.u(0.03, 0.24, B, 2)
            round_ = self.u(0, 1, B) < 0.4

            def over(
                x: Tensor, y: Tensor, at: Tensor = at, size: Tensor = size, round_: Tensor = round_, use: Tensor = use
            ) -> Tensor:
                extra = (1,) * (x.dim() - 1)
                dx = (x - at[:, 0].view(-1, *extra)).abs() / size[:, 0].view(-1, *extra)
                dy = (y - at[:, 1].view(-1, *extra)).abs() / size[:, 1].view(-1, *extra)
                box = torch.where(round_.view(-1, *extra), dx**2 + dy**2 < 1, torch.maximum(dx, dy) < 1)
                return box & use.view(-1, *extra)

            m = over(xs[None].expand(B, D, D), ys[None].expand(B, D, D))
            colour = self.u(0, 1, B, 3, 1, 1) * self.u(0.2, 1, B, 1, 1, 1)
            image = torch.where(m[:, None], colour, image)
            covered |= over(landmarks[..., 0], landmarks[..., 1])
        return image, covered

    def _photograph(self, image: Tensor) -> Tensor:
        """Blur, resampling, exposure, white balance, noise, JPEG, grey."""
        B, _, S, _ = image.shape
        half = B // 2
        order = torch.randperm(B, generator=self.g, device=self.device)
        a, b = order[:half], order[half:]
        lower = self.host.uniform(0.3, 1.0)
        small = F.interpolate(image[a], scale_factor=lower, mode="bilinear", antialias=True)
        image = image.clone()
        image[a] = F.interpolate(small, S, mode="bilinear", align_corners=False)
        if self.host.random() < 0.4:  # motion blur along a random direction
            k, angle = self.host.randint(3, 7), self.host.uniform(0, math.pi)
            kernel = torch.zeros(k, k)
            for i in range(k * 3):
                o = (i / (k * 3 - 1) - 0.5) * (k - 1)
                kernel[round((k - 1) / 2 + o * math.sin(angle)), round((k - 1) / 2 + o * math.cos(angle))] = 1
            kernel = (kernel / kernel.sum()).to(self.device).expand(3, 1, k, k)
            part = b[: len(b) // 2]
            blurred = F.conv2d(
                F.pad(image[part], (k // 2, (k - 1) // 2, k // 2, (k - 1) // 2), mode="replicate"), kernel, groups=3
            )
            image[part] = blurred
        vignette = F.interpolate(self.n(0.07, B, 3, 6, 6), S, mode="bilinear", align_corners=False)
        image = image * (1 + vignette)
        image = image.clamp(0, 2) ** self.u(0.55, 1.5, B, 1, 1, 1)
        exposure = torch.exp(self.n(0.28, B, 1, 1, 1))
        exposure = torch.where(self.u(0, 1, B, 1, 1, 1) < 0.06, exposure * self.u(0.15, 2.4, B, 1, 1, 1), exposure)
        image = image * exposure * (1 + self.n(0.07, B, 3, 1, 1))
        image = image + self.n(1.0, B, 3, S, S) * (self.u(0, 1, B, 1, 1, 1) ** 2 * 0.09)
        grey = self.u(0, 1, B, 1, 1, 1) < 0.1
        image = torch.where(grey, image.mean(1, keepdim=True).expand_as(image), image)
        image = image.clamp(0, 1)
        some = torch.randperm(B, generator=self.g, device=self.device)[: B // 3]
        image[some] = _jpeg(image[some], self.u(0.02, 0.25, len(some), 1, 1, 1))
        return image


def _jpeg(image: Tensor, coarseness: Tensor) -> Tensor:
    """Quantise 8x8 discrete cosine blocks, coarser for higher frequencies (the loss of JPEG, without its format)."""
    B, C, S, _ = image.shape
    n = torch.arange(8, device=image.device, dtype=image.dtype)
    M = torch.cos((2 * n[None] + 1) * n[:, None] * math.pi / 16) * 0.5
    M[0] *= 2**-0.5
    blocks = image.reshape(B, C, S // 8, 8, S // 8, 8).permute(0, 1, 2, 4, 3, 5)
    coefficient = torch.einsum("ij,bcmnjk,lk->bcmnil", M, blocks, M)
    step = (coarseness[..., None, None] * (1 + n[:, None] + n[None]) / 4).clamp_min(1e-3)
    coefficient = (coefficient / step).round() * step
    blocks = torch.einsum("ji,bcmnjk,kl->bcmnil", M, coefficient, M)
    return blocks.permute(0, 1, 2, 4, 3, 5).reshape(B, C, S, S).clamp(0, 1)
