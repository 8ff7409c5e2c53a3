"""Looks for shortcuts: sweeps each nuisance at a fixed rotation angle and prints how far the reading moves.

    python -m vision.training.sweep --bodies bodies.npz --weights DIR/weights.pt

The same people in the same clothes, light and room are drawn again and again with one pose parameter changed over its
range.  For each value the mean error (reading minus the true angle, which is measured anew on the skin) is taken over
the people; printed is by how much that mean moves over the range: from the side, and with ``--views feet`` or
``side,feet`` from the foot end or with both read, the surer the more.  A last table gives the error on unseen draws by
viewpoint and angle.
"""

import argparse
from pathlib import Path

import torch
from torch import Tensor

from vision.network_form import BIN_EDGE_DEG, BINS
from vision.training.bodies import BodyModel
from vision.training.export import load, trained_size
from vision.training.network import Eye, points_angle_deg, read_angle_deg
from vision.training.posing import Poser
from vision.training.scene import Batch, Recipe, Studio
from vision.training.shots import Photographer

RANGES: dict[str, tuple[float, float]] = {
    "head_turn": (-60, 60), "head_tilt": (-14, 14), "neck_ext": (-10, 36), "support_q": (0.52, 0.97),
    "elbow_dx": (-0.13, 0.13), "elbow_half_y": (-0.02, 0.12), "forearm_azim": (-25, 40), "elbow_post": (-8, 58),
    "hand_level": (0.08, 0.78), "pelvis_rot": (-10, 10), "pelvis_tilt": (-5, 5), "lumbar_leak": (-5, 5),
    "side_bend": (-13, 13), "hip_height": (0.2, 0.3), "lumbar_flex": (22, 52), "thor_flex": (0, 28),
    "protract_L": (-13, 15), "protract_R": (-13, 15), "elevate_L": (-4, 13), "elevate_R": (-4, 13),
}  # fmt: skip
STEPS = 5  # values over the range of each nuisance


@torch.no_grad()
def read(net: torch.nn.Module, batch: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """Median of the distribution, its spread, and the angle from the points; read as it is and mirrored."""
    r, mirrored = net(batch.image), net(batch.image.flip(3))
    centres = torch.linspace(-BIN_EDGE_DEG, BIN_EDGE_DEG, BINS, device=batch.image.device)
    p = (r.bins.softmax(-1) + mirrored.bins.softmax(-1).flip(-1)) / 2
    mean = (p * centres).sum(-1, keepdim=True)
    points = (points_angle_deg(r.xy, r.depth) - points_angle_deg(mirrored.xy, mirrored.depth)) / 2
    return read_angle_deg(p.log()), (p * (centres - mean) ** 2).sum(-1).sqrt(), points


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--weights", type=Path, required=True)
    parser.add_argument("--people", type=int, default=96)
    parser.add_argument("--angles", default="0,25,50,70", help="fixed rotation angles, degrees; empty: no sweeps")
    parser.add_argument("--views", default="side", help="photos of each pose: side, feet, or side,feet")
    parser.add_argument("--draws", type=int, default=40, help="batches of the last table")
    parser.add_argument("--plain", action="store_true", help="last table on faultless pictures of uncovered people")
    args = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    net = load(Eye(), args.weights).to(device)
    poser = Poser(BodyModel.load(args.bodies), device)
    size = trained_size(args.weights)
    recipe = Recipe(size=size, other_positions=0.0, empty=0.0, occlusion=False)
    n = args.people
    g = torch.Generator().manual_seed(5)
    side_on = torch.where(torch.rand(n, generator=g) < 0.5, 0.0, 180.0) + torch.randn(n, generator=g) * 10
    cameras = {"side": side_on.to(device), "feet": (torch.randn(n, generator=g) * 10 - 90).to(device)}

    def errors_of(fixed: dict[str, Tensor]) -> tuple[float, float]:
        errors, weights, point_errors = [], [], []
        for view in args.views.split(","):
            drawn = Studio(poser, recipe, 77).draw(n, fixed, cameras[view])
            batch = Photographer(recipe, device, 77).shoot(drawn, vary=False)
            angle, spread, from_points = read(net, batch)
            errors.append(angle - batch.rotation_right_deg)
            weights.append(spread**-2)
            point_errors.append(from_points - batch.rotation_right_deg)
        w = torch.stack(weights)
        return float(((torch.stack(errors) * w).sum(0) / w.sum(0)).mean()), float(torch.stack(point_errors).mean())

    print("nuisance: move of the mean error over its range, distribution | points with depth  (by fixed angle)")
    angles = [float(v) for v in args.angles.split(",") if v]
    for name, (low, high) in RANGES.items() if angles else ():
        cells = []
        for theta in angles:
            fixed = [
                {"theta": torch.full((n,), theta, device=device), name: value.expand(n).to(device)}
                for value in torch.linspace(low, high, STEPS)
            ]
            a, b = zip(*map(errors_of, fixed), strict=True)
            cells.append(f"{theta:.0f} deg: {max(a) - min(a):4.1f} | {max(b) - min(b):4.1f}")
        print(f"  {name:14s} " + "   ".join(cells), flush=True)
    faults = not args.plain
    recipe = Recipe(size=size, other_positions=0.0, empty=0.0, photographic=faults, occlusion=faults)
    studio, photographer = Studio(poser, recipe, 4242), Photographer(recipe, device, 4242)
    errors, truths, azimuths, spreads, point_errors = [], [], [], [], []
    if args.draws == 0:
        return
    for _ in range(args.draws):
        batch = photographer.shoot(studio.draw(n))
        keep = batch.quarter_turns == 0
        angle, spread, from_points = read(net, batch)
        errors.append((angle - batch.rotation_right_deg)[keep])
        point_errors.append((from_points - batch.rotation_right_deg)[keep])
        truths.append(batch.rotation_right_deg[keep])
        azimuths.append(batch.azimuth_deg[keep])
        spreads.append(spread[keep])
    e, t, a, s, q = (torch.cat(x).cpu() for x in (errors, truths, azimuths, spreads, point_errors))
    off_side = (a.abs() - 90).abs()
    views = {
        "side-on within 25": off_side > 65, "from the feet within 30": (a + 90).abs() < 30,
        "from the head within 30": (a - 90).abs() < 30, "all": a.abs() >= 0,
    }  # fmt: skip
    print("own renderer, unseen draws: MAE of the distribution | of the points | mean stated SD")
    for title, chosen in views.items():
        row = [f"  {title:26s}"]
        for low, high in ((0, 12), (12, 35), (35, 60), (60, 90), (0, 90)):
            m = chosen & (t.abs() >= low) & (t.abs() < high)
            row.append(f"{low}-{high}: {e[m].abs().mean():4.2f} | {q[m].abs().mean():4.2f} | {s[m].mean():4.2f}")
        print("   ".join(row))


if __name__ == "__main__":
    main()
