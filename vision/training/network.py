"""The network of :mod:`vision.eye` and its small locator, as torch modules."""

import math
from dataclasses import dataclass
from pathlib import Path

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from vision.landmark_names import ACROMIA, HIP_JOINTS, NAMES
from vision.network_form import BIN_EDGE_DEG, BIN_STEP_DEG, BINS, LOG_SD_RANGE, MOST_CORRELATION
from vision.training.posing import rotation_right_deg

K = len(NAMES)


class Block(nn.Module):
    """Two 3x3 convolutions around a shortcut (He et al. 2016)."""

    def __init__(self, inside: int, outside: int, stride: int = 1) -> None:
        super().__init__()
        self.a = nn.Conv2d(inside, outside, 3, stride, 1, bias=False)
        self.n = nn.BatchNorm2d(outside)
        self.b = nn.Conv2d(outside, outside, 3, 1, 1, bias=False)
        self.m = nn.BatchNorm2d(outside)
        self.short: nn.Module = nn.Identity()
        if inside != outside or stride != 1:
            self.short = nn.Sequential(nn.Conv2d(inside, outside, 1, stride, bias=False), nn.BatchNorm2d(outside))

    def forward(self, x: Tensor) -> Tensor:
        """Apply the block."""
        y: Tensor = F.relu(self.m(self.b(F.relu(self.n(self.a(x))))) + self.short(x))
        return y


def _stage(inside: int, outside: int, blocks: int) -> nn.Sequential:
    return nn.Sequential(Block(inside, outside, 2), *(Block(outside, outside) for _ in range(blocks - 1)))


def _stem(width: int) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(3, width, 5, 2, 2, bias=False), nn.BatchNorm2d(width), nn.ReLU())


class Layer(nn.Module):
    """Self-attention and a small network of two layers, each around a shortcut (Vaswani et al. 2017, pre-norm)."""

    def __init__(self, width: int, heads: int = 4) -> None:
        super().__init__()
        self.heads = heads
        self.before_attention, self.before_mixing = nn.LayerNorm(width), nn.LayerNorm(width)
        self.query_key_value, self.gather = nn.Linear(width, 3 * width), nn.Linear(width, width)
        self.widen, self.narrow = nn.Linear(width, 2 * width), nn.Linear(2 * width, width)

    def forward(self, x: Tensor) -> Tensor:
        """Let the tokens, shape (B, N, width), look at each other."""
        q, k, v = (
            t.unflatten(-1, (self.heads, -1)).transpose(1, 2)
            for t in self.query_key_value(self.before_attention(x)).chunk(3, -1)
        )
        x = x + self.gather(F.scaled_dot_product_attention(q, k, v).transpose(1, 2).flatten(2))
        y: Tensor = x + self.narrow(F.relu(self.widen(self.before_mixing(x))))
        return y


@dataclass
class Reading:
    """Raw outputs for a batch.

    Attributes
    ----------
    xy, depth
        Shapes (B, K, 2) and (B, K): as the labels of :class:`vision.training.scene.Batch`.
    shape
        Shape (B, K, 3): log standard deviations along x and y, cut to ``LOG_SD_RANGE`` where used, and a correlation
        before ``tanh`` (:mod:`vision.network_form`).
    depth_scale
        Shape (B, K): log scale of the depth's error.
    seen
        Shape (B, K): logits.
    bins
        Shape (B, BINS): logits over the rotation angle, from -BIN_EDGE_DEG to BIN_EDGE_DEG.
    azimuth
        Shape (B, 2): cosine and sine, not normalised.
    lines
        Shape (B, 6): as :attr:`vision.training.scene.Batch.lines`, flattened, not normalised.  Only for learning: it
        tells the turn of the pelvis apart from that of the chest.
    in_position
        Shape (B,): logit.
    surface
        Shape (B, 5, S/4, S/4): as :attr:`vision.training.scene.Batch.surface`, its last channel a logit.  Only for
        learning: where on the body every pixel lies tells the turn of the surfaces, which a few points do not.

    """

    xy: Tensor
    depth: Tensor
    shape: Tensor
    depth_scale: Tensor
    seen: Tensor
    bins: Tensor
    azimuth: Tensor
    lines: Tensor
    in_position: Tensor
    surface: Tensor


WAVES = 4
"""Sine waves that tell a token its place, along each axis."""


