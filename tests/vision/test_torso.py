import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision import torso
from vision.rotation import rotation_angle_deg


@settings(max_examples=50)
@given(st.floats(-85, 85), st.integers(0, 10_000))
def test_the_placed_torso_has_the_angle_by_the_one_definition(theta_deg, seed):
    mean, sd = torso.body_prior()
    body = (mean + np.random.default_rng(seed).normal(0, 1, len(mean)) * np.minimum(sd, 0.1))[None]
    points, _ = torso.place(np.radians([theta_deg]), body)
    at = {n: points[0, k] for n, k in torso.INDEX.items()}
    angle = rotation_angle_deg(at["hip_joint_left"], at["hip_joint_right"], at["acromion_left"], at["acromion_right"])
    assert angle == pytest.approx(theta_deg, abs=1e-8)
    trunk = (at["acromion_left"] + at["acromion_right"] - at["hip_joint_left"] - at["hip_joint_right"]) / 2
    assert np.linalg.norm(trunk) == pytest.approx(1)


def test_the_opening_shoulder_goes_up():
    body = torso.body_prior()[0][None]
    points, _ = torso.place(np.radians([50.0]), body)
    assert points[0, torso.INDEX["acromion_right"], 2] > points[0, torso.INDEX["acromion_left"], 2]


def test_a_tape_measured_breadth_narrows_the_ratio_little():
    """A photo has no scale: the breadth in millimetres says little about breadth over trunk length."""
    mean, sd = torso.breadth_prior(None)
    taped_mean, taped_sd = torso.breadth_prior((390.0, 5.0))
    assert taped_mean == pytest.approx(mean, abs=0.02)
    assert 0.8 * sd < taped_sd < 1.05 * sd
    assert torso.breadth_prior((430.0, 5.0))[0] > torso.breadth_prior((360.0, 5.0))[0]


def test_the_slopes_of_the_points_agree_with_finite_differences():
    body = torso.body_prior()[0][None] + 0.03
    theta = np.radians([40.0])
    slopes = torso.place_slope(theta, body, torso.place(theta, body)[1])
    expected = (torso.place(theta + 1e-6, body)[0] - torso.place(theta - 1e-6, body)[0]) / 2e-6
    assert slopes[0] == pytest.approx(expected, abs=1e-8)
    for k in range(torso.PARAMETERS):
        step = np.zeros(torso.PARAMETERS)
        step[k] = 1e-6
        expected = (torso.place(theta, body + step)[0] - torso.place(theta, body - step)[0]) / 2e-6
        assert slopes[1 + k] == pytest.approx(expected, abs=1e-8)
