"""Trains the network again and again, each time without one thing, and judges all on the same crops.

    python -m vision.training.ablations --bodies bodies.npz --crops crops.npz --out DIR --seconds 400

One training after the other on each graphics processor there is.  Each is first begun and thrown away: compiling takes
80 seconds longer for the first of a kind than for the next, which would cost some variants a quarter of their time.
Prints one row a training; the crops are those of :mod:`vision.training.judge`.  What falls behind ``full`` shows what
matters.
"""

import argparse
import os
import queue
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import torch

from vision.training.judge import judge

VARIANTS: dict[str, tuple[str, ...]] = {
    "full": (),
    "no angle head": ("--without", "angle_head"),
    "no surface": ("--without", "surface"),
    "a tenth of the bodies": ("--share-bodies", "0.1"),
    "half of the resolution": ("--size", "128"),
    "no clothes": ("--without", "clothes"),
    "no photographic faults": ("--without", "photographic"),
    "empty rooms": ("--without", "clutter,solids"),
    "nothing in front": ("--without", "occlusion"),
    "side-on only": ("--without", "any_view"),
    "every picture used once": ("--uses", "1"),
}

COMPILED_AFTER = "20"  # updates


def folder_of(out: Path, variant: str) -> Path:
    """Where a variant's training lies."""
    return out / variant.replace(" ", "-")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--crops", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=400, help="length of each training")
    parser.add_argument("--cards", default=",".join(str(i) for i in range(max(1, torch.cuda.device_count()))))
    parser.add_argument("--judge-only", action="store_true", help="judge what lies in DIR")
    args = parser.parse_args()
    waiting: queue.SimpleQueue[str] = queue.SimpleQueue()
    for variant in VARIANTS:
        waiting.put(variant)

    def work(card: str) -> None:
        while True:
            try:
                variant = waiting.get_nowait()
            except queue.Empty:
                return
            out = folder_of(args.out, variant)
            out.mkdir(parents=True, exist_ok=True)
            command = [sys.executable, "-W", "ignore", "-m", "vision.training.train", "--bodies", str(args.bodies)]
            command += ["--out", str(out), "--locator-every", "0", "--compiled", "--optimiser", "muon"]
            env = {**os.environ, "CUDA_VISIBLE_DEVICES": card}
            with (out / "log.txt").open("w") as log:
                for length in ("--iterations", COMPILED_AFTER), ("--seconds", str(args.seconds)):
                    done = subprocess.run(  # noqa: S603  our own command
                        [*command, *VARIANTS[variant], *length], env=env, check=False, stdout=log,
                        stderr=subprocess.STDOUT,
                    )  # fmt: skip
            print(f"{variant}: ended with {done.returncode}", flush=True)

    if not args.judge_only:
        workers = [threading.Thread(target=work, args=(card,)) for card in args.cards.split(",")]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    with np.load(args.crops) as data:
        crops = dict(data)
    for variant in VARIANTS:
        weights = folder_of(args.out, variant) / "weights.pt"
        print(f"== {variant}")
        if weights.exists():
            print("\n".join(judge(weights, crops, device)), flush=True)


if __name__ == "__main__":
    main()
