"""Measures how well the angle could be told from the points alone, were they placed exactly.

    python -m vision.training.from_points --bodies bodies.npz

Poses people as for training, projects their landmarks (hidden ones included) through cameras drawn as for training,
and lets a small network learn the angle from the places in the picture, with and without noise on them.  Printed is
its error on people left out, from 18 to 78 degrees: what is left with exact points is what no placing of points in one
photo can tell, since bodies, girdles and pelvis turns differ.
"""

import argparse
import math
from pathlib import Path

import torch
from torch import Tensor, nn

from vision.landmark_names import NAMES
from vision.training.bodies import BodyModel
from vision.training.network import cosine
from vision.training.posing import Poser
from vision.training.scene import Recipe, Studio

VIEWS = {"side-on": ("side",), "foot end": ("feet",), "both": ("side", "feet")}
POSED_AT_ONCE, BATCH = 512, 512
FROM_DEG, TO_DEG = 18.0, 78.0


def pose(studio: Studio, people: int) -> tuple[Tensor, Tensor]:
    """Landmarks, shape (people, 21, 3), metres, and rotation angles, degrees, right positive."""
    landmarks, angles = [], []
    for _ in range(math.ceil(people / POSED_AT_ONCE)):
        posed, _ = studio.people(min(POSED_AT_ONCE, people), {})
        landmarks.append(posed.landmarks)
        angles.append(posed.rotation_right_deg)
    return torch.cat(landmarks)[:people], torch.cat(angles)[:people]


def photograph(studio: Studio, landmarks: Tensor, view: str, noise: float) -> Tensor:
    """Places of the landmarks in pictures, centred and of unit size; shape (B, 42)."""
    B = len(landmarks)
    azimuth = studio.n(10, B)
    azimuth = azimuth - 90 if view == "feet" else azimuth + torch.where(studio.u(0, 1, B) < 0.5, 0.0, 180.0)
    C, R, _ = studio.cameras(landmarks, azimuth)
    q = torch.einsum("bij,bnj->bni", R, landmarks - C[:, None])
    p = q[..., :2] / q[..., 2:]
    trunk = (landmarks[:, 0:2].mean(1) - landmarks[:, 4:6].mean(1)).norm(dim=-1) / q[..., 2].mean(1)
    p = p + torch.randn_like(p) * noise * trunk[:, None, None]
    p = p - p.mean(1, keepdim=True)
    return (p / p.pow(2).mean((1, 2), keepdim=True).sqrt()).flatten(1)


def learn(
    studio: Studio, landmarks: Tensor, angles: Tensor, views: tuple[str, ...], noise: float, updates: int
) -> Tensor:
    """Errors in degrees on the last sixth of the people, having learnt from the others."""
    width, inputs = 384, 2 * len(NAMES) * len(views)
    layers = [nn.Linear(inputs, width), nn.SiLU(), nn.Linear(width, width), nn.SiLU(), nn.Linear(width, width)]
    net = nn.Sequential(*layers, nn.SiLU(), nn.Linear(width, 1)).to(landmarks.device)
    optimiser = torch.optim.AdamW(net.parameters(), weight_decay=1e-3)
    learnt = len(landmarks) * 5 // 6

    def read(which: Tensor) -> Tensor:
        seen = [photograph(studio, landmarks[which], view, noise) for view in views]
        error: Tensor = 45 + 20 * net(torch.cat(seen, 1))[:, 0] - angles[which]
        return error

    for update in range(updates):
        for group in optimiser.param_groups:
            group["lr"] = cosine(update / updates, 1e-3)
        error = read(torch.randint(learnt, (BATCH,), device=landmarks.device))
        loss = nn.functional.smooth_l1_loss(error, torch.zeros_like(error))
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
    rest = torch.arange(learnt, len(landmarks), device=landmarks.device)
    with torch.no_grad():
        return read(rest[(angles[rest] > FROM_DEG) & (angles[rest] < TO_DEG)])


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--people", type=int, default=24000)
    parser.add_argument("--updates", type=int, default=20000, help="of the small network, for each line printed")
    parser.add_argument("--noise", default="0,0.01,0.02", help="standard deviations along each axis, trunk lengths")
    args = parser.parse_args()
    torch.manual_seed(0)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    studio = Studio(Poser(BodyModel.load(args.bodies), device), Recipe(), 1)
    landmarks, angles = pose(studio, args.people)
    print("noise, trunk lengths; mean error and its standard deviation, degrees")
    for title, views in VIEWS.items():
        for noise in (float(v) for v in args.noise.split(",")):
            e = learn(studio, landmarks, angles, views, noise, args.updates)
            print(f"  {title:8s} {noise:.2f}: {float(e.abs().mean()):.2f}, {float(e.std()):.2f}", flush=True)


if __name__ == "__main__":
    main()
