"""Poses many bodies at once in the heel-sit kneeling position, with the exact rotation angle.

World frame, metres: +x from the hips toward the head, +y to the person's left, +z up, floor at z = 0.
Only rotation to the *right* is posed (right hand on the low back); the mirror image of the finished
picture is rotation to the left, because the bodies are symmetric.  All angles in degrees.

The kinematics follow the phantom tool's, so that labels mean the same; here they run on whole batches,
and every nuisance is drawn independently of the rotation angle (see :func:`sample_kneeling`).
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from vision.landmark_names import ACROMIA, HIP_JOINTS, NAMES
from vision.training.bodies import LANDMARK_VERTICES, MOVING, N_VERTICES, POINTS, BodyModel

N_LUMBAR, N_THORACIC = 4, 8
N_SPINE = N_LUMBAR + N_THORACIC
N_MOVING = len(MOVING)
N_BONES = N_MOVING + N_SPINE
UPPER_THORAX = N_MOVING + N_SPINE - 2  # the girdle hangs here
TOP_SPINE = N_MOVING + N_SPINE - 1
IX = {name: i for i, name in enumerate(MOVING)}

# how deep below the first surface a point may lie and still count as seen, metres (as the phantom tool)
SEEN_DEPTH_M = {
    "acromion": 0.032, "shoulder_joint": 0.097, "hip_joint": 0.152, "elbow": 0.077, "wrist": 0.062, "knee": 0.097,
    "ankle": 0.077, "ear": 0.032, "c7": 0.032, "t12": 0.032, "s2": 0.032, "sternum": 0.032, "nose": 0.032,
}  # fmt: skip


def unit(v: Tensor) -> Tensor:
    """Vectors of length one along the last axis."""
    return v / (v.norm(dim=-1, keepdim=True) + 1e-12)


def about(axis: tuple[float, float, float] | Tensor, deg: Tensor) -> Tensor:
    """Rotation matrices, shape (B, 3, 3), about an axis (fixed or (B, 3)) by ``deg`` of shape (B,)."""
    t = torch.deg2rad(deg)
    a = unit(torch.as_tensor(axis, dtype=t.dtype, device=t.device)).expand(len(t), 3)
    zero = torch.zeros_like(t)
    x, y, z = a.unbind(-1)
    K = torch.stack([zero, -z, y, z, zero, -x, -y, x, zero], -1).view(-1, 3, 3)
    eye = torch.eye(3, dtype=t.dtype, device=t.device)
    return eye + torch.sin(t)[:, None, None] * K + (1 - torch.cos(t))[:, None, None] * (K @ K)


def frame(d: Tensor, n: Tensor) -> Tensor:
    """Orthonormal frames with first axis ``d`` and second axis nearest to ``n``; shape (B, 3, 3)."""
    d = unit(d)
    n = unit(n - d * (n * d).sum(-1, keepdim=True))
    return torch.stack([d, n, torch.linalg.cross(d, n)], -1)


def align(d0: Tensor, n0: Tensor, d1: Tensor, n1: Tensor) -> Tensor:
    """Rotations taking direction d0 to d1 and, about it, n0 to n1."""
    return frame(d1, n1) @ frame(d0, n0).transpose(-1, -2)


def rotation_vector(R: Tensor) -> Tensor:
    """Axis times angle (radians), valid below about 179 degrees; shape (B, 3)."""
    c = ((R[:, 0, 0] + R[:, 1, 1] + R[:, 2, 2]) - 1) / 2
    t = torch.acos(c.clamp(-0.99999, 0.9999999))
    w = torch.stack([R[:, 2, 1] - R[:, 1, 2], R[:, 0, 2] - R[:, 2, 0], R[:, 1, 0] - R[:, 0, 1]], -1)
    return w / (2 * torch.sin(t).clamp_min(1e-6))[:, None] * t[:, None]


def part_of(R: Tensor, fraction: Tensor | float) -> Tensor:
    """Carry a rotation out to a fraction."""
    v = rotation_vector(R)
    angle = v.norm(dim=-1)
    return about(v, torch.rad2deg(angle) * fraction)


def swing_twist(R: Tensor, axis: Tensor) -> tuple[Tensor, Tensor]:
    """Split ``R = swing @ twist about axis``; returns swing matrices and twist in degrees."""
    axis = unit(axis)
    d = torch.einsum("bij,bj->bi", R, axis)
    v = torch.linalg.cross(axis, d)
    c = (axis * d).sum(-1)
    swing = about(v, torch.rad2deg(torch.atan2(v.norm(dim=-1), c)))
    w = rotation_vector(swing.transpose(-1, -2) @ R)
    return swing, torch.rad2deg((w * axis).sum(-1))


def quaternion(R: Tensor) -> Tensor:
    """Return unit quaternions (w, x, y, z) of rotation matrices (..., 3, 3)."""
    m = R
    w2 = (1 + m[..., 0, 0] + m[..., 1, 1] + m[..., 2, 2]).clamp_min(0)
    x2 = (1 + m[..., 0, 0] - m[..., 1, 1] - m[..., 2, 2]).clamp_min(0)
    y2 = (1 - m[..., 0, 0] + m[..., 1, 1] - m[..., 2, 2]).clamp_min(0)
    z2 = (1 - m[..., 0, 0] - m[..., 1, 1] + m[..., 2, 2]).clamp_min(0)
    squares = torch.stack([w2, x2, y2, z2], -1)
    big = squares.argmax(-1, keepdim=True)
    a, b, c = m[..., 2, 1] - m[..., 1, 2], m[..., 0, 2] - m[..., 2, 0], m[..., 1, 0] - m[..., 0, 1]
    d, e, f = m[..., 0, 1] + m[..., 1, 0], m[..., 0, 2] + m[..., 2, 0], m[..., 1, 2] + m[..., 2, 1]
    rows = torch.stack(
        [
            torch.stack([w2, a, b, c], -1), torch.stack([a, x2, d, e], -1),
            torch.stack([b, d, y2, f], -1), torch.stack([c, e, f, z2], -1),
        ], -2,
    )  # fmt: skip
    q = torch.gather(rows, -2, big[..., None].expand(*big.shape, 4)).squeeze(-2)
    return unit(q)


def quaternion_product(a: Tensor, b: Tensor) -> Tensor:
    """Hamilton product along the last axis."""
    w1, x1, y1, z1 = a.unbind(-1)
    w2, x2, y2, z2 = b.unbind(-1)
    return torch.stack(
        [
            w1 * w2 - x1 * x2 - y1 * y2 - z1 * z2, w1 * x2 + x1 * w2 + y1 * z2 - z1 * y2,
            w1 * y2 - x1 * z2 + y1 * w2 + z1 * x2, w1 * z2 + x1 * y2 - y1 * x2 + z1 * w2,
        ], -1,
    )  # fmt: skip


def rotation_right_deg(hip_l: Tensor, hip_r: Tensor, acr_l: Tensor, acr_r: Tensor) -> Tensor:
    """Apply the definition of :func:`vision.rotation.rotation_angle_deg`, batched; shape (B,)."""
    axis = unit(acr_l + acr_r - hip_l - hip_r)

    def flat(v: Tensor) -> Tensor:
        return v - axis * (v * axis).sum(-1, keepdim=True)

    h, s = flat(hip_l - hip_r), flat(acr_l - acr_r)
    return -torch.rad2deg(torch.atan2((torch.linalg.cross(h, s) * axis).sum(-1), (h * s).sum(-1)))


def _uniform(n: int, low: float, high: float, g: torch.Generator, device: torch.device) -> Tensor:
    return torch.rand(n, generator=g, device=device) * (high - low) + low


def _normal(
    n: int, mean: float, sd: float, low: float, high: float, g: torch.Generator, device: torch.device
) -> Tensor:
    return (torch.randn(n, generator=g, device=device) * sd + mean).clamp(low, high)


def sample_kneeling(n: int, g: torch.Generator, device: torch.device) -> dict[str, Tensor]:
    """Draw pose parameters: the angle first, every nuisance independently of it, over its human range."""

    def u(low: float, high: float) -> Tensor:
        return _uniform(n, low, high, g, device)

    def nrm(mean: float, sd: float, low: float, high: float) -> Tensor:
        return _normal(n, mean, sd, low, high, g, device)

    start = u(0, 1) < 0.15
    theta = torch.where(start, nrm(0, 4, -12, 12), u(-6, 86))
    levels = torch.tensor(
        [0.8, 0.95, 1.1, 1.1, 1.1, 1.1, 0.8, 0.5], device=device
    )  # more in the middle of the thorax than at its ends
    twist = torch.exp(torch.randn(n, N_THORACIC, generator=g, device=device) * 0.4) * levels
    return {
        "theta": theta, "twist": twist / twist.sum(1, keepdim=True),
        "pelvis_rot": u(-10, 10), "pelvis_tilt": nrm(0, 2.5, -6, 6), "lumbar_leak": u(-5, 5), "side_bend": u(-13, 13),
        "hip_height": u(0.195, 0.30), "hip_shift_y": nrm(0, 0.012, -0.03, 0.03), "knee_half_spread": u(0.09, 0.25),
        "ankle_half_spread": u(0.05, 0.115), "toe_in": u(-0.15, 0.3), "lumbar_flex": u(22, 52), "thor_flex": u(0, 28),
        "protract_L": u(-14, 16), "protract_R": u(-14, 16), "elevate_L": u(-4, 14), "elevate_R": u(-4, 14),
        "support_q": u(0.5, 0.98), "elbow_dx": nrm(0, 0.06, -0.15, 0.15), "elbow_half_y": u(-0.02, 0.12),
        "forearm_azim": u(-25, 40), "hand_level": u(0.05, 0.8), "hand_lat": u(0.03, 0.11), "hand_off": u(0.015, 0.03),
        "elbow_post": u(-8, 58), "hand_dir": u(0, 60), "palm_out": (u(0, 1) < 0.75).float() * 2 - 1,
        "head_turn": u(-62, 62), "head_tilt": u(-14, 14), "neck_ext": u(-12, 38),
    }  # fmt: skip


@dataclass
class Rest:
    """Bodies at rest: vertices (B, V, 3) and named points (B, 3), metres."""

    vertices: Tensor
    points: dict[str, Tensor]

    def __getitem__(self, which: slice | Tensor) -> "Rest":
        return Rest(self.vertices[which], {k: v[which] for k, v in self.points.items()})

    def head(self, bone: str) -> Tensor:
        """Joint centre at the near end of a bone."""
        return self.points[bone]

    def tail(self, bone: str) -> Tensor:
        """Far end of a bone."""
        return self.points[f"tail:{bone}"]


@dataclass
class Posed:
    """Posed bodies: vertices (B, V, 3), landmarks (B, 21, 3) in the order of NAMES, angle (B,)."""

    vertices: Tensor
    landmarks: Tensor
    rotation_right_deg: Tensor
    rest: Rest
    head_rotation: Tensor
    head_position: Tensor

    def __getitem__(self, which: slice | Tensor) -> "Posed":
        return Posed(
            self.vertices[which], self.landmarks[which], self.rotation_right_deg[which], self.rest[which],
            self.head_rotation[which], self.head_position[which],
        )  # fmt: skip

    def joined(self, other: "Posed") -> "Posed":
        """Both batches, one after the other."""
        rest = Rest(
            torch.cat([self.rest.vertices, other.rest.vertices]),
            {k: torch.cat([v, other.rest.points[k]]) for k, v in self.rest.points.items()},
        )

        def both(name: str) -> Tensor:
            return torch.cat([getattr(self, name), getattr(other, name)])

        return Posed(
            both("vertices"), both("landmarks"), both("rotation_right_deg"), rest, both("head_rotation"),
            both("head_position"),
        )  # fmt: skip


class Poser:
    """Holds the body model on a device and poses batches."""

    def __init__(self, model: BodyModel, device: torch.device) -> None:
        def put(a: object) -> Tensor:
            return torch.as_tensor(a, device=device)

        self.device = device
        self.mean, self.components, self.scores = put(model.mean), put(model.components), put(model.scores)
        self.quads = put(model.quads).long()
        self.triangles = torch.cat([self.quads[:, [0, 1, 2]], self.quads[:, [0, 2, 3]]])
        self.weights = put(model.weights)
        self.arm, self.arm_smooth, self.head_weight = (
            put(model.arm_weight),
            put(model.arm_weight_smooth),
            put(model.head_weight),
        )
        self.landmark_rows = put(model.landmark_rows)
        self.smoother = self._laplacian()
        first = torch.zeros(N_VERTICES, dtype=torch.long, device=device)
        for j in range(4):
            first[self.quads[:, j]] = self.quads[:, (j + 1) % 4]
        self.neighbour = first
        near_head = torch.nonzero(self.head_weight > 0.95)[:, 0]
        self.head_sample = near_head[:: max(1, len(near_head) // 80)]

    def _laplacian(self) -> Tensor:
        e = torch.stack([self.quads, self.quads.roll(-1, 1)], 2).reshape(-1, 2)
        e = torch.cat([e, e.flip(1)]).unique(dim=0)
        degree = torch.zeros(N_VERTICES, device=self.device).index_add_(
            0, e[:, 0], torch.ones(len(e), device=self.device)
        )
        value = 0.5 / degree[e[:, 0]]
        used = degree > 0
        i = torch.arange(N_VERTICES, device=self.device)
        index = torch.cat([e.T, torch.stack([i, i])], 1)
        values = torch.cat([value, torch.where(used, 0.5, 1.0)])
        return torch.sparse_coo_tensor(index, values, (N_VERTICES, N_VERTICES)).coalesce().to_sparse_csr()

    def smooth(self, x: Tensor, times: int) -> Tensor:
        """Laplacian smoothing over the skin's mesh; x of shape (B, V, C) or (V, C)."""
        batched = x.dim() == 3
        flat = x.permute(1, 0, 2).reshape(N_VERTICES, -1) if batched else x
        for _ in range(times):
            flat = self.smoother @ flat
        return flat.view(N_VERTICES, x.shape[0], x.shape[2]).permute(1, 0, 2) if batched else flat

    def bodies(self, scores: Tensor) -> Rest:
        """Rest shapes of bodies with the given scores, shape (B, K)."""
        all_points = (self.mean + scores @ self.components).view(len(scores), -1, 3)
        points = {name: all_points[:, N_VERTICES + i] for i, name in enumerate(POINTS)}
        return Rest(all_points[:, :N_VERTICES], points)

    # ------------------------------------------------------------------ spine

    def _spine(self, rest: Rest) -> tuple[Tensor, Tensor]:
        """Heads of the virtual vertebrae (B, N_SPINE, 3) and the height of the top end (B,)."""
        line = torch.stack(
            [rest.head(b) for b in ("spine04", "spine03", "spine02", "spine01")] + [rest.tail("spine01")], 1
        )
        z = line[:, :, 2]

        def levels(z0: Tensor, z1: Tensor, n: int) -> Tensor:
            return z0[:, None] + (z1 - z0)[:, None] * torch.arange(n, device=z.device) / n

        zs = torch.cat([levels(z[:, 0], z[:, 2], N_LUMBAR), levels(z[:, 2], z[:, 4], N_THORACIC)], 1)
        k = (torch.searchsorted(z.contiguous(), zs.contiguous(), right=True) - 1).clamp(0, 3)
        lo, hi = z.gather(1, k), z.gather(1, k + 1)
        f = ((zs - lo) / (hi - lo).clamp_min(1e-6))[..., None]
        pick = k[..., None].expand(-1, -1, 3)
        return line.gather(1, pick) * (1 - f) + line.gather(1, pick + 1) * f, z[:, 4]

    def _spine_share(self, rest: Rest, heads: Tensor, top: Tensor) -> tuple[Tensor, Tensor]:
        """For each vertex, the lower virtual bone (0 = pelvis, k = vertebra k - 1) and the share of the next."""
        zs = heads[:, :, 2]
        centres = torch.cat(
            [(zs[:, :1] - (zs[:, 1:2] - zs[:, :1]) / 2), (zs[:, 1:] + zs[:, :-1]) / 2, (zs[:, -1:] + top[:, None]) / 2],
            1,
        )
        z = torch.maximum(torch.minimum(rest.vertices[:, :, 2], centres[:, -1:]), centres[:, :1]).contiguous()
        k = (torch.searchsorted(centres.contiguous(), z) - 1).clamp(0, N_SPINE - 1)
        f = (z - centres.gather(1, k)) / (centres.gather(1, k + 1) - centres.gather(1, k)).clamp_min(1e-6)
        return k, f * f * (3 - 2 * f)

    def skin(self, rest: Rest, G: Tensor, P: Tensor, spine_heads: Tensor, top: Tensor) -> Tensor:
        """Skin vertices: three quarters dual-quaternion, one quarter linear blending, then shape-keeping smoothing.

        Kavan et al. 2008 (dual quaternion skinning); Mancewicz et al. 2014 (delta mush).
        """
        B = len(G)
        h = torch.cat([torch.stack([rest.head(b) for b in MOVING], 1), spine_heads], 1)
        t = P - torch.einsum("bnij,bnj->bni", G, h)
        q = quaternion(G)
        signs: list[Tensor] = [torch.ones(B, 1, device=G.device)] * N_BONES
        for i in [*range(N_MOVING, N_BONES), *range(1, N_MOVING)]:  # the same hemisphere along the chain
            parent = _PARENT[i]
            dot = (q[:, i] * q[:, parent] * signs[parent]).sum(-1, keepdim=True)
            signs[i] = torch.where(dot < 0, -1.0, 1.0)
        q = q * torch.stack(signs, 1)
        dual = 0.5 * quaternion_product(torch.cat([torch.zeros_like(t[..., :1]), t], -1), q)
        k, share = self._spine_share(rest, spine_heads, top)
        ws = self.weights[None, :, -1]

        def blend(x: Tensor) -> Tensor:  # (B, N_BONES, C) -> (B, V, C)
            fixed = torch.einsum("vn,bnc->bvc", self.weights[:, :-1], x[:, :N_MOVING])
            ladder = torch.cat([x[:, :1], x[:, N_MOVING:]], 1)
            c = x.shape[-1]
            low = ladder.gather(1, k[..., None].expand(-1, -1, c))
            high = ladder.gather(1, (k + 1)[..., None].expand(-1, -1, c))
            return fixed + ws[..., None] * (low * (1 - share[..., None]) + high * share[..., None])

        x = rest.vertices
        both = blend(torch.cat([q, dual, G.reshape(B, N_BONES, 9), t], -1))
        bq, bd = both[..., :4], both[..., 4:8]
        norm = bq.norm(dim=-1, keepdim=True).clamp_min(1e-9)
        bq, bd = bq / norm, bd / norm
        w, v = bq[..., :1], bq[..., 1:]
        cross = torch.linalg.cross
        turned = x + 2 * cross(v, cross(v, x) + w * x)
        moved = 2 * (w * bd[..., 1:] - bd[..., :1] * v + cross(v, bd[..., 1:]))
        linear = torch.einsum("bvij,bvj->bvi", both[..., 8:17].view(B, -1, 3, 3), x) + both[..., 17:20]
        V = 0.75 * (turned + moved) + 0.25 * linear
        V = self._delta_mush(x, V)
        s = 0.012
        above_floor = s * torch.nn.functional.softplus(V[..., 2:] / s)
        return torch.cat([V[..., :2], above_floor], -1)

    def normals(self, V: Tensor) -> Tensor:
        """Return unit vertex normals, shape (B, V, 3)."""
        a, b, c = (V[:, self.triangles[:, i]] for i in range(3))
        fn = torch.linalg.cross(b - a, c - a)
        n = torch.zeros_like(V)
        for i in range(3):
            n.index_add_(1, self.triangles[:, i], fn)
        return unit(n)

    def _delta_mush(self, rest: Tensor, V: Tensor, times: int = 8) -> Tensor:
        def frames(U: Tensor) -> Tensor:
            n = self.normals(U)
            t = U[:, self.neighbour] - U
            t = unit(t - n * (t * n).sum(-1, keepdim=True))
            return torch.stack([t, n, torch.linalg.cross(t, n)], -1)

        U0, U = self.smooth(rest, times), self.smooth(V, times)
        local = torch.einsum("bvji,bvj->bvi", frames(U0), rest - U0)
        return U + torch.einsum("bvij,bvj->bvi", frames(U), local)

    # ------------------------------------------------------------------ the position

    def kneel(self, rest: Rest, p: dict[str, Tensor]) -> Posed:
        """Pose in the heel-sit position, rotated to the right by ``p['theta']`` (measured on the skin after)."""
        B = len(p["theta"])
        spine_heads, top = self._spine(rest)
        scale = (rest.head("head")[:, 2] - rest.head("foot.L")[:, 2]) / 1.66
        g = _Chain(rest, spine_heads, B, self.device)
        hip_z = p["hip_height"] * scale
        zero = torch.zeros(B, device=self.device)
        base = torch.stack([zero, p["hip_shift_y"], hip_z], -1)
        upper_arm = {s: (rest.head(f"lowerarm01.{s}") - rest.head(f"upperarm01.{s}")).norm(dim=-1) for s in "LR"}
        forearm = {s: (rest.head(f"wrist.{s}") - rest.head(f"lowerarm01.{s}")).norm(dim=-1) for s in "LR"}
        elbow_r = 0.042 * scale
        target_z = elbow_r + p["support_q"] * upper_arm["L"]
        acromion_rest = {
            s: torch.einsum("v,bvc->bc", self.landmark_rows[LANDMARK_VERTICES.index(f"acromion_{s}")], rest.vertices)
            for s in "LR"
        }
        turned = about((0, 0, 1), zero + 90) @ about((0, 0, 1), -p["pelvis_rot"]) @ about((0, 1, 0), p["pelvis_tilt"])
        drive = p["theta"].clone()
        for step in range(4):  # twist of the thorax that gives the wanted angle (girdle bones)
            g.pelvis(turned, torch.zeros_like(base))
            g.spine(p, drive)
            for s in "LR":
                g.girdle(s, p)
            if step < 3:
                acr = {s: g.carried(f"clavicle.{s}", acromion_rest[s]) for s in "LR"}
                hips = {s: g.carried("root", rest.head(f"upperleg01.{s}")) for s in "LR"}
                drive = drive + p["theta"] - rotation_right_deg(hips["L"], hips["R"], acr["L"], acr["R"])
        v = g.P[IX["upperarm01.L"]]  # the support shoulder; the trunk's inclination is whatever brings it to its height
        r = torch.hypot(v[:, 0], v[:, 2])
        pitch = torch.rad2deg(
            torch.acos(((target_z - hip_z) / r).clamp(-0.99, 0.99)) - torch.atan2(v[:, 0], v[:, 2])
        ).clamp(20, 110)
        g.pelvis(about((0, 1, 0), pitch) @ turned, base)
        g.spine(p, drive)
        for s in "LR":
            g.girdle(s, p)
        knees = [g.leg(s, p, scale, base) for s in "LR"]
        knee_x = (knees[0][:, 0] + knees[1][:, 0]) / 2
        g.support_arm("L", p, scale, base, knee_x, upper_arm["L"], forearm["L"], elbow_r)
        g.back_arm("R", p, scale, upper_arm["R"], forearm["R"], self._back_surface(rest, p, scale))
        sample = rest.vertices[:, self.head_sample]
        extension = p["neck_ext"].clone()
        for _ in range(8):  # the head stays clear of the floor
            g.neck(p["head_turn"], p["head_tilt"], extension)
            G, P = g.G[IX["head"]], g.P[IX["head"]]
            low = (P[:, None] + torch.einsum("bij,bvj->bvi", G, sample - rest.head("head")[:, None]))[..., 2].amin(1)
            extension = extension + torch.where(low < 0.012, 6.0, 0.0)
        return self._finish(rest, g, spine_heads, top)

    def _back_surface(self, rest: Rest, p: dict[str, Tensor], scale: Tensor) -> tuple[Tensor, Tensor]:
        """Point under the hand on the low back, rest frame, and the index of the vertebra carrying it."""
        z0, z1 = rest.head("spine04")[:, 2], rest.head("spine02")[:, 2]
        z = z0 + (z1 - z0) * p["hand_level"]
        x = -p["hand_lat"] * scale
        V = rest.vertices
        d = torch.hypot(V[..., 0] - x[:, None], V[..., 2] - z[:, None])
        d = d + 10 * (V[..., 1] < rest.head("spine04")[:, None, 1])
        nearest = d.topk(4, dim=1, largest=False).indices
        y = V[..., 1].gather(1, nearest).amax(1) + p["hand_off"] * scale
        level = (p["hand_level"] * N_LUMBAR - 0.5).round().clamp(0, N_LUMBAR - 1).long()
        return torch.stack([x, y, z], -1), level

    def _finish(self, rest: Rest, g: "_Chain", spine_heads: Tensor, top: Tensor) -> Posed:
        G, P = torch.stack(g.G, 1), torch.stack(g.P, 1)
        V = self.skin(rest, G, P, spine_heads, top)
        on_skin = torch.einsum("lv,bvc->blc", self.landmark_rows, V)
        by = {n: on_skin[:, i] for i, n in enumerate(LANDMARK_VERTICES)}
        joint = {"shoulder_joint": "upperarm01", "hip_joint": "upperleg01", "elbow": "lowerarm01", "wrist": "wrist",
                 "knee": "lowerleg01", "ankle": "foot"}  # fmt: skip
        out = []
        for name in NAMES:
            part, _, side = name.rpartition("_")
            if part in joint:
                out.append(g.P[IX[f"{joint[part]}.{'L' if side == 'left' else 'R'}"]])
            elif side in ("left", "right"):
                out.append(by[f"{part}_{'L' if side == 'left' else 'R'}"])
            else:
                out.append(by[{"c7": "C7", "t12": "T12", "s2": "S2"}.get(name, name)])
        L = torch.stack(out, 1)
        theta = rotation_right_deg(*L[:, HIP_JOINTS].unbind(1), *L[:, ACROMIA].unbind(1))
        return Posed(V, L, theta, rest, g.G[IX["head"]], g.P[IX["head"]])

    # ------------------------------------------------------------------ other positions, for refusal

    def other(self, rest: Rest, kind: Tensor, gen: torch.Generator) -> Posed:
        """Pose people who are *not* in the position.

        ``kind`` (B,): 0 stand, 1 sit, 2 lie, 3 hands and knees, 4 upright kneeling, 5 plank, 6 squat.
        """
        B = len(kind)
        spine_heads, top = self._spine(rest)
        g = _Chain(rest, spine_heads, B, self.device)

        def u(low: float, high: float) -> Tensor:
            return _uniform(B, low, high, gen, self.device)

        def by_kind(*values: Tensor) -> Tensor:
            return torch.stack(values, 1).gather(1, kind[:, None])[:, 0]

        # forward lean of the trunk, flexion of hips, knees (degrees), arm flexion forward
        lean = by_kind(u(-5, 25), u(-20, 25), u(-5, 5), u(65, 100), u(-5, 20), u(75, 100), u(10, 50))
        hip = by_kind(u(-10, 20), u(70, 105), u(-5, 30), u(75, 110), u(-10, 20), u(-10, 15), u(80, 125))
        knee = by_kind(u(0, 20), u(40, 105), u(0, 40), u(75, 110), u(75, 115), u(0, 15), u(80, 140))
        arm = by_kind(u(-40, 150), u(-20, 90), u(-30, 170), u(65, 105), u(-40, 120), u(70, 105), u(0, 110))
        abduction = {s: by_kind(u(5, 80), u(5, 60), u(5, 90), u(0, 20), u(5, 70), u(0, 25), u(5, 60)) for s in "LR"}
        elbow = by_kind(u(0, 110), u(0, 120), u(0, 120), u(0, 25), u(0, 120), u(0, 95), u(0, 110))
        flex = u(-10, 40)
        zero = torch.zeros(B, device=self.device)
        p = {
            "lumbar_flex": flex * 0.5, "thor_flex": flex * 0.5, "side_bend": u(-12, 12), "lumbar_leak": u(-4, 4),
            "twist": torch.full((B, N_THORACIC), 1 / N_THORACIC, device=self.device),
            "protract_L": u(-10, 14), "protract_R": u(-10, 14), "elevate_L": u(-4, 12), "elevate_R": u(-4, 12),
        }  # fmt: skip
        base_turn = about((0, 1, 0), lean) @ about((0, 0, 1), zero + 90)
        g.pelvis(base_turn, torch.zeros(B, 3, device=self.device))
        g.spine(p, u(-35, 35))
        X = (1.0, 0.0, 0.0)
        for s in "LR":
            g.girdle(s, p)
            spread = u(-4, 14) * (1 if s == "L" else -1)
            thigh = about(X, -(hip + u(-12, 12))) @ about((0, 1, 0), -spread)
            g.put(f"pelvis.{s}", g.G[IX["root"]])
            g.put(f"upperleg01.{s}", g.G[IX["root"]] @ thigh)
            g.put(f"lowerleg01.{s}", g.G[IX[f"upperleg01.{s}"]] @ about(X, knee + u(-12, 12)))
            g.put(f"foot.{s}", g.G[IX[f"lowerleg01.{s}"]] @ about(X, u(-10, 35)))
            k = 1 if s == "L" else -1
            raised = about(X, -(arm + u(-15, 15))) @ about((0, 1, 0), k * (45 - abduction[s]))
            G = g.G[IX[f"clavicle.{s}"]] @ raised
            for b in ("upperarm01", "upperarm02"):
                g.put(f"{b}.{s}", G)
            bent = G @ about(X, -(elbow + u(-15, 15)))
            for b in ("lowerarm01", "lowerarm02", "wrist"):
                g.put(f"{b}.{s}", bent)
        g.neck(u(-60, 60), u(-15, 15), u(-20, 35))
        lying = kind == 2
        side_roll = about((1, 0, 0), torch.where(lying, _uniform(B, -180, 180, gen, self.device), zero))
        fall = about((0, 1, 0), torch.where(lying, zero + 90, zero))
        turn = side_roll @ fall
        for i in range(N_BONES):
            g.G[i] = turn @ g.G[i]
            g.P[i] = torch.einsum("bij,bj->bi", turn, g.P[i])
        corners = torch.stack(g.P, 1)[..., 2]
        lift = 0.11 - corners.amin(1)
        for i in range(N_BONES):
            g.P[i] = g.P[i] + torch.stack([zero, zero, lift], -1)
        return self._finish(rest, g, spine_heads, top)


