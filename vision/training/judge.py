"""Judges trained weights on crops with known truth, without the program around the network.

    python -m tests.bench.cut_crops FOLDER --out crops.npz          # crops of rendered photos, by their true extent
    python -m vision.training.judge --crops crops.npz --weights DIR/weights.pt ...

The side of the crops that the network was trained on stands in ``training.json`` beside the weights.  For comparing
trainings with each other (ablations): finding the person is not in it, nor is the torso fit.
"""

import argparse
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from vision.training.export import load, trained_size
from vision.training.network import Eye, Reading, points_angle_deg, read_angle_deg


@torch.no_grad()
def judge(weights: Path, crops: dict[str, np.ndarray], device: torch.device) -> list[str]:
    """One row of figures for each group of crops (see ``tests/bench/cut_crops.py``)."""
    net = load(Eye(), weights).to(device)
    size = trained_size(weights)
    image = torch.from_numpy(crops["image"]).to(device).float() / 255
    image = F.interpolate(image, size, mode="bilinear", antialias=True, align_corners=False)
    readings = [net(part) for part in image.split(32)]
    read = Reading(*(torch.cat([getattr(r, k) for r in readings]).float().cpu() for k in Reading.__dataclass_fields__))
    true = torch.from_numpy(crops["theta"]).float()
    trunk = torch.from_numpy(crops["trunk"]).float()[:, None]
    apart = (read.xy - torch.from_numpy(crops["xy"]).float()).norm(dim=-1) / trunk
    visible = torch.from_numpy(crops["visible"])
    rows = []
    for group in ("side", "foot", "start"):
        some = torch.from_numpy(crops["group"] == group)
        if not some.any():
            continue

        def errors(angle: Tensor, some: Tensor = some) -> str:
            e = (angle - true)[some] * true[some].sign()
            return (
                f"{float(e.abs().mean()):5.2f} (P95 {float(e.abs().quantile(0.95)):5.1f}, bias {float(e.mean()):5.1f})"
            )

        seen, hidden = apart[some][visible[some]].median(), apart[some][~visible[some]].median()
        rows.append(
            f"{group:6s} n {int(some.sum()):3d}  distribution {errors(read_angle_deg(read.bins))}"
            f"  points {errors(points_angle_deg(read.xy, read.depth))}"
            f"  landmarks {float(seen):.4f} seen {float(hidden):.4f} hidden"
        )
    return rows


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=Path, required=True)
    parser.add_argument("--weights", type=Path, nargs="+", required=True)
    args = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    with np.load(args.crops) as data:
        crops = dict(data)
    for weights in args.weights:
        print(weights)
        print("\n".join(judge(weights, crops, device)), flush=True)


if __name__ == "__main__":
    main()