class Eye(nn.Module):
    """Landmarks with covariance, and a distribution over the angle, from a square crop.

    Convolutions find the landmarks; then what lies under each of them and in each field of the coarsest map look at
    each other, and one more token gathers what is read of the whole.
    """

    def __init__(self) -> None:
        super().__init__()
        c, width = (40, 64, 128, 256, 400), 256
        self.stem = _stem(c[0])
        self.l1 = Block(c[0], c[1], 2)
        self.l2 = _stage(c[1], c[2], 3)
        self.l3 = _stage(c[2], c[3], 5)
        self.l4 = _stage(c[3], c[4], 2)
        self.u4, self.u3 = nn.Conv2d(c[4], 96, 1), nn.Conv2d(c[3], 96, 1)
        self.u2, self.u1 = nn.Conv2d(c[2], 96, 1), nn.Conv2d(c[1], 48, 1)
        self.d2 = nn.Sequential(nn.Conv2d(96, 48, 3, 1, 1, bias=False), nn.BatchNorm2d(48), nn.ReLU())
        self.d1 = nn.Sequential(nn.Conv2d(48, 48, 3, 1, 1, bias=False), nn.BatchNorm2d(48), nn.ReLU())
        self.heat = nn.Conv2d(48, K, 1)
        self.surface = nn.Conv2d(48, 5, 1)
        self.local = nn.Parameter(torch.randn(K, 48 + 64, 8) * 0.02)
        self.local_bias = nn.Parameter(torch.zeros(K, 8))
        self.near = nn.Linear(width, 64)
        self.field, self.point, self.place = nn.Linear(c[4], width), nn.Linear(48, width), nn.Linear(4 * WAVES, width)
        self.token = nn.Parameter(torch.randn(K + 1, width) * 0.02)  # one for each landmark, one for the whole
        self.look = nn.Sequential(*(Layer(width) for _ in range(3)), nn.LayerNorm(width))
        self.squeeze = nn.Linear(K * 16, 192)
        self.local_squeeze = nn.Parameter(torch.randn(K, 48, 16) * 0.1)
        known = c[4] * 2 + K * 3 + 192 + width
        self.whole = nn.Sequential(nn.Linear(known, 384), nn.ReLU(), nn.Linear(384, 256), nn.ReLU())
        self.out = nn.Linear(256, BINS + 2 + 1 + 6)

    def forward(self, image: Tensor) -> Reading:
        """Read a batch of crops, shape (B, 3, S, S), 0..1; S is a multiple of 32."""
        a = self.l1(self.stem(image - 0.5))
        b = self.l2(a)
        c = self.l3(b)
        d = self.l4(c)

        def up(x: Tensor) -> Tensor:
            return F.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)

        y = up(self.u4(d)) + self.u3(c)
        y = up(y) + self.u2(b)
        y = self.d1(up(self.d2(y)) + self.u1(a))
        heat = self.heat(y).float().flatten(2).softmax(-1)  # (B, K, S*S)
        n = y.shape[-1]
        at = (torch.arange(n, device=y.device, dtype=torch.float32) + 0.5) / n
        grid = heat.view(-1, K, n, n)
        xy = torch.stack([(grid.sum(2) * at).sum(-1), (grid.sum(3) * at).sum(-1)], -1)
        features = heat @ y.float().flatten(2).transpose(1, 2)  # (B, K, 48): what lies under each landmark
        mean, peak = d.float().mean((2, 3)), d.float().amax((2, 3))
        coarse = (torch.arange(d.shape[-1], device=y.device, dtype=torch.float32) + 0.5) / d.shape[-1]
        centres = torch.stack(torch.meshgrid(coarse, coarse, indexing="xy"), -1).flatten(0, 1)
        fields = self.field(d.flatten(2).transpose(1, 2)) + self.place(_waves(centres))
        points = self.point(features) + self.place(_waves(xy)) + self.token[:K]
        whole = self.token[K:] + torch.zeros_like(points[:, :1])
        looked = self.look(torch.cat([whole, points, fields], 1))
        context = F.relu(self.near(looked[:, 1 : K + 1]))
        local = torch.einsum("bkc,kco->bko", torch.cat([features, context], -1), self.local) + self.local_bias
        xy = xy + local[..., 6:].float() * 0.1
        gathered = F.relu(torch.einsum("bkc,kco->bko", features, self.local_squeeze)).flatten(1)
        where = torch.cat([xy, local[..., :1]], -1).flatten(1)
        out = self.out(self.whole(torch.cat([mean, peak, where, F.relu(self.squeeze(gathered)), looked[:, 0]], 1)))
        shape = torch.cat([local[..., 1:3] - 4.0, local[..., 3:4]], -1)
        return Reading(
            xy, local[..., 0], shape, local[..., 4] - 3.0, local[..., 5], out[:, :BINS], out[:, BINS : BINS + 2],
            out[:, BINS + 3 :], out[:, BINS + 2], self.surface(y),
        )  # fmt: skip


def _waves(xy: Tensor) -> Tensor:
    """Sines and cosines of places, shape (..., 2), 0..1; shape (..., 4 * WAVES)."""
    angle = (xy[..., None] * (math.pi * 2.0 ** torch.arange(WAVES, device=xy.device))).flatten(-2)
    return torch.cat([angle.sin(), angle.cos()], -1)


