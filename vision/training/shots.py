"""Drawn pictures are framed and photographed anew each time they are used: zoom, roll, flip, things in front, faults.

Drawing a person costs several times what learning from the picture costs.  A shelf keeps the latest drawn pictures,
and every picture is used a few times, each time as another photograph.
"""

import math
import random

import torch
import torch.nn.functional as F
from torch import Tensor

from vision.landmark_names import MIRRORED
from vision.training.scene import Batch, Recipe, Studio


class Photographer:
    """Turns drawn pictures into photographs with the labels that belong to them."""

    def __init__(self, recipe: Recipe, device: torch.device, seed: int) -> None:
        self.recipe, self.device = recipe, device
        self.g = torch.Generator(device).manual_seed(seed)
        self.host = random.Random(seed)  # noqa: S311  choices made on the host: reading one back would stall the device

    def u(self, low: float, high: float, *shape: int) -> Tensor:
        """Draw uniform numbers."""
        return torch.rand(*shape, generator=self.g, device=self.device) * (high - low) + low

    def n(self, sd: float, *shape: int) -> Tensor:
        """Draw normal numbers of mean zero."""
        return torch.randn(*shape, generator=self.g, device=self.device) * sd

    @torch.no_grad()
    def shoot(self, drawn: Batch, vary: bool = True) -> Batch:
        """Photograph each drawn picture once; ``vary`` False frames all alike, upright and unflipped (for sweeps)."""
        rec, dev = self.recipe, self.device
        B = len(drawn.image)
        share = torch.full((B,), 1 / rec.margin, device=dev)
        roll, shift = torch.zeros(B, device=dev), torch.zeros(B, 2, device=dev)
        if vary:
            low = 1 - 2 * (1 - 1 / rec.margin)  # as much closer as farther away
            share = self.u(low, 1.0, B) * 0.97 + 0.03 / rec.margin
            roll = torch.where(self.u(0, 1, B) < 0.2, self.u(-20, 20, B), self.n(3, B))
            slack = ((1 - share) / 2)[:, None]
            shift = torch.maximum(torch.minimum(self.n(0.05, B, 2), slack), -slack)
        c, s = torch.cos(torch.deg2rad(roll)), torch.sin(torch.deg2rad(roll))
        turned = torch.stack([torch.stack([c, -s], -1), torch.stack([s, c], -1)], -2)  # of the frame in the picture
        grid_to = torch.cat([turned * share[:, None, None], 2 * shift[..., None]], -1)
        grid = F.affine_grid(grid_to, [B, 3, rec.size, rec.size], align_corners=False)
        image = F.grid_sample(drawn.image.float(), grid, mode="bilinear", padding_mode="border", align_corners=False)
        surface = drawn.surface.float()
        if not rec.wide:
            coarse = F.affine_grid(grid_to, [B, 5, rec.size // 4, rec.size // 4], align_corners=False)
            surface = F.grid_sample(surface, coarse, "nearest", "zeros", align_corners=False)
            surface[:, 3] /= share[:, None, None]  # as the depth of the landmarks
        to = torch.einsum("bji,bkj->bki", turned, drawn.xy - 0.5 - shift[:, None]) / share[:, None, None] + 0.5
        lines = torch.cat([torch.einsum("bji,bkj->bki", turned, drawn.lines[..., :2]), drawn.lines[..., 2:]], -1)
        depth, theta, azimuth = drawn.depth / share[:, None], drawn.rotation_right_deg, drawn.azimuth_deg
        seen = drawn.seen & ((to > 0) & (to < 1)).all(-1)
        if rec.occlusion:
            image, covered = self._occluders(image, to)
            seen = seen & ~covered
        turns = torch.zeros(B, dtype=torch.long, device=dev)
        if vary:
            flip = self.u(0, 1, B) < 0.5
            image = torch.where(flip[:, None, None, None], image.flip(3), image)
            mirrored = torch.stack([1 - to[..., 0], to[..., 1]], -1)[:, MIRRORED]
            to = torch.where(flip[:, None, None], mirrored, to)
            depth = torch.where(flip[:, None], depth[:, MIRRORED], depth)
            seen = torch.where(flip[:, None], seen[:, MIRRORED], seen)
            theta = torch.where(flip, -theta, theta)
            azimuth = torch.where(flip, (360 - azimuth) % 360 - 180, azimuth)  # right side 0 becomes left side 180
            mirror = torch.tensor([-1.0, 1, 1, 1, 1], device=dev)[:, None, None]
            surface = torch.where(flip[:, None, None, None], surface.flip(3) * mirror, surface)
            # mirrored, and from the other end
            lines = torch.where(flip[:, None, None], lines * torch.tensor([1.0, -1, -1], device=dev), lines)
            any_turn = torch.randint(1, 4, (B,), generator=self.g, device=dev)
            turns = torch.where(self.u(0, 1, B) < (0.3 if rec.wide else 0.05), any_turn, 0)
            for k in (1, 2, 3):
                image = torch.where((turns == k)[:, None, None, None], image.rot90(k, (2, 3)), image)
        if rec.photographic:
            image = self._photograph(image)
        return Batch(image.clamp(0, 1), to, depth, seen, theta, azimuth, lines, drawn.in_position, turns, surface)

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
        finer = S / 256  # faults are those of the photo, whatever its crop is resampled to
        lower = self.host.uniform(0.3 / max(1.0, finer), 1.0)
        small = F.interpolate(image[a], scale_factor=lower, mode="bilinear", antialias=True)
        image = image.clone()
        image[a] = F.interpolate(small, S, mode="bilinear", align_corners=False)
        if self.host.random() < 0.4:  # motion blur along a random direction
            k, angle = max(2, round(self.host.uniform(2.5, 7.5) * finer)), self.host.uniform(0, math.pi)
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


class Shelf:
    """Keeps the latest drawn pictures and hands out photographs of them.

    Parameters
    ----------
    studio, photographer
        Who draws, and who photographs.
    room_for
        Pictures kept; each is replaced after it was used ``uses`` times on average.
    at_once
        Pictures drawn at once.
    uses
        Photographs made of each drawn picture.

    """

    def __init__(self, studio: Studio, photographer: Photographer, room_for: int, at_once: int, uses: float) -> None:
        self.studio, self.photographer = studio, photographer
        self.room_for, self.at_once, self.uses = max(room_for, at_once), at_once, uses
        self.kept: Batch | None = None
        self.filled = self.oldest = self.drawn = 0
        self.owed = 0.0  # pictures to be drawn before the next photograph

    def _restock(self) -> Batch:
        new = self.studio.draw(self.at_once)
        new.image, new.surface = new.image.half(), new.surface.half()
        if self.kept is None:
            self.kept = Batch(
                *(torch.zeros((self.room_for, *t.shape[1:]), dtype=t.dtype, device=t.device) for t in new.tensors())
            )
        place = (torch.arange(self.at_once, device=self.studio.device) + self.oldest) % self.room_for
        for shelf, tensor in zip(self.kept.tensors(), new.tensors(), strict=True):
            shelf[place] = tensor
        self.oldest = (self.oldest + self.at_once) % self.room_for
        self.filled = min(self.room_for, self.filled + self.at_once)
        self.drawn += self.at_once
        return self.kept

    def photographs(self, count: int) -> Batch:
        """Return ``count`` photographs of different pictures (of equal ones where fewer are kept)."""
        kept = self.kept
        enough = min(self.room_for, max(count, 4 * self.at_once))
        while kept is None or self.filled < enough or self.owed >= self.at_once:
            kept = self._restock()
            self.owed = max(0.0, self.owed - self.at_once)
        self.owed += count / self.uses
        pick = torch.randperm(self.filled, generator=self.photographer.g, device=self.photographer.device)[:count]
        return self.photographer.shoot(kept[pick])
