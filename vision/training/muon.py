"""An optimiser for weights that are matrices: momentum, made orthogonal before it is applied.

K. Jordan et al., "Muon: an optimizer for hidden layers in neural networks" (2024), with the step scaled so that
learning rates of AdamW serve (J. Liu et al., "Muon is scalable for LLM training", 2025, arXiv:2502.16982).  PyTorch's
own takes neither convolutions nor a learning rate that lives on the graphics processor, which a recorded update needs.
"""

from collections import defaultdict
from collections.abc import Iterable

import torch
from torch import Tensor

QUINTIC = (3.4445, -4.7750, 2.0315)
"""Coefficients of the iteration, from Jordan et al. 2024."""
ITERATIONS = 5
STEP_SIZE = 0.2
"""Root mean square of an entry's move at a learning rate of 1, about that of AdamW (Liu et al. 2025)."""
BUCKETS = (128, 192, 448)
"""Matrices up to so many rows are handled together, smaller ones filled up with zeros: few large products take a
fraction of the time of many small ones, and zeros change no singular vector."""


def orthogonal(matrices: Tensor) -> Tensor:
    """Bring all singular values near 1 (those of 0 stay), keeping the singular vectors.

    Shape (N, rows, columns), not more rows than columns.
    """
    x = matrices / (matrices.norm(dim=(-2, -1), keepdim=True) + 1e-7)
    a, b, c = QUINTIC
    for _ in range(ITERATIONS):
        square = x @ x.mT
        x = torch.baddbmm(x, torch.baddbmm(square, square, square, beta=b, alpha=c), x, beta=a)
    return x


class Muon(torch.optim.Optimizer):
    """Steps along the orthogonalised momentum; convolutions count as matrices of one row for each output.

    Parameters
    ----------
    matrices
        Weights of two or more dimensions.
    lr
        Learning rate, a number or a tensor of one.
    weight_decay
        Share of the weights taken away at each step, times the learning rate.
    momentum
        Share of the earlier direction that is kept.

    """

    def __init__(
        self, matrices: Iterable[Tensor], lr: float | Tensor, weight_decay: float = 0.05, momentum: float = 0.95
    ) -> None:
        super().__init__(matrices, {"lr": lr, "weight_decay": weight_decay, "momentum": momentum})

    @torch.no_grad()
    def step(self, closure: None = None) -> None:  # type: ignore[override]
        """Update the weights from their gradients."""
        del closure
        for group in self.param_groups:
            buckets: dict[int, list[tuple[Tensor, Tensor]]] = defaultdict(list)
            for p in group["params"]:
                if p.grad is None:
                    continue
                state = self.state[p]
                if "momentum" not in state:
                    state["momentum"] = torch.zeros_like(p)
                held = state["momentum"].mul_(group["momentum"]).add_(p.grad)
                way = torch.add(p.grad, held, alpha=group["momentum"]).flatten(1)
                way = way.T if way.shape[0] > way.shape[1] else way
                bucket = next((size for size in BUCKETS if way.shape[0] <= size), way.shape[0])
                buckets[bucket].append((p, way))
            rate = group["lr"]
            for members in buckets.values():
                first = members[0][1]
                rows, columns = (max(way.shape[k] for _, way in members) for k in (0, 1))
                kind = torch.bfloat16 if first.is_cuda else first.dtype
                stack = torch.zeros(len(members), rows, columns, dtype=kind, device=first.device)
                for place, (_, way) in zip(stack, members, strict=True):
                    place[: way.shape[0], : way.shape[1]] = way
                for move, (p, way) in zip(orthogonal(stack), members, strict=True):
                    step = move[: way.shape[0], : way.shape[1]]
                    step = step.T if len(p) > p[0].numel() else step
                    p.mul_(1 - rate * group["weight_decay"])
                    p.sub_(step.reshape(p.shape) * (rate * STEP_SIZE * max(way.shape) ** 0.5))