class Locator(nn.Module):
    """Finds the person in the position in a whole photo, :data:`LOCATOR_PX` wide and high.

    Outputs, shape (B, 9): box centre x, y and log of its side (fractions of the picture), log error scale,
    logit of "a person in the position is here", and logits of the quarter turns 0 to 3.
    """

    def __init__(self) -> None:
        super().__init__()
        c = (24, 40, 64, 128, 160)
        self.body = nn.Sequential(
            _stem(c[0]), Block(c[0], c[1], 2), Block(c[1], c[2], 2), Block(c[2], c[3], 2), Block(c[3], c[3]),
            Block(c[3], c[4], 1),
        )  # fmt: skip
        self.where = nn.Conv2d(c[4], 1, 1)
        self.out = nn.Sequential(nn.Linear(c[4] * 3 + 2, 128), nn.ReLU(), nn.Linear(128, 9))

    def forward(self, image: Tensor) -> Tensor:
        """Locate in a batch of letterboxed photos, shape (B, 3, LOCATOR_PX, LOCATOR_PX), 0..1."""
        y = self.body(image - 0.5).float()
        n = y.shape[-1]
        heat = self.where(y).float().flatten(2).softmax(-1)
        at = (torch.arange(n, device=y.device, dtype=torch.float32) + 0.5) / n
        grid = heat.view(-1, n, n)
        xy = torch.stack([(grid.sum(1) * at).sum(-1), (grid.sum(2) * at).sum(-1)], -1)
        here = (heat @ y.flatten(2).transpose(1, 2))[:, 0]
        out: Tensor = self.out(torch.cat([here, y.mean((2, 3)), y.amax((2, 3)), xy], 1))
        return torch.cat([xy + out[:, :2] * 0.1, out[:, 2:]], 1)


def own_weights(file: Path, name: str) -> dict[str, Tensor]:
    """Read the weights of one network (``eye`` or ``locator``) from a training's ``weights.pt``, in full precision."""
    state = torch.load(file, map_location="cpu", weights_only=True)
    own = {k.removeprefix(f"{name}."): v for k, v in state.items() if k.startswith(f"{name}.")}
    return {k: v.float() if v.dtype.is_floating_point else v for k, v in own.items()}


def landmark_loss(r: Reading, xy: Tensor, use: Tensor) -> tuple[Tensor, Tensor]:
    """Mean distance, and the negative log likelihood of a bivariate Laplace-like law with the read covariance."""
    error = r.xy - xy
    distance = error.norm(dim=-1)
    log_sd = r.shape[..., :2].clamp(*LOG_SD_RANGE)
    rho = MOST_CORRELATION * torch.tanh(r.shape[..., 2])
    z = error.detach() / log_sd.exp()  # the covariance learns from the error, it does not excuse it
    q = (z[..., 0] ** 2 - 2 * rho * z[..., 0] * z[..., 1] + z[..., 1] ** 2) / (1 - rho**2)
    nll = (3 * (q + 1e-6)).sqrt() + log_sd.sum(-1) + 0.5 * torch.log(1 - rho**2)
    weight = use.float()
    total = weight.sum().clamp_min(1)
    return (distance * weight).sum() / total, (nll * weight).sum() / total


def angle_loss(bins: Tensor, rotation_right_deg: Tensor) -> Tensor:
    """Cross entropy against a narrow normal label; shape (B,)."""
    centres = torch.linspace(-BIN_EDGE_DEG, BIN_EDGE_DEG, BINS, device=bins.device)
    label = torch.softmax(-0.5 * ((centres - rotation_right_deg[:, None]) / BIN_STEP_DEG) ** 2, -1)
    return -(label * bins.float().log_softmax(-1)).sum(-1)


def read_angle_deg(bins: Tensor) -> Tensor:
    """Median of the distribution, degrees, right positive; shape (B,)."""
    p = bins.float().softmax(-1).cumsum(-1)
    i = (p < 0.5).sum(-1).clamp(1, BINS - 1)
    high, low = p.gather(1, i[:, None])[:, 0], p.gather(1, i[:, None] - 1)[:, 0]
    return ((i - 1) + (0.5 - low) / (high - low).clamp_min(1e-6) + 0.5) * BIN_STEP_DEG - BIN_EDGE_DEG


def points_angle_deg(xy: Tensor, depth: Tensor) -> Tensor:
    """Rotation angle of landmarks with their depths, shapes (B, K, 2) and (B, K) (weak perspective); shape (B,)."""
    p = torch.cat([xy, depth[..., None]], -1).float()
    return rotation_right_deg(*p[:, HIP_JOINTS].unbind(1), *p[:, ACROMIA].unbind(1))


def cosine(fraction: float, peak: float, warm: float = 0.02) -> float:
    """Learning rate over the course of a training: short rise, cosine fall."""
    return peak * min(1.0, fraction / warm) * 0.5 * (1 + math.cos(math.pi * min(1.0, fraction))) + 1e-6
