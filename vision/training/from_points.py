"""Measures how well the angle could be told from the points alone, were they placed exactly.

    python -m vision.training.from_points --bodies bodies.npz

Poses people as for training, projects their landmarks (hidden ones included) through cameras drawn as for training,
and lets a small network learn the angle from the places in the picture, with and without noise on them.  Printed is
its error on people left out, from 18 to 78 degrees: what is left with exact points is what no placing of points in one
photo can tell, since bodies and girdles differ.  With ``--people-swept`` each nuisance is then swept over
its range at fixed angles, as :mod:`vision.training.sweep` does with pictures: by how much the reading moves that way
with exact points is no shortcut, but what the points leave open.
"""

import argparse
import math
from pathlib import Path

import torch
from torch import Tensor, nn

from vision.landmark_names import ACROMIA, HIP_JOINTS, NAMES
from vision.training.bodies import BodyModel
from vision.training.network import cosine
from vision.training.posing import Poser
from vision.training.scene import Recipe, Studio
from vision.training.sweep import RANGES, STEPS

VIEWS = {"side-on": ("side",), "foot end": ("feet",), "both": ("side", "feet")}
POSED_AT_ONCE, BATCH = 512, 512
FROM_DEG, TO_DEG = 18.0, 78.0


def pose(studio: Studio, people: int, fixed: dict[str, float]) -> tuple[Tensor, Tensor]:
    """Landmarks, shape (people, 21, 3), metres, and rotation angles, degrees, right positive; some parameters fixed."""
    landmarks, angles = [], []
    n = min(POSED_AT_ONCE, people)
    same = {name: torch.full((n,), value, device=studio.device) for name, value in fixed.items()}
    for _ in range(math.ceil(people / POSED_AT_ONCE)):
        posed, _ = studio.people(n, same)
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
    trunk = (landmarks[:, ACROMIA].mean(1) - landmarks[:, HIP_JOINTS].mean(1)).norm(dim=-1) / q[..., 2].mean(1)
    p = p + torch.randn_like(p) * noise * trunk[:, None, None]
    p = p - p.mean(1, keepdim=True)
    return (p / p.pow(2).mean((1, 2), keepdim=True).sqrt()).flatten(1)


class Reader:
    """A small network that reads the angle from points of one photo from each of ``views``."""

    def __init__(self, views: tuple[str, ...], noise: float, device: torch.device) -> None:
        self.views, self.noise = views, noise
        width, inputs = 384, 2 * len(NAMES) * len(views)
        layers = [nn.Linear(inputs, width), nn.SiLU(), nn.Linear(width, width), nn.SiLU(), nn.Linear(width, width)]
        self.net = nn.Sequential(*layers, nn.SiLU(), nn.Linear(width, 1)).to(device)

    def read(self, studio: Studio, landmarks: Tensor) -> Tensor:
        """Angles, degrees, right positive, in photos taken by cameras drawn anew."""
        photos = [photograph(studio, landmarks, view, self.noise) for view in self.views]
        angle: Tensor = 45 + 20 * self.net(torch.cat(photos, 1))[:, 0]
        return angle

    def learn(self, studio: Studio, landmarks: Tensor, angles: Tensor, updates: int) -> None:
        """Learn from people of known angles."""
        optimiser = torch.optim.AdamW(self.net.parameters(), weight_decay=1e-3)
        for update in range(updates):
            for group in optimiser.param_groups:
                group["lr"] = cosine(update / updates, 1e-3)
            which = torch.randint(len(landmarks), (BATCH,), device=landmarks.device)
            error = self.read(studio, landmarks[which]) - angles[which]
            loss = nn.functional.smooth_l1_loss(error, torch.zeros_like(error))
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()

    @torch.no_grad()
    def swept(self, poser: Poser, people: int, theta: float, name: str) -> float:
        """Move of the mean error, degrees, of the same people when one nuisance goes over its range at one angle."""
        means = []
        for value in torch.linspace(*RANGES[name], STEPS).tolist():
            studio = Studio(poser, Recipe(), 77)
            landmarks, angles = pose(studio, people, {"theta": theta, name: value})
            means.append(float((self.read(studio, landmarks) - angles).mean()))
        return max(means) - min(means)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--people", type=int, default=24000)
    parser.add_argument("--updates", type=int, default=20000, help="of the small network, for each line printed")
    parser.add_argument("--noise", default="0,0.01,0.02", help="standard deviations along each axis, trunk lengths")
    parser.add_argument("--people-swept", type=int, default=0, help="whose nuisances are swept, with exact points")
    parser.add_argument("--angles", default="25,45,65", help="fixed rotation angles of the sweeps, degrees")
    args = parser.parse_args()
    torch.manual_seed(0)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    poser = Poser(BodyModel.load(args.bodies), device)
    studio = Studio(poser, Recipe(), 1)
    landmarks, angles = pose(studio, args.people, {})
    learnt = args.people * 5 // 6
    rest = torch.arange(learnt, args.people, device=device)
    rest = rest[(angles[rest] > FROM_DEG) & (angles[rest] < TO_DEG)]
    print("noise, trunk lengths; mean error and its standard deviation, degrees")
    for title, views in VIEWS.items():
        for noise in (float(v) for v in args.noise.split(",")):
            reader = Reader(views, noise, device)
            reader.learn(studio, landmarks[:learnt], angles[:learnt], args.updates)
            with torch.no_grad():
                e = reader.read(studio, landmarks[rest]) - angles[rest]
            print(f"  {title:8s} {noise:.2f}: {float(e.abs().mean()):.2f}, {float(e.std()):.2f}", flush=True)
            if args.people_swept == 0 or noise > 0:
                continue
            print("  move of the mean error over the range of each nuisance")
            for name in RANGES:
                moves = [
                    f"{theta} deg: {reader.swept(poser, args.people_swept, float(theta), name):4.1f}"
                    for theta in args.angles.split(",")
                ]
                print(f"    {name:14s} " + "   ".join(moves), flush=True)


if __name__ == "__main__":
    main()
