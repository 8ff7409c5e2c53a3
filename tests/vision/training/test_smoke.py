"""A training so small that it fits on a laptop's processor: pictures are drawn, weights move, files are written.

torch is no dependency of the project.  Where it is missing, its CPU build is put into a folder of this test run if
pip can find one; otherwise these tests are skipped, since the other builds are gigabytes large.
"""

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
BODIES = Path(__file__).with_name("bodies_small.npz")
CPU_TORCH = "torch==2.13.0+cpu"

CHECKS = """
import sys
import numpy as np, torch
from pathlib import Path
from vision.landmark_names import NAMES
from vision.rotation import rotation_angle_deg
from vision.training.bodies import LANDMARK_VERTICES, BodyModel
from vision.training.posing import Poser, sample_kneeling

torch.manual_seed(0)
poser = Poser(BodyModel.load(Path(sys.argv[1])), torch.device("cpu"))
g = torch.Generator().manual_seed(3)
p = sample_kneeling(4000, g, torch.device("cpu"))
worst = {k: abs(float(np.corrcoef(p["theta"], v)[0, 1])) for k, v in p.items() if k not in ("theta", "twist")}
assert max(worst.values()) < 0.06, worst  # 4000 independent draws: standard error 0.016
posed = poser.kneel(poser.bodies(poser.scores[:6]), {k: v[:6] for k, v in p.items()})
at = {n: posed.landmarks[:, i].double().numpy() for i, n in enumerate(NAMES)}
for i in range(6):
    names = ("hip_joint_left", "hip_joint_right", "acromion_left", "acromion_right")
    angle = rotation_angle_deg(*(at[n][i] for n in names))
    assert abs(angle - float(posed.rotation_right_deg[i])) < 1e-3, (angle, posed.rotation_right_deg[i])
assert float((posed.rotation_right_deg - p["theta"][:6]).abs().max()) < 8  # girdle bones solved, skin measured
assert float(posed.vertices[..., 2].min()) >= 0

from vision.training.ablations import VARIANTS
from vision.training.network import points_angle_deg
from vision.training.scene import Recipe, Studio
from vision.training.shots import Photographer
from vision.training.train import left_out, parser
for flags in VARIANTS.values():
    Recipe(**left_out(parser().parse_args(["--bodies", "b", "--out", "o", *flags]).without)[0])

def direction(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)

recipe = Recipe(size=64, pool=6, other_positions=0.0, empty=0.0, occlusion=False)
studio = Studio(poser, recipe, 4)
drawn = studio.draw(6)
apart, behind = [], []
photographer = Photographer(recipe, torch.device("cpu"), 8)
for vary in (False, True, True):  # however a picture is framed, its labels agree with each other
    shot = photographer.shoot(drawn, vary)
    upright = (shot.quarter_turns == 0).numpy()
    p = np.concatenate([shot.xy.numpy(), shot.depth.numpy()[..., None]], -1)
    for k, (a, b) in enumerate((("hip_joint_left", "hip_joint_right"), ("acromion_left", "acromion_right"))):
        line = direction(p[:, NAMES.index(a)] - p[:, NAMES.index(b)])
        together = (line * shot.lines[:, k].numpy()).sum(-1)
        assert together[upright].min() > 0.95, together  # weak against full perspective
    off = (points_angle_deg(shot.xy, shot.depth) - shot.rotation_right_deg).abs().numpy()[upright]
    assert np.median(off) < 3 and off.max() < 9, off  # weak against full perspective
    n = shot.surface.shape[-1]
    for k, name in enumerate(NAMES):  # a point on the skin that shows lies at its place on the surface
        own = name.removesuffix("eft").removesuffix("ight")
        on_skin = {v.lower(): i for i, v in enumerate(LANDMARK_VERTICES)}.get(own)
        if on_skin is None:
            continue
        vertex = int(poser.landmark_rows[on_skin].argmax())
        for i in np.flatnonzero(shot.seen[:, k].numpy() & upright):
            column, row = (int(v) for v in (shot.xy[i, k] * n).clamp(0, n - 1))
            *place, depth, shown = shot.surface[i, :, row, column].numpy()
            if shown:
                apart.append(np.abs(np.array(place) - studio.on_body[vertex, :3].numpy()).max())
                behind.append(abs(depth - float(shot.depth[i, k])))
    turned = shot.rotation_right_deg.abs() - drawn.rotation_right_deg.abs()
    assert float(turned.abs().max()) < 1e-4
assert len(apart) > 20, len(apart)  # a few stick out over something nearer or farther
assert np.quantile(apart, 0.85) < 0.3, apart  # in units of which a body at rest is about four tall
assert np.quantile(behind, 0.85) < 0.15, behind

from vision.training.from_points import Reader, photograph, pose
landmarks, angles = pose(studio, 3, {})
assert len(landmarks) == len(angles) == 3
flat = photograph(studio, posed.landmarks, "feet", 0.0).view(6, 21, 2)
assert float(flat.mean(1).abs().max()) < 1e-5
assert float((flat.pow(2).mean((1, 2)) - 1).abs().max()) < 1e-5
left, right = (flat[:, NAMES.index(f"hip_joint_{side}"), 0] for side in ("left", "right"))
assert (left < right).all()  # from the feet of somebody who kneels face down the left hip is on the left
again = posed.landmarks.repeat(20, 1, 1), posed.rotation_right_deg.repeat(20)
reader = Reader(("side", "feet"), 0.0, landmarks.device)
reader.learn(studio, *again, 150)
with torch.no_grad():
    known = reader.read(studio, again[0]) - again[1]  # the same people by other cameras
guessed = (again[1] - again[1].mean()).abs().mean()
assert len(known) and float(known.abs().mean()) < 0.5 * float(guessed), (known, guessed)
turned = pose(Studio(poser, Recipe(), 77), 2, {"theta": 30.0, "pelvis_rot": 10.0})[1]
assert float((turned.abs() - 30).abs().max()) < 8, turned  # the angle is against the pelvis, however that is turned
assert 0 < reader.swept(poser, 2, 30.0, "pelvis_rot") < 90

from vision.training.muon import STEP_SIZE, Muon

weights = [torch.nn.Parameter(torch.randn(shape)) for shape in ((24, 16, 3, 3), (96, 32), (130, 200), (40, 5))]
before = [w.detach().clone() for w in weights]
for w in weights:
    w.grad = torch.randn_like(w)
Muon(weights, lr=1.0, weight_decay=0.0).step()
for w, b in zip(weights, before, strict=True):  # numpy's singular vectors stay, the values come to 0.7 to 1.2
    moved = (b - w.detach()).flatten(1).numpy() / (STEP_SIZE * max(w.flatten(1).shape) ** 0.5)
    left, _, right = np.linalg.svd(w.grad.flatten(1).numpy(), full_matrices=False)
    values = left.T @ moved @ right.T
    assert np.abs(values - np.diag(np.diag(values))).max() < 1e-3
    assert 0.6 < np.diag(values).min() and np.diag(values).max() < 1.25, np.diag(values)
print("checked")
"""


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore", "OMP_NUM_THREADS": "2"}
    if importlib.util.find_spec("torch") is None:
        site = tmp_path_factory.mktemp("torch")
        command = [sys.executable, "-m", "pip", "install", "-q", "--target", str(site), CPU_TORCH]
        if subprocess.run(command, capture_output=True, check=False).returncode != 0:
            pytest.skip("torch is not installed and pip finds no CPU build of it")
        env["PYTHONPATH"] = f"{ROOT}{os.pathsep}{site}"
    return env


