"""Draws triangle meshes with a depth buffer, many pictures at once.

On a graphics processor one small CUDA kernel (compiled at run time by CuPy) does the work; elsewhere the
same arithmetic runs in plain torch, slowly, so that a smoke training needs no graphics processor.
"""

from typing import Any

import numpy as np
import torch
from torch import Tensor

_KERNEL_SOURCE = r"""
extern "C" __global__ void draw(const float* xyz, const float* field, const int* tris, unsigned long long* buffer,
                                int B, int NV, int NT, int H, int W) {
  long long i = (long long)blockIdx.x * blockDim.x + threadIdx.x;
  if (i >= (long long)B * NT) return;
  int b = i / NT, t = i % NT;
  int v0 = tris[3*t], v1 = tris[3*t+1], v2 = tris[3*t+2];
  const float* f = field + (long long)b * NV;
  float f0 = f[v0], f1 = f[v1], f2 = f[v2];
  if (f0 < 0.f && f1 < 0.f && f2 < 0.f) return;
  const float* p = xyz + (long long)b * NV * 3;
  float x0 = p[3*v0], y0 = p[3*v0+1], z0 = p[3*v0+2];
  float x1 = p[3*v1], y1 = p[3*v1+1], z1 = p[3*v1+2];
  float x2 = p[3*v2], y2 = p[3*v2+1], z2 = p[3*v2+2];
  if (z0 < 0.05f || z1 < 0.05f || z2 < 0.05f) return;
  float area = (x1-x0)*(y2-y0) - (x2-x0)*(y1-y0);
  if (fabsf(area) < 1e-9f) return;
  int xa = max(0, (int)ceilf(fminf(x0, fminf(x1, x2)) - .5f));
  int xb = min(W-1, (int)floorf(fmaxf(x0, fmaxf(x1, x2)) - .5f));
  int ya = max(0, (int)ceilf(fminf(y0, fminf(y1, y2)) - .5f));
  int yb = min(H-1, (int)floorf(fmaxf(y0, fmaxf(y1, y2)) - .5f));
  float inv = 1.f / area;
  for (int y = ya; y <= yb; ++y) for (int x = xa; x <= xb; ++x) {
    float px = x + .5f, py = y + .5f;
    float w1 = ((px-x0)*(y2-y0) - (x2-x0)*(py-y0)) * inv;
    float w2 = ((x1-x0)*(py-y0) - (px-x0)*(y1-y0)) * inv;
    float w0 = 1.f - w1 - w2;
    if (w0 < -1e-5f || w1 < -1e-5f || w2 < -1e-5f) continue;
    if (w0*f0 + w1*f1 + w2*f2 < 0.f) continue;
    float z = w0*z0 + w1*z1 + w2*z2;
    unsigned long long key = ((unsigned long long)__float_as_uint(z) << 32) | (unsigned int)t;
    atomicMin(buffer + ((long long)b * H + y) * W + x, key);
  }
}
"""
_kernel: Any = None


