"""A training so small that it fits on a laptop's processor: pictures are drawn, weights move, files are written.

torch is no dependency of the project.  Where it is missing, its CPU build is put into a folder of this test run if
pip can find one; otherwise these tests are skipped, since the other builds are gigabytes large.
"""

import ast
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

CHECKS = Path(__file__).with_name("checks.py")
NAMES = [node.name for node in ast.parse(CHECKS.read_text()).body if getattr(node, "name", "").startswith("check_")]


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    # one thread: on a busy machine several wait for each other, and these pictures are small
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore", "OMP_NUM_THREADS": "1"}
    if importlib.util.find_spec("torch") is None:
        site = tmp_path_factory.mktemp("torch")
        command = [sys.executable, "-m", "pip", "install", "-q", "--target", str(site), CPU_TORCH]
        if subprocess.run(command, capture_output=True, check=False).returncode != 0:
            pytest.skip("torch is not installed and pip finds no CPU build of it")
        env["PYTHONPATH"] = f"{ROOT}{os.pathsep}{site}"
    return env


@pytest.fixture(scope="module")
def found_wrong(environment: dict[str, str]) -> dict[str, str]:
    """What each check found wrong; all are made by one process, since torch takes seconds to load."""
    run = subprocess.run(
        [sys.executable, str(CHECKS), str(BODIES)], env=environment, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout.splitlines()[-1])


@pytest.mark.parametrize("name", NAMES)
def test_of_training_it_holds_that(name: str, found_wrong: dict[str, str]) -> None:
    assert found_wrong[name] == ""


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
