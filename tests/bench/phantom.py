"""The phantom tool: renderer and body model in a folder of their own, and the words of the pictures it makes.

Pictures are ``NAME_{0,L,R}[_VIEW].jpg``; beside each lies its truth, ``NAME_{0,L,R}[_VIEW].json``. The tools that make
such pictures (``render_*.py``, ``pose_people.py``) run in the tool's own environment, from the root of this repository.
"""

import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from vision.landmark_names import NAMES
from vision.sides import Side

SIDES = {"0": Side.START, "L": Side.LEFT, "R": Side.RIGHT}
"""What the second part of a picture's name says."""
LETTERS = {side: letter for letter, side in SIDES.items()}

_VERTEBRAE = {"c7": "C7", "t12": "T12", "s2": "S2"}


def phantom_name(name: str) -> str:
    """Return what the tool calls a landmark."""
    return _VERTEBRAE.get(name, name.replace("_left", "_L").replace("_right", "_R"))


OUR_NAMES = {phantom_name(name): name for name in NAMES}
"""What a landmark of the tool is called here."""

CAMERA = ("yaw_err_deg", "dist_m", "height_m", "roll_deg", "f35", "aim_dx", "aim_dz")
"""What settles where a camera stands: given these again, the tool places the same one."""


class Phantom:
    """The tool, loaded from its folder: poses, cameras and rooms, and jobs for its renderer."""

    def __init__(self, folder: str) -> None:
        sys.path.insert(0, str(Path(folder).resolve()))
        import gen
        import phantom_pose
        import phantom_scene

        self.gen, self.poses, self.scene = gen, phantom_pose, phantom_scene
        self.body = phantom_pose.Body()
        self.dresser = phantom_scene.Dresser(self.body)

    def room_of(self, seed: int) -> Callable[[dict], dict]:
        """Return what makes the room of that seed around a camera."""
        return lambda camera: self.scene.sample_room(np.random.default_rng(seed), camera, None)

    def shows_all(self, camera: dict, posed: dict, margin_px: float) -> bool:
        """Whether the whole body lies inside the picture, so far from its edges."""
        uv, _ = self.scene.project(camera, posed["Vs"][::7])
        far = uv[:, 0].max() < camera["width"] - margin_px and uv[:, 1].max() < camera["height"] - margin_px
        return bool(uv.min() > margin_px and far)

    def job(
        self,
        out: Path,
        name: str,
        subject: dict,
        pose: Mapping[str, Any],
        view: str,
        rng: np.random.Generator,
        *,
        camera: Mapping[str, float],
        room: Callable[[dict], dict],
        bystander: dict | None = None,
    ) -> tuple[Path, float]:
        """Write one render job and the truth of its picture; returns the job and the angle, right positive.

        ``view`` is the side of the person on which the camera stands, ``right`` or ``left``.
        """
        job, truth = self.gen.make_job(
            self.body, self.dresser, subject, pose, view, rng, str(out), Path(f"{out}.jobs"), name,
            cam=camera, room=room, bystander=bystander,
        )  # fmt: skip
        return Path(job), float(truth["theta_deg"])

    def render(self, jobs: Sequence[Path]) -> None:
        """Render jobs and take them away."""
        if jobs:
            self.gen.render(jobs)
        for job in jobs:
            job.unlink()
