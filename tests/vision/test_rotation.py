"""The one definition of the angle, its sign and its band, by its properties and against SciPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation as Turn
from scipy.stats import norm, skewnorm

from vision.rotation import BAND_PROBABILITY, HALF_WIDTH, Posterior, Rotation, rotation_angle_deg
from vision.sides import Side, magnitude_deg

angles = st.floats(-170, 170)
tilts = st.floats(-0.8, 0.8)
turns = st.tuples(*[st.floats(-3, 3)] * 3)
HIPS = np.array([[0.0, 0.2, 0.0], [0.0, -0.2, 0.0]])  # left, right; x along the trunk, y to the left, z to the back


def body(theta_deg, hip_tilt=0.0, shoulder_tilt=0.0):
    """Hips and acromia of a body turned by SciPy's rotation about the trunk axis, the lines tilted along it."""
    along = np.array([1.0, 0.0, 0.0])
    line = HIPS * 0.9
    shoulders = Turn.from_rotvec(-np.radians(theta_deg) * along).apply(line) + along
    hips = HIPS + np.outer([hip_tilt, -hip_tilt], along) / 2
    return (*hips, *(shoulders + np.outer([shoulder_tilt, -shoulder_tilt], along) / 2))


@given(angles, tilts, tilts)
def test_the_angle_is_the_turn_about_the_trunk_axis_whatever_the_tilt_of_either_line(theta_deg, hip, shoulder):
    assert rotation_angle_deg(*body(theta_deg, hip, shoulder)) == pytest.approx(theta_deg, abs=1e-6)


def test_right_is_positive_when_the_right_shoulder_goes_toward_the_back_of_somebody_who_kneels_face_down():
    _, _, left, right = body(30)
    assert right[2] > left[2]
    assert rotation_angle_deg(*body(30)) > 0


@given(angles, turns, st.tuples(*[st.floats(-5, 5)] * 3), st.floats(0.01, 1000))
def test_moving_turning_and_scaling_the_whole_body_changes_nothing(theta_deg, turn, shift, scale):
    moved = [Turn.from_rotvec(turn).apply(p) * scale + shift for p in body(theta_deg, 0.1, -0.2)]
    assert rotation_angle_deg(*moved) == pytest.approx(theta_deg, abs=1e-5)


@given(angles, tilts, tilts)
def test_a_mirror_image_turns_the_other_way(theta_deg, hip, shoulder):
    hip_left, hip_right, left, right = (p * [1, -1, 1] for p in body(theta_deg, hip, shoulder))
    assert rotation_angle_deg(hip_right, hip_left, right, left) == pytest.approx(-theta_deg, abs=1e-6)


def test_a_line_that_vanishes_along_the_trunk_is_refused():
    hip_left, hip_right, left, right = body(20)
    with pytest.raises(ValueError, match="parallel"):
        rotation_angle_deg(np.array([0.1, 0.0, 0.0]), np.array([-0.1, 0.0, 0.0]), left, right)
    with pytest.raises(ValueError, match="zero length"):
        rotation_angle_deg(hip_left, hip_right, hip_left, hip_right)


STEP_DEG = 0.5  # of the grid on which the fit gives its posterior
GRID = np.arange(-99.0, 99.25, STEP_DEG)


@given(st.floats(-60, 60), st.floats(2, 9), st.floats(-5, 5))
def test_median_band_and_deviation_of_a_skewed_posterior_are_scipys(middle, scale, skew):
    law = skewnorm(skew, middle, scale)
    posterior = Posterior.of_log(GRID, law.logpdf(GRID) + 7.0)  # known but for a constant
    assert np.trapz(posterior.density, GRID) == pytest.approx(1)
    assert posterior.median_deg == pytest.approx(law.median(), abs=0.05)
    assert posterior.band_deg == pytest.approx(law.interval(BAND_PROBABILITY), abs=STEP_DEG / 2)
    assert posterior.sd_deg == pytest.approx(law.std(), abs=0.05)


def test_the_half_width_is_that_of_a_normal_band():
    assert norm.interval(BAND_PROBABILITY)[1] == pytest.approx(HALF_WIDTH, abs=5e-4)


@given(st.sampled_from(Side), st.floats(-80, 80), st.floats(0, 20))
def test_a_band_in_the_side_s_direction_holds_the_angle_and_is_ordered(side, right_deg, half):
    rotation = Rotation(side, right_deg, (right_deg - half, right_deg + half), half, None, "automatic")
    low, high = rotation.band_deg
    assert low <= rotation.magnitude_deg <= high
    assert high - low == pytest.approx(2 * half)
    assert magnitude_deg(rotation.magnitude_deg, side) == right_deg  # there and back again
