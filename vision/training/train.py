"""Trains the network and the locator on pictures drawn while training.

One H100-class processor, about twenty minutes:

    python -m vision.training.bodies --out bodies.npz
    python -m vision.training.train --bodies bodies.npz --out DIR --seconds 1200

Several processors of one machine share the work: put ``torchrun --nproc_per_node N -m`` in place of
``python -m``.  ``--resume`` goes on from DIR/state.pt (a training may be cut into pieces; the schedule runs
over ``--total-seconds``); ``--begin-with`` starts from finished weights with a fresh schedule.  Posing is many small
steps that keep the host busy and the graphics processor waiting: ``--drawers 3`` draws in processes of their own, so
that posing, drawing and training overlap.
"""

import argparse
import functools
import json
import multiprocessing
import os
import queue
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import torch
import torch.distributed as dist
import torch.multiprocessing as mp
import torch.nn.functional as F
from torch import Tensor, nn

from vision.training.bodies import BodyModel
from vision.training.network import Eye, Locator, angle_loss, cosine, landmark_loss, own_weights, read_angle_deg
from vision.training.posing import Poser
from vision.training.scene import Batch, Recipe, Studio


def eye_loss(net: nn.Module, batch: Batch) -> tuple[Tensor, dict[str, Tensor]]:
    """Total loss of the network on one batch, and readable parts."""
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
    presence = F.binary_cross_entropy_with_logits(r.in_position, good.float())
    total = distance * 12 + nll * 0.3 + depth + 0.2 * seen + angle + 0.5 * azimuth + 0.5 * presence
    error = ((read_angle_deg(r.bins) - batch.rotation_right_deg).abs() * mean).sum()
    return total, {"point": distance.detach(), "angle_mae": error.detach(), "presence": presence.detach()}


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


@dataclass(frozen=True)
class Source:
    """Where a drawing process gets its people from, and what it draws."""

    bodies: Path
    share_bodies: float
    device: str
    recipe: Recipe
    seed: int

    def studio(self) -> Studio:
        """Set up the studio."""
        return Studio(_poser(self.bodies, self.share_bodies, self.device), self.recipe, self.seed)


@functools.cache
def _poser(bodies: Path, share: float, device: str) -> Poser:
    """Load the bodies, once for all studios of a process."""
    poser = Poser(BodyModel.load(bodies), torch.device(device))
    poser.scores = poser.scores[: max(2, round(len(poser.scores) * share))]
    return poser


def _draw_for_ever(source: Source, count: int, drawn: "multiprocessing.Queue[Batch]") -> None:
    if source.device.startswith("cuda"):
        torch.cuda.set_device(source.device)
    else:
        torch.set_num_threads(1)
    studio = source.studio()
    while True:
        drawn.put(studio.batch(count))


class Supply:
    """Batches from one studio in this process, or from several in processes of their own (``drawers`` > 0)."""

    def __init__(self, source: Source, count: int, drawers: int) -> None:
        self.count = count
        self.studio = source.studio() if drawers == 0 else None
        self.processes = []
        if drawers:
            context = mp.get_context("spawn")
            self.queue = context.Queue(maxsize=2)
            for number in range(drawers):
                own = replace(source, seed=source.seed + 7919 * (number + 1))
                process = context.Process(target=_draw_for_ever, args=(own, count, self.queue), daemon=True)
                process.start()
                self.processes.append(process)

    def next(self) -> Batch:
        """Return a batch nobody has had."""
        if self.studio is not None:
            return self.studio.batch(self.count)
        while True:
            try:
                batch: Batch = self.queue.get(timeout=5)
            except queue.Empty:
                if not all(p.is_alive() for p in self.processes):
                    raise RuntimeError("a drawing process has ended; its message stands above") from None
            else:
                return batch

    def close(self) -> None:
        """End the drawing processes."""
        for process in self.processes:
            process.terminate()
            process.join()