def _draw_cuda(xyz: Tensor, field: Tensor, tris: Tensor, height: int, width: int) -> Tensor:
    import cupy

    global _kernel
    if _kernel is None:
        _kernel = cupy.RawKernel(_KERNEL_SOURCE, "draw")
    B, NV, _ = xyz.shape
    NT = len(tris)
    buffer = torch.full((B, height, width), -1, dtype=torch.int64, device=xyz.device)  # all bits set: farthest
    n = B * NT
    stream = cupy.cuda.ExternalStream(torch.cuda.current_stream().cuda_stream)
    with cupy.cuda.Device(xyz.device.index or 0), stream:
        _kernel(
            ((n + 255) // 256,), (256,),
            (
                *(np.uint64(t.data_ptr()) for t in (xyz, field, tris, buffer)),
                *(np.int32(i) for i in (B, NV, NT, height, width)),
            ),
        )  # fmt: skip
    return buffer


def _draw_torch(xyz: Tensor, field: Tensor, tris: Tensor, height: int, width: int) -> Tensor:
    far = torch.iinfo(torch.int64).max
    out = torch.full((len(xyz), height * width), far, dtype=torch.int64, device=xyz.device)
    for b in range(len(xyz)):
        f = field[b][tris]
        p = xyz[b][tris]
        keep = (f >= 0).any(1) & (p[..., 2] > 0.05).all(1)
        number = torch.nonzero(keep)[:, 0]
        f, p = f[keep], p[keep]
        (x0, x1, x2), (y0, y1, y2) = p[..., 0].unbind(1), p[..., 1].unbind(1)
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        inverse = torch.where(area.abs() < 1e-9, torch.zeros_like(area), 1 / area)
        low = (p[..., :2].amin(1) - 0.5).ceil().long()
        size = ((p[..., :2].amax(1) - 0.5).floor().long() - low + 1).clamp(0, 40)
        for dy in range(int(size[:, 1].max()) if len(size) else 0):
            tall = torch.nonzero(size[:, 1] > dy)[:, 0]
            for dx in range(int(size[tall, 0].max())):
                m = tall[size[tall, 0] > dx]
                x, y = low[m, 0] + dx, low[m, 1] + dy
                px, py = x + 0.5, y + 0.5
                w1 = ((px - x0[m]) * (y2 - y0)[m] - (x2 - x0)[m] * (py - y0[m])) * inverse[m]
                w2 = ((x1 - x0)[m] * (py - y0[m]) - (px - x0[m]) * (y1 - y0)[m]) * inverse[m]
                w = torch.stack([1 - w1 - w2, w1, w2], 1)
                ok = (w >= -1e-5).all(1) & ((w * f[m]).sum(1) >= 0) & (inverse[m] != 0)
                ok &= (x >= 0) & (x < width) & (y >= 0) & (y < height)
                z = (w * p[m][..., 2]).sum(1)[ok].contiguous()
                key = (z.view(torch.int32).long() << 32) | number[m][ok]
                out[b].scatter_reduce_(0, (y * width + x)[ok], key, "amin")
    return torch.where(out == far, -1, out).view(len(xyz), height, width)


def draw(xyz: Tensor, field: Tensor, tris: Tensor, height: int, width: int) -> tuple[Tensor, Tensor]:
    """Nearest triangle and its depth at every pixel.

    Parameters
    ----------
    xyz
        Shape (B, NV, 3): pixel column, pixel row, depth (positive in front).
    field
        Shape (B, NV): where the interpolated value is negative the surface is cut away.
    tris
        Shape (NT, 3), int32, shared by the batch.
    height, width
        Size of the pictures.

    Returns
    -------
    triangle : (B, H, W) int64, -1 where nothing was hit
    depth : (B, H, W), 1e6 where nothing was hit

    """
    paint = _draw_cuda if xyz.is_cuda else _draw_torch
    packed = paint(xyz.float().contiguous(), field.float().contiguous(), tris.int().contiguous(), height, width)
    hit = packed != -1
    triangle = torch.where(hit, packed & 0xFFFFFFFF, -1)
    depth = torch.where(hit, (packed >> 32).int().view(torch.float32), 1e6)
    return triangle, depth


def barycentric(xyz: Tensor, tris: Tensor, triangle: Tensor) -> tuple[Tensor, Tensor]:
    """Vertex numbers (B, H, W, 3) and weights (B, H, W, 3) at every pixel of ``triangle`` (-1 treated as 0)."""
    B, H, W = triangle.shape
    v = tris.long()[triangle.clamp_min(0)]
    flat = v.view(B, -1)
    xy = xyz[..., :2].gather(1, flat[..., None].expand(-1, -1, 2)).view(B, H, W, 3, 2)
    ys, xs = torch.meshgrid(
        torch.arange(H, device=xyz.device) + 0.5, torch.arange(W, device=xyz.device) + 0.5, indexing="ij"
    )
    p0, e1, e2 = xy[..., 0, :], xy[..., 1, :] - xy[..., 0, :], xy[..., 2, :] - xy[..., 0, :]
    area = e1[..., 0] * e2[..., 1] - e2[..., 0] * e1[..., 1]
    area = torch.where(area.abs() < 1e-9, torch.ones_like(area), area)
    dx, dy = xs - p0[..., 0], ys - p0[..., 1]
    w1 = ((dx * e2[..., 1] - e2[..., 0] * dy) / area).clamp(0, 1)
    w2 = ((e1[..., 0] * dy - dx * e1[..., 1]) / area).clamp(0, 1)
    return v, torch.stack([(1 - w1 - w2).clamp(0, 1), w1, w2], -1)
