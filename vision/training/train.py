"""Trains the network and the locator on pictures drawn while training.

One H100-class processor, 25 minutes:

    python -m vision.training.bodies --out bodies.npz
    python -m vision.training.train --bodies bodies.npz --out run --seconds 1440 --compiled --optimiser muon --seed 31

Several processors of one machine share the work: put ``torchrun --nproc_per_node N -m`` in place of
``python -m``.  ``--resume`` goes on from DIR/state.pt (a training may be cut into pieces; the schedule runs
over ``--total-seconds``); ``--begin-with`` starts from finished weights with a fresh schedule.
"""

import argparse
import functools
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import torch
import torch.distributed as dist
import torch.nn.functional as F
from torch import Tensor, nn

from vision.network_form import LOCATOR_PX
from vision.training.bodies import BodyModel
from vision.training.muon import Muon
from vision.training.network import (
    Eye,
    Locator,
    angle_loss,
    cosine,
    landmark_loss,
    own_weights,
    points_angle_deg,
    read_angle_deg,
)
from vision.training.posing import Poser
from vision.training.scene import Batch, Recipe, Studio
from vision.training.shots import Photographer, Shelf


def eye_loss(
    net: nn.Module, batch: Batch, angle_head: bool = True, surface: bool = True
) -> tuple[Tensor, dict[str, Tensor]]:
    """Total loss of the network on one batch, and readable parts; ``angle_head`` or ``surface`` False leaves it out."""
    r = net(batch.image)
    good = batch.in_position & (batch.quarter_turns == 0)
    inside = ((batch.xy > 0) & (batch.xy < 1)).all(-1)
    use = good[:, None] & inside
    distance, nll = landmark_loss(r, batch.xy, use)
    log_scale = r.depth_scale.clamp(-6, 0)
    depth_error = (r.depth - batch.depth).abs()
    share = use.float() / use.float().sum().clamp_min(1)
    depth = ((depth_error * 6 + depth_error.detach() / log_scale.exp() + log_scale) * share).sum()
    seen = (F.binary_cross_entropy_with_logits(r.seen, batch.seen.float(), reduction="none") * share).sum()
    mean = good.float() / good.float().sum().clamp_min(1)
    angle = (angle_loss(r.bins, batch.rotation_right_deg) * mean).sum()
    a = torch.deg2rad(batch.azimuth_deg)
    direction = torch.stack([torch.cos(a), torch.sin(a)], -1)
    azimuth = ((r.azimuth - direction).abs().sum(-1) * mean).sum()
    lines = ((r.lines - batch.lines.flatten(1)).abs().sum(-1) * mean).sum()
    presence = F.binary_cross_entropy_with_logits(r.in_position, good.float())
    place, shown = r.surface[:, :4].float(), batch.surface[:, 4]
    outline = F.binary_cross_entropy_with_logits(r.surface[:, 4].float(), shown, reduction="none").mean((1, 2))
    pixels = shown * good[:, None, None]
    apart = (place - batch.surface[:, :4]).abs()
    off = ((apart[:, :3].sum(1) + 4 * apart[:, 3]) * pixels).sum() / pixels.sum().clamp_min(1)
    # what an error of the points means for the angle: it weighs on hips and acromia, and on the depth between them
    turned = torch.deg2rad(points_angle_deg(r.xy, r.depth) - points_angle_deg(batch.xy, batch.depth))
    points_angle = ((2 * torch.sin(turned / 2)).abs() * mean).sum()
    total = distance * 16 + points_angle + nll * 0.3 + depth + 0.2 * seen + 0.5 * azimuth + 0.5 * presence
    if angle_head:
        total = total + angle + 0.5 * lines
    if surface:
        total = total + 0.5 * off + 0.3 * (outline * mean).sum()
    error = ((read_angle_deg(r.bins) - batch.rotation_right_deg).abs() * mean).sum()
    parts = {"point": distance, "angle_mae": error, "presence": presence, "surface": off}
    parts["points_angle_mae"] = torch.rad2deg(points_angle)
    return total, {k: v.detach() for k, v in parts.items()}


