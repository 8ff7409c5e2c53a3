"""How far the shoulder line turns when something other than the trunk moves: recomputed reference figures.

All figures follow from plane geometry; none is taken from a paper. They are checked on the one definition of
the angle, so that a change of the definition that would break them is seen.
"""

import numpy as np
import pytest

from vision.anthropometry import ANSUR_MEN, ANSUR_WOMEN, Group
from vision.rotation import rotation_angle_deg


def axes(breadth_mm: float, turn_deg: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Left and right end of a line of this breadth across a trunk along x, turned about it."""
    turn = np.radians(turn_deg)
    half = breadth_mm / 2 * np.array([0.0, np.cos(turn), np.sin(turn)])
    return half, -half


TRUNK = np.array([500.0, 0.0, 0.0])


@pytest.mark.parametrize(("group", "turn_deg"), [(ANSUR_MEN, 5.49), (ANSUR_WOMEN, 6.25)], ids=["men", "women"])
def test_one_shoulder_blade_sliding_4_cm_turns_the_line_without_any_spine_motion(group: Group, turn_deg: float):
    left, right = axes(group.lengths_mm["biacromial_breadth"].mean)
    forward = np.array([0.0, 0.0, 40.0])
    turned = rotation_angle_deg(*axes(300), TRUNK + left, TRUNK + right + forward)
    assert abs(turned) == pytest.approx(turn_deg, abs=0.01)


@pytest.mark.parametrize(("line_px", "sd_deg"), [(200, 1.22), (400, 0.61)])
def test_jitter_of_3_px_at_each_end_of_the_line(line_px: float, sd_deg: float):
    rng = np.random.default_rng(3)
    left, right = axes(line_px)
    turns = []
    for _ in range(5_000):
        jitter = rng.normal(scale=3, size=(2, 3)) * np.array([0, 1, 1])
        turns.append(rotation_angle_deg(*axes(300), TRUNK + left + jitter[0], TRUNK + right + jitter[1]))
    assert np.std(turns) == pytest.approx(sd_deg, rel=0.03)
