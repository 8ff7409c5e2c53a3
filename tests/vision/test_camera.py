import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision import camera as cam

angles = st.floats(-3.1, 3.1)


@given(angles, st.floats(-1.4, 1.4), angles)
def test_world_to_camera_is_a_rotation(azimuth, elevation, roll):
    r = cam.world_to_camera(np.array([azimuth]), np.array([elevation]), np.array([roll]))[0]
    assert r @ r.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(r) == pytest.approx(1)


def test_a_camera_on_the_persons_right_sees_the_head_to_the_right_of_the_photo():
    r = cam.world_to_camera(np.radians([-90.0]), np.zeros(1), np.zeros(1))[0]
    assert r @ [1, 0, 0] == pytest.approx([1, 0, 0], abs=1e-12)
    assert r @ [0, 0, 1] == pytest.approx([0, -1, 0], abs=1e-12)


def test_the_slope_of_the_image_agrees_with_finite_differences():
    rng = np.random.default_rng(3)
    points = rng.normal(0, 0.4, (1, 5, 3))
    camera = np.array([[0.7, 0.2, 0.1, 1.5, 0.1, -0.05, 0.05]])

    def image(p, c):
        return cam.project(cam.to_camera(p, cam.world_to_camera(c[:, 0], c[:, 1], c[:, 2]), c), c)

    rotation = cam.world_to_camera(camera[:, 0], camera[:, 1], camera[:, 2])
    q = cam.to_camera(points, rotation, camera)
    direction = rng.normal(0, 1, points.shape)
    slope = cam.image_slope(camera, points, rotation, q, cam.project(q, camera), direction[None])
    slope = slope.transpose(0, 3, 2, 1)
    h = 1e-6
    expected = (image(points + h * direction, camera) - image(points - h * direction, camera)) / (2 * h)
    assert slope[..., 0] == pytest.approx(expected, abs=1e-6)
    for k in range(cam.PARAMETERS):
        step = np.zeros(cam.PARAMETERS)
        step[k] = h
        expected = (image(points, camera + step) - image(points, camera - step)) / (2 * h)
        assert slope[..., 1 + k] == pytest.approx(expected, abs=1e-5)


def test_the_nominal_focal_length_follows_the_diagonal_convention():
    focal, sd = cam.nominal_focal_px(None, 1200, 900)
    assert focal == pytest.approx(26 / np.hypot(36, 24) * 1500)
    assert sd == cam.ASSUMED_FOCAL_LOG_SD
    assert cam.nominal_focal_px(700.0, 1200, 900) == (700.0, cam.EXIF_FOCAL_LOG_SD)