def locator_loss(net: nn.Module, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Total loss of the locator on one batch, and readable parts."""
    out = net(batch.image)
    good = batch.in_position & (batch.quarter_turns == 0)
    low, high = batch.xy.amin(1), batch.xy.amax(1)
    centre, side = (low + high) / 2, (high - low).amax(1)
    mean = good.float() / good.float().sum().clamp_min(1)
    error = (out[:, :2] - centre).norm(dim=-1) / side
    size = (out[:, 2] - torch.log(side)).abs()
    presence = F.binary_cross_entropy_with_logits(out[:, 4], batch.in_position.float())
    here = batch.in_position.float()
    turns = F.cross_entropy(out[:, 5:9], batch.quarter_turns, reduction="none")
    turned = (turns * here).sum() / here.sum().clamp_min(1)
    total = ((error + size) * mean).sum() + presence + 0.3 * turned
    parts = {"centre": (error * mean).sum(), "size": (size * mean).sum(), "presence": presence}
    return total, {k: v.detach() for k, v in parts.items()}


@functools.cache
def _poser(bodies: Path, share: float, device: str) -> Poser:
    """Load the bodies, once for both studios."""
    poser = Poser(BodyModel.load(bodies), torch.device(device))
    poser.scores = poser.scores[: max(2, round(len(poser.scores) * share))]
    return poser


class Average:
    """Exponential moving average of a module's weights, on which the network is judged and shipped."""

    def __init__(self, module: nn.Module) -> None:
        self.state = {k: v.detach().clone().float() for k, v in module.state_dict().items()}

    @torch.no_grad()
    def update(self, module: nn.Module, share: Tensor) -> None:
        """Move by ``share`` (one number) of the way toward the present weights."""
        now = module.state_dict()
        moving = [k for k, v in now.items() if v.dtype.is_floating_point]
        mean = [self.state[k] for k in moving]
        way = torch._foreach_sub([now[k] for k in moving], mean)
        torch._foreach_mul_(way, share)
        torch._foreach_add_(mean, way)
        for k in now.keys() - set(moving):
            self.state[k].copy_(now[k])


Loss = Callable[[nn.Module, Batch], tuple[Tensor, dict[str, Tensor]]]


FIRST_AND_LAST = ("stem", "body.0", "heat", "where", "out")


def hidden_matrices(net: nn.Module) -> list[nn.Parameter]:
    """Weights of the convolutions and linear layers between the first and the last."""
    layers = [m for name, m in net.named_modules() if not name.startswith(FIRST_AND_LAST)]
    return [m.weight for m in layers if isinstance(m, nn.Conv2d | nn.Linear)]


class Learner:
    """One network with its optimisers and average, and one update of them from a batch.

    A small network's update is a thousand small kernels that take longer to start than to run.  ``captured`` records
    the whole update once as a CUDA graph and replays it.
    """

    WARM_UP = 4

    def __init__(
        self, net: nn.Module, loss: Loss, device: torch.device, wrapped: nn.Module, captured: bool, muon: bool = False
    ) -> None:
        self.net, self.loss, self.device, self.wrapped, self.captured = net, loss, device, wrapped, captured
        self.average = Average(net)
        hidden = hidden_matrices(net) if muon else []
        by_muon = {id(p) for p in hidden}
        decay = [p for p in net.parameters() if p.dim() > 1 and id(p) not in by_muon]
        rest = [p for p in net.parameters() if p.dim() <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
        rate = torch.tensor(1e-3, device=device) if captured else 1e-3
        adam = torch.optim.AdamW(groups, lr=rate, fused=device.type == "cuda", capturable=captured)
        self.optimisers: list[torch.optim.Optimizer] = [adam, *([Muon(hidden, lr=rate)] if hidden else [])]
        self.share = torch.ones((), device=device)
        self.taken = 0
        self.batch: Batch | None = None
        self.graph: torch.cuda.CUDAGraph | None = None
        self.parts: dict[str, Tensor] = {}

    def update(self, batch: Batch, rate: float, keep: float) -> dict[str, Tensor]:
        """Learn from one batch; returns the readable parts of the loss."""
        batch.image = batch.image.contiguous(memory_format=torch.channels_last)
        for group in (g for o in self.optimisers for g in o.param_groups):
            if self.captured:
                group["lr"].fill_(rate)
            else:
                group["lr"] = rate
        self.share.fill_(1 - keep)
        self.taken += 1
        if not self.captured:
            return self._take(batch)
        if self.batch is None:
            self.batch = batch
        for mine, new in zip(self.batch.tensors(), batch.tensors(), strict=True):
            mine.copy_(new)
        if self.taken <= self.WARM_UP:
            side = torch.cuda.Stream()
            side.wait_stream(torch.cuda.current_stream())
            with torch.cuda.stream(side):
                parts = self._take(self.batch)
            torch.cuda.current_stream().wait_stream(side)
            return parts
        if self.graph is None:
            self.graph = torch.cuda.CUDAGraph()
            self.net.zero_grad(set_to_none=True)
            with torch.cuda.graph(self.graph):
                self.parts = self._take(self.batch)
        self.graph.replay()
        return self.parts

    def _take(self, batch: Batch) -> dict[str, Tensor]:
        on = self.device.type == "cuda"
        with torch.autocast(self.device.type, torch.bfloat16, enabled=on, cache_enabled=not self.captured):
            loss, parts = self.loss(self.wrapped, batch)
        self.net.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        for optimiser in self.optimisers:
            optimiser.step()
        self.average.update(self.net, self.share)
        return parts


def parser() -> argparse.ArgumentParser:
    """All settings of a training."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=1200, help="length of this run")
    parser.add_argument("--total-seconds", type=float, default=None, help="length of the whole training")
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--uses", type=float, default=6, help="photographs made of each drawn picture")
    parser.add_argument("--shelf", type=int, default=8192, help="drawn pictures kept")
    parser.add_argument("--at-once", type=int, default=512, help="pictures drawn at once")
    parser.add_argument("--pool", type=int, default=4096, help="people posed at once")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=256, help="side of the network's crops, pixels; a multiple of 32")
    parser.add_argument("--share-bodies", type=float, default=1.0, help="ablation: use only this share of the bodies")
    parser.add_argument(
        "--without", default="",
        help="ablation: angle_head,surface,clothes,photographic,clutter,solids,occlusion,any_view",
    )  # fmt: skip
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--begin-with", type=Path, default=None, help="weights.pt of an earlier training")
    parser.add_argument("--peak", type=float, default=2e-3, help="highest learning rate")
    parser.add_argument("--optimiser", choices=("adamw", "muon"), default="adamw", help="of the hidden layers")
    parser.add_argument("--locator-every", type=int, default=10, help="each so many-th step; 0: none")
    parser.add_argument(
        "--compiled", action="store_true",
        help="fuse small steps into few kernels (takes a minute); in the network only where --size is a power of two",
    )  # fmt: skip
    parser.add_argument("--iterations", type=int, default=None, help="stop after so many steps (smoke run)")
    parser.add_argument("--save-every", type=float, default=120, help="seconds; DIR then holds what there is so far")
    return parser


HEADS = ("angle_head", "surface")


def left_out(without: str) -> tuple[dict[str, bool], dict[str, bool]]:
    """Split ``--without`` into parts of the recipe that are off, and what the network learns beside landmarks."""
    names = [name for name in without.split(",") if name]
    return {name: False for name in names if name not in HEADS}, {head: head not in names for head in HEADS}


def main() -> None:
    """Command line."""
    args = parser().parse_args()
    rank, world = int(os.environ.get("LOCAL_RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    cuda = torch.cuda.is_available()
    device = torch.device(f"cuda:{rank}" if cuda else "cpu")
    if cuda:
        torch.cuda.set_device(device)
        torch.backends.cuda.matmul.allow_tf32 = True
        torch.backends.cudnn.allow_tf32 = True
        torch.backends.cudnn.benchmark = True
    if world > 1:
        dist.init_process_group("nccl" if cuda else "gloo")
    total = args.total_seconds or args.seconds
    torch.manual_seed(args.seed)

    off, heads = left_out(args.without)
    fused = args.compiled and cuda
    recipe = Recipe(size=args.size, pool=args.pool, fused=fused, **off)
    wide = Recipe(
        size=LOCATOR_PX, wide=True, margin=1.0, other_positions=0.25, empty=0.1, pool=args.pool, fused=fused, **off
    )
    seed = args.seed * 1000 + rank
    args.out.mkdir(parents=True, exist_ok=True)
    state_file = args.out / "state.pt"
    state = torch.load(state_file, map_location=device, weights_only=False) if args.resume else None
    done_seconds, step = (state["seconds"], state["step"]) if state else (0.0, 0)
    poser = _poser(args.bodies, args.share_bodies, str(device))
    shelves = {}
    for number, (name, what) in enumerate({"eye": recipe, "locator": wide}.items()):
        own = seed + 500 * number + 17 * step
        kept = args.shelf // (1 + number)
        shelves[name] = Shelf(
            Studio(poser, what, own), Photographer(what, device, own), kept, args.at_once, args.uses
        )  # fmt: skip

    nets: dict[str, nn.Module] = {"eye": Eye().to(device), "locator": Locator().to(device)}
    if args.begin_with is not None:
        for name, net in nets.items():
            net.load_state_dict(own_weights(args.begin_with, name))
    losses: dict[str, Loss] = {
        "eye": functools.partial(eye_loss, angle_head=heads["angle_head"], surface=heads["surface"]),
        "locator": locator_loss,
    }  # fmt: skip
    recorded = fused and world == 1
    # crops of 320 and of 384 pixels gave no numbers but NaN from the first compiled updates on (H200), uncompiled none
    if recorded and args.size.bit_count() == 1:
        losses["eye"] = torch.compile(losses["eye"], dynamic=False)
    learners: dict[str, Learner] = {}
    for name, net in nets.items():
        net.to(memory_format=torch.channels_last)
        if state:
            net.load_state_dict(state[name])
        wrapped = net
        if world > 1:
            wrapped = nn.parallel.DistributedDataParallel(net, device_ids=[rank] if cuda else None)
        learner = Learner(net, losses[name], device, wrapped, recorded, args.optimiser == "muon")
        learners[name] = learner
        if state:
            learner.average.state = {k: v.to(device) for k, v in state[f"{name}_average"].items()}
            for optimiser, held in zip(learner.optimisers, state[f"{name}_optimisers"], strict=True):
                optimiser.load_state_dict(held)
    started = time.time()
    pictures = state["pictures"] if state else 0
    log: list[dict[str, float]] = []
    running: dict[str, Tensor] = {}
    waiting: dict[str, list[Batch]] = {"eye": [], "locator": []}
    clock = torch.zeros(2, device=device, dtype=torch.float64)  # elapsed share of the schedule, and whether to stop
    fraction, stop = 0.0, False
    saved = started

    def save() -> None:
        seconds = done_seconds + time.time() - started
        kept: dict[str, Any] = {"seconds": seconds, "step": step, "pictures": pictures}
        for name, learner in learners.items():
            kept |= {
                name: learner.net.state_dict(), f"{name}_average": learner.average.state,
                f"{name}_optimisers": [o.state_dict() for o in learner.optimisers],
            }  # fmt: skip
        weights = {
            f"{name}.{k}": v.half() if v.dtype.is_floating_point else v
            for name, learner in learners.items()
            for k, v in learner.average.state.items()
        }
        card: dict[str, Any] = {"recipe": asdict(recipe), "bodies": len(poser.scores), "seed": args.seed}
        card |= {"processors": world, "steps": step, "pictures": pictures, "seconds": seconds, "log": log}
        for what, file in ((kept, state_file), (weights, args.out / "weights.pt")):
            torch.save(what, file.with_suffix(".new"))
            file.with_suffix(".new").replace(file)  # never half a file, whenever the machine is taken away
        (args.out / "training.json").write_text(json.dumps(card, indent=1))

    while True:
        if step % 10 == 0:
            elapsed = time.time() - started
            fraction, stop = (done_seconds + elapsed) / total, elapsed >= args.seconds
            if world > 1:  # one clock for all processors, or their weights would drift apart
                clock[0], clock[1] = fraction, float(stop)
                dist.broadcast(clock, 0)
                fraction, stop = float(clock[0]), bool(clock[1])
            if rank == 0 and time.time() - saved > args.save_every:
                save()
                saved = time.time()
        if stop or (args.iterations is not None and step >= args.iterations):
            break
        locating = args.locator_every > 0 and step % args.locator_every == args.locator_every - 1
        name = "locator" if locating else "eye"
        if not waiting[name]:  # photographs are made for two updates at once, which costs no more than for one
            both = shelves[name].photographs(2 * args.batch)
            waiting[name] = [both[: args.batch], both[args.batch :]]
        keep = min(0.999, 1 - 1 / (step / 4 + 2))
        parts = learners[name].update(waiting[name].pop(), cosine(fraction, args.peak), keep)
        step += 1
        pictures += args.batch * world
        for k, v in parts.items():
            key = f"{name}_{k}"
            running[key] = running[key] * 0.98 + v * 0.02 if key in running else v.clone()
        if rank == 0 and (step % 1000 == 0 or step == 20):
            line = {"step": step, "seconds": round(done_seconds + time.time() - started, 1), "pictures": pictures}
            line["drawn"] = sum(shelf.drawn for shelf in shelves.values()) * world
            line |= {k: round(float(v), 4) for k, v in running.items()}
            log.append(line)
            print(json.dumps(line), flush=True)
    if rank == 0:
        save()
    if world > 1:
        dist.destroy_process_group()


if __name__ == "__main__":
    main()