class Average:
    """Exponential moving average of a module's weights, on which the network is judged and shipped."""

    def __init__(self, module: nn.Module) -> None:
        self.state = {k: v.detach().clone().float() for k, v in module.state_dict().items()}

    @torch.no_grad()
    def update(self, module: nn.Module, keep: float) -> None:
        """Move toward the present weights."""
        for k, v in module.state_dict().items():
            if v.dtype.is_floating_point:
                self.state[k].mul_(keep).add_(v.float(), alpha=1 - keep)
            else:
                self.state[k].copy_(v)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=1200, help="length of this run")
    parser.add_argument("--total-seconds", type=float, default=None, help="length of the whole training")
    parser.add_argument("--batch", type=int, default=256)
    parser.add_argument("--split", type=int, default=2, help="weight updates from each batch drawn")
    parser.add_argument("--pool", type=int, default=768, help="people posed at once")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=256)
    parser.add_argument("--share-bodies", type=float, default=1.0, help="ablation: use only this share of the bodies")
    parser.add_argument(
        "--without", default="", help="ablation: clothes,photographic,clutter,solids,occlusion,any_view"
    )
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--begin-with", type=Path, default=None, help="weights.pt of an earlier training")
    parser.add_argument("--peak", type=float, default=1.5e-3, help="highest learning rate")
    parser.add_argument("--drawers", type=int, default=0, help="drawing processes for each of network and locator")
    parser.add_argument("--iterations", type=int, default=None, help="stop after so many steps (smoke run)")
    args = parser.parse_args()
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

    off = {name: False for name in args.without.split(",") if name}
    recipe = Recipe(size=args.size, pool=args.pool, **off)
    wide = Recipe(size=args.size // 2, wide=True, other_positions=0.25, empty=0.1, pool=args.pool, **off)
    seed = args.seed * 1000 + rank
    args.out.mkdir(parents=True, exist_ok=True)
    state_file = args.out / "state.pt"
    state = torch.load(state_file, map_location=device, weights_only=False) if args.resume else None
    done_seconds, step = (state["seconds"], state["step"]) if state else (0.0, 0)
    source = Source(args.bodies, args.share_bodies, str(device), recipe, seed + 17 * step)
    far_source = replace(source, recipe=wide, seed=seed + 500 + 17 * step)
    supplies = {
        "eye": Supply(source, args.batch, args.drawers),
        "locator": Supply(far_source, args.batch, min(1, args.drawers)),
    }

    nets: dict[str, nn.Module] = {"eye": Eye().to(device), "locator": Locator().to(device)}
    if args.begin_with is not None:
        for name, net in nets.items():
            net.load_state_dict(own_weights(args.begin_with, name))
    averages = {}
    optimisers = {}
    for name, net in nets.items():
        net.to(memory_format=torch.channels_last)
        if state:
            net.load_state_dict(state[name])
        averages[name] = Average(net)
        decay = [p for p in net.parameters() if p.dim() > 1]
        rest = [p for p in net.parameters() if p.dim() <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
        optimisers[name] = torch.optim.AdamW(groups, lr=1e-3)
        if state:
            averages[name].state = {k: v.to(device) for k, v in state[f"{name}_average"].items()}
            optimisers[name].load_state_dict(state[f"{name}_optimiser"])
    wrapped = {
        k: nn.parallel.DistributedDataParallel(n, device_ids=[rank] if cuda else None) if world > 1 else n
        for k, n in nets.items()
    }
    losses = {"eye": eye_loss, "locator": locator_loss}
    started = time.time()
    pictures = state["pictures"] if state else 0
    log: list[dict[str, float]] = []
    running: dict[str, Tensor] = {}
    clock = torch.zeros(2, device=device, dtype=torch.float64)  # elapsed share of the schedule, and whether to stop
    fraction, stop = 0.0, False
    while True:
        if step % 10 == 0:  # one clock for all processors, or their weights would drift apart
            elapsed = time.time() - started
            clock[0], clock[1] = (done_seconds + elapsed) / total, float(elapsed >= args.seconds)
            if world > 1:
                dist.broadcast(clock, 0)
            fraction, stop = float(clock[0]), bool(clock[1])
        if stop or (args.iterations is not None and step >= args.iterations):
            break
        name = "locator" if step % 4 == 3 else "eye"
        batch = supplies[name].next()
        optimiser = optimisers[name]
        for group in optimiser.param_groups:
            group["lr"] = cosine(fraction, args.peak)
        for piece in batch.parts(args.split):
            with torch.autocast(device.type, torch.bfloat16, enabled=cuda):
                piece.image = piece.image.contiguous(memory_format=torch.channels_last)
                loss, parts = losses[name](wrapped[name], piece)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(nets[name].parameters(), 2.0)
            optimiser.step()
        averages[name].update(nets[name], min(0.995, 1 - 1 / (step / 4 + 2)))
        step += 1
        pictures += args.batch * world
        for k, v in parts.items():
            key = f"{name}_{k}"
            running[key] = running.get(key, v) * 0.98 + v * 0.02
        if rank == 0 and (step % 250 == 0 or step == 20):
            line = {"step": step, "seconds": round(done_seconds + time.time() - started, 1), "pictures": pictures}
            line |= {k: round(float(v), 4) for k, v in running.items()}
            log.append(line)
            print(json.dumps(line), flush=True)
    for supply in supplies.values():
        supply.close()
    if rank == 0:
        kept = {"seconds": done_seconds + time.time() - started, "step": step, "pictures": pictures}
        for name, net in nets.items():
            kept |= {
                name: net.state_dict(), f"{name}_average": averages[name].state,
                f"{name}_optimiser": optimisers[name].state_dict(),
            }  # fmt: skip
        torch.save(kept, state_file)
        weights = {
            f"{k}.{n}": v.half() if v.dtype.is_floating_point else v for k in nets for n, v in averages[k].state.items()
        }
        torch.save(weights, args.out / "weights.pt")
        card = {
            "recipe": asdict(recipe),
            "bodies": len(_poser(args.bodies, args.share_bodies, str(device)).scores),
            "seed": args.seed,
            "processors": world,
        }
        card |= {"steps": step, "pictures": pictures, "seconds": kept["seconds"], "log": log}
        (args.out / "training.json").write_text(json.dumps(card, indent=1))
    if world > 1:
        dist.destroy_process_group()


if __name__ == "__main__":
    main()