def test_labels_follow_the_definition_and_each_other_and_nuisances_are_independent_of_the_angle(
    environment: dict[str, str],
) -> None:
    run = subprocess.run(
        [sys.executable, "-c", CHECKS, str(BODIES)], env=environment, capture_output=True, text=True, check=False
    )
    assert run.stdout.strip() == "checked", run.stdout + run.stderr


def test_a_tiny_training_runs_from_pictures_to_weights(environment: dict[str, str], tmp_path: Path) -> None:
    command = [sys.executable, "-m", "vision.training.train", "--bodies", str(BODIES), "--out", str(tmp_path)]
    command += ["--iterations", "5", "--batch", "2", "--size", "64", "--pool", "4", "--seconds", "60"]
    command += ["--at-once", "4", "--shelf", "4", "--locator-every", "4"]
    run = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    card = json.loads((tmp_path / "training.json").read_text())
    assert card["steps"] == 5
    assert card["pictures"] == 10
    assert (tmp_path / "weights.pt").stat().st_size > 1_000_000

    further = [*command, "--out", str(tmp_path / "further"), "--begin-with", str(tmp_path / "weights.pt")]
    further += ["--iterations", "2", "--optimiser", "muon"]
    run = subprocess.run(further, env=environment, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert json.loads((tmp_path / "further" / "training.json").read_text())["steps"] == 2