_PARENT = [0] * N_BONES
for _s in "LR":
    for _child, _parent in (
        ("pelvis", "root"), ("upperleg01", f"pelvis.{_s}"), ("lowerleg01", f"upperleg01.{_s}"),
        ("foot", f"lowerleg01.{_s}"), ("upperarm01", f"clavicle.{_s}"), ("upperarm02", f"upperarm01.{_s}"),
        ("lowerarm01", f"upperarm02.{_s}"), ("lowerarm02", f"lowerarm01.{_s}"), ("wrist", f"lowerarm02.{_s}"),
    ):  # fmt: skip
        _PARENT[IX[f"{_child}.{_s}"]] = IX[_parent]
    _PARENT[IX[f"clavicle.{_s}"]] = UPPER_THORAX
_PARENT[IX["neck01"]] = UPPER_THORAX
for _child, _parent in (("neck02", "neck01"), ("neck03", "neck02"), ("head", "neck03")):
    _PARENT[IX[_child]] = IX[_parent]
for _i in range(N_SPINE):
    _PARENT[N_MOVING + _i] = 0 if _i == 0 else N_MOVING + _i - 1


class _Chain:
    """World rotations G and joint positions P of all bones of a batch while a pose is being made."""

    def __init__(self, rest: Rest, spine_heads: Tensor, n: int, device: torch.device) -> None:
        self.rest, self.spine_heads, self.device = rest, spine_heads, device
        blank = torch.zeros(n, 3, device=device)
        self.G: list[Tensor] = [torch.eye(3, device=device).expand(n, 3, 3)] * N_BONES
        self.P: list[Tensor] = [blank] * N_BONES

    def h(self, i: int) -> Tensor:
        return self.rest.head(MOVING[i]) if i < N_MOVING else self.spine_heads[:, i - N_MOVING]

    def carried(self, bone: str | int, point: Tensor) -> Tensor:
        """World position of a rest-frame point rigid with a bone."""
        i = IX[bone] if isinstance(bone, str) else bone
        return self.P[i] + torch.einsum("bij,bj->bi", self.G[i], point - self.h(i))

    def put(self, bone: str, G: Tensor, parent: int | None = None) -> None:
        i = IX[bone]
        self.P[i] = self.carried(_PARENT[i] if parent is None else parent, self.h(i))
        self.G[i] = G

    def pelvis(self, G: Tensor, base: Tensor) -> None:
        r = self.rest
        middle = (r.head("upperleg01.L") + r.head("upperleg01.R")) / 2
        self.G[0] = G
        self.P[0] = base + torch.einsum("bij,bj->bi", G, r.head("root") - middle)

    def spine(self, p: dict[str, Tensor], drive: Tensor) -> None:
        X, front, Z = (1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)
        lumbar = (
            about(X, p["lumbar_flex"] / N_LUMBAR)
            @ about(front, p["side_bend"] * 0.4 / N_LUMBAR)
            @ about(Z, -p["lumbar_leak"] / N_LUMBAR)
        )
        thoracic = about(X, p["thor_flex"] / N_THORACIC) @ about(front, p["side_bend"] * 0.6 / N_THORACIC)
        for k in range(N_SPINE):
            i = N_MOVING + k
            parent = _PARENT[i]
            local = lumbar if k < N_LUMBAR else thoracic @ about(Z, -drive * p["twist"][:, k - N_LUMBAR])
            self.P[i] = self.carried(parent, self.h(i))
            self.G[i] = self.G[parent] @ local

    def girdle(self, s: str, p: dict[str, Tensor]) -> None:
        k = 1 if s == "L" else -1
        local = about((0, 0, 1), -k * p[f"protract_{s}"]) @ about((0, -1, 0), -k * p[f"elevate_{s}"])
        self.put(f"clavicle.{s}", self.G[UPPER_THORAX] @ local)
        self.P[IX[f"upperarm01.{s}"]] = self.carried(f"clavicle.{s}", self.rest.head(f"upperarm01.{s}"))

    def leg(self, s: str, p: dict[str, Tensor], scale: Tensor, base: Tensor) -> Tensor:
        r, k = self.rest, (1 if s == "L" else -1)
        hip = self.carried("root", r.head(f"upperleg01.{s}"))
        a0 = r.head(f"lowerleg01.{s}") - r.head(f"upperleg01.{s}")
        b0 = r.head(f"foot.{s}") - r.head(f"lowerleg01.{s}")
        thigh, shin = a0.norm(dim=-1), b0.norm(dim=-1)
        knee_z, ankle_z = 0.055 * scale, 0.05 * scale
        knee_y = base[:, 1] + k * p["knee_half_spread"] * scale
        dz, dy = hip[:, 2] - knee_z, knee_y - hip[:, 1]
        knee = torch.stack([hip[:, 0] + (thigh**2 - dz**2 - dy**2).clamp_min(0.01).sqrt(), knee_y, knee_z], -1)
        ankle_y = base[:, 1] + k * p["ankle_half_spread"] * scale
        dy, dz = ankle_y - knee[:, 1], ankle_z - knee_z
        ankle = torch.stack([knee[:, 0] - (shin**2 - dy**2 - dz**2).clamp_min(0.01).sqrt(), ankle_y, ankle_z], -1)
        T, S = unit(knee - hip), unit(ankle - knee)
        n1 = unit(torch.linalg.cross(T, S))
        n0 = torch.tensor([1.0, 0, 0], device=self.device).expand_as(n1)
        Gt, Gs, Gp = align(a0, n0, T, n1), align(b0, n0, S, n1), self.G[0]
        self.put(f"pelvis.{s}", Gp @ part_of(Gp.transpose(-1, -2) @ Gt, 0.12))
        self.G[IX[f"upperleg01.{s}"]], self.P[IX[f"upperleg01.{s}"]] = Gt, hip
        self.put(f"lowerleg01.{s}", Gs)
        f = r.head(f"toe3-1.{s}") - r.head(f"foot.{s}")
        one = torch.ones_like(p["toe_in"])
        toward = unit(torch.stack([-one, -k * p["toe_in"], -0.2 * one], -1))
        up = torch.tensor([0, 0, 1.0], device=self.device).expand_as(f)
        self.put(f"foot.{s}", align(f * torch.tensor([1, 1, 0.6], device=self.device), up, toward, -up))
        return knee

    def support_arm(
        self, s: str, p: dict[str, Tensor], scale: Tensor, base: Tensor, knee_x: Tensor, upper: Tensor, fore: Tensor,
        elbow_r: Tensor,
    ) -> None:  # fmt: skip
        k = 1 if s == "L" else -1
        S = self.P[IX[f"upperarm01.{s}"]]
        d = torch.minimum((S[:, 2] - elbow_r).clamp_min(0.02), upper * 0.995)
        reach = (upper**2 - d**2).sqrt()
        goal = torch.stack([knee_x + p["elbow_dx"] * scale, base[:, 1] + k * p["elbow_half_y"] * scale], -1)
        toward = unit(goal - S[:, :2])
        E = torch.cat([S[:, :2] + toward * reach[:, None], (S[:, 2] - d)[:, None]], -1)
        a = torch.deg2rad(p["forearm_azim"])
        flat = torch.stack([torch.cos(a), -k * torch.sin(a), torch.zeros_like(a)], -1)
        drop = torch.stack([torch.zeros_like(a), torch.zeros_like(a), (0.03 * scale - elbow_r) / fore], -1)
        f = unit(flat + drop)
        down = torch.tensor([0, 0, -1.0], device=self.device).expand_as(f)
        hand = unit(f * torch.tensor([1, 1, 0.0], device=self.device) + 0.06 * down)
        self._arm(s, S, E, f, hand, down)

    def back_arm(
        self, s: str, p: dict[str, Tensor], scale: Tensor, upper: Tensor, fore: Tensor, spot: tuple[Tensor, Tensor]
    ) -> None:
        k = 1 if s == "L" else -1
        S = self.P[IX[f"upperarm01.{s}"]]
        point, level = spot
        G_all = torch.stack(self.G[N_MOVING : N_MOVING + N_LUMBAR], 1)
        P_all = torch.stack(self.P[N_MOVING : N_MOVING + N_LUMBAR], 1)
        row = torch.arange(len(level), device=self.device)
        Gl, Pl, hl = G_all[row, level], P_all[row, level], self.spine_heads[row, level]
        W = Pl + torch.einsum("bij,bj->bi", Gl, point - hl)
        thorax = self.G[UPPER_THORAX]
        lateral, posterior, cranial = k * thorax[:, :, 0], thorax[:, :, 1], thorax[:, :, 2]
        v = W - S
        D = v.norm(dim=-1)
        reach = torch.minimum(torch.maximum(D, (upper - fore).abs() + 0.02), (upper + fore) * 0.985)
        W = S + v / D[:, None] * reach[:, None]
        v = unit(v)
        a = (upper**2 - fore**2 + reach**2) / (2 * reach)
        r = (upper**2 - a**2).clamp_min(1e-6).sqrt()
        al = torch.deg2rad(p["elbow_post"])[:, None]
        pole = lateral * torch.cos(al) + posterior * torch.sin(al) - cranial * 0.05
        E = S + v * a[:, None] + unit(pole - v * (pole * v).sum(-1, keepdim=True)) * r[:, None]
        f = unit(W - E)
        back, medial, cr = Gl[:, :, 1], -k * Gl[:, :, 0], Gl[:, :, 2]
        hd = torch.deg2rad(p["hand_dir"])[:, None]
        hand = unit(0.55 * f + 0.6 * (medial * torch.cos(hd) + cr * torch.sin(hd)))
        hand = unit(hand - back * (hand * back).sum(-1, keepdim=True) * 0.8)
        self._arm(s, S, E, f, hand, back * p["palm_out"][:, None])

    def _arm(self, s: str, S: Tensor, E: Tensor, f: Tensor, hand: Tensor, palm: Tensor) -> None:
        r = self.rest
        hs, he, hw = (r.head(f"{b}.{s}") for b in ("upperarm01", "lowerarm01", "wrist"))
        u0, f0 = unit(he - hs), unit(hw - he)
        n0 = unit(torch.linalg.cross(u0, f0))
        u = unit(E - S)
        n = torch.linalg.cross(u, f)
        up = torch.tensor([0, 0, 1.0], device=self.device).expand_as(u)
        n = unit(torch.where(n.norm(dim=-1, keepdim=True) > 1e-3, n, torch.linalg.cross(u, up)))
        Gu, Gf = align(u0, n0, u, n), align(f0, n0, f, n)
        parent = self.G[IX[f"clavicle.{s}"]]
        swing, twist = swing_twist(parent.transpose(-1, -2) @ Gu, u0)
        self.G[IX[f"upperarm01.{s}"]], self.P[IX[f"upperarm01.{s}"]] = parent @ swing @ about(u0, twist * 0.5), S
        i = IX[f"upperarm02.{s}"]
        self.G[i] = Gu
        self.P[i] = S + torch.einsum("bij,bj->bi", Gu, r.head(f"upperarm02.{s}") - hs)
        elbow = S + torch.einsum("bij,bj->bi", Gu, he - hs)
        m3 = r.head(f"finger3-1.{s}")
        d0 = unit(m3 - hw)
        across = r.head(f"finger2-1.{s}") - r.head(f"finger5-1.{s}")
        pn0 = unit(torch.linalg.cross(across, d0))
        facing = ((r.tail(f"finger3-3.{s}") - m3) * pn0).sum(-1, keepdim=True)
        pn0 = torch.where(facing < 0, -pn0, pn0)
        Gh = align(d0, pn0, hand, palm)
        _, pronation = swing_twist(Gf.transpose(-1, -2) @ Gh, f0)
        pronation = ((pronation + 180) % 360 - 180).clamp(-100, 100)
        i = IX[f"lowerarm01.{s}"]
        self.G[i], self.P[i] = Gf @ about(f0, pronation * 0.3), elbow
        i = IX[f"lowerarm02.{s}"]
        self.G[i] = Gf @ about(f0, pronation * 0.75)
        self.P[i] = elbow + torch.einsum("bij,bj->bi", Gf, r.head(f"lowerarm02.{s}") - he)
        base = Gf @ about(f0, pronation)
        bend = base.transpose(-1, -2) @ Gh
        angle = torch.rad2deg(rotation_vector(bend).norm(dim=-1)).clamp_min(1e-6)
        i = IX[f"wrist.{s}"]
        self.G[i] = base @ part_of(bend, (55 / angle).clamp_max(1))
        self.P[i] = elbow + torch.einsum("bij,bj->bi", Gf, hw - he)

    def neck(self, turn: Tensor, tilt: Tensor, extension: Tensor) -> None:
        X, front, Z = (1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)
        for bone, share in (("neck01", 0.2), ("neck02", 0.2), ("neck03", 0.25), ("head", 0.35)):
            local = about(Z, -turn * share) @ about(front, tilt * 0.25) @ about(X, -extension * 0.25)
            parent = TOP_SPINE if bone == "neck01" else _PARENT[IX[bone]]
            self.P[IX[bone]] = self.carried(parent, self.rest.head(bone))
            self.G[IX[bone]] = self.G[parent] @ local
