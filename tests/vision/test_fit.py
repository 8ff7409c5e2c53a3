"""The torso fit on people made by its own forward model, seen by cameras all around."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision import camera as cam
from vision import torso
from vision.errors import FitError
from vision.fit import View, fit_trial
from vision.landmarks import Landmark, Landmarks
from vision.sides import Side

WIDTH, HEIGHT, FOCAL = 1200, 900, 900.0
AROUND = {"from the right": -90.0, "from the left": 90.0, "oblique": -135.0, "foot end": 180.0, "head end": 0.0}


def person(theta_deg, azimuth_deg, elevation_deg=10.0, roll_deg=0.0, depth=5.0, sd_px=1.0, source="hand", skip=()):
    """Exact landmarks of the model's average person."""
    body = torso.body_prior()[0][None].copy()
    theta = np.radians([theta_deg])
    body[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)[0]
    points, _ = torso.place(theta, body)
    c = np.array([[*np.radians([azimuth_deg, elevation_deg, roll_deg]), math.log(depth), 0.05, 0.02, 0.0]])
    rotation = cam.world_to_camera(c[:, 0], c[:, 1], c[:, 2])
    uv = cam.project(cam.to_camera(points, rotation, c), c)[0] * FOCAL + [WIDTH / 2, HEIGHT / 2]
    return Landmarks(
        {
            n: Landmark.round_(x, y, sd_px, True, source)
            for n, (x, y) in zip(torso.NAMES, uv, strict=True)
            if n not in skip
        },
        "made",
    )


def view(landmarks, width=WIDTH, height=HEIGHT, focal=FOCAL, roll=None):
    return View(landmarks, width, height, focal, roll)


def changed(landmarks, move):
    points = {}
    for name, p in landmarks.points.items():
        new_name, x, y = move(name, p.x, p.y)
        points[new_name] = Landmark.round_(x, y, p.sd_px, p.seen, p.source)
    return Landmarks(points, landmarks.finder)


def swapped(name):
    if name.endswith("_left"):
        return name.removesuffix("_left") + "_right"
    return name.removesuffix("_right") + "_left" if name.endswith("_right") else name


@pytest.mark.parametrize("azimuth_deg", AROUND.values(), ids=AROUND.keys())
@pytest.mark.parametrize("theta_deg", [-60.0, -25.0, 30.0, 55.0])
def test_exact_landmarks_recover_the_angle_from_any_viewpoint(azimuth_deg, theta_deg):
    side = Side.RIGHT if theta_deg > 0 else Side.LEFT
    fit = fit_trial([view(person(theta_deg, azimuth_deg))], side)
    assert fit.theta_deg == pytest.approx(theta_deg, abs=2.0)
    assert fit.posterior.median_deg == pytest.approx(theta_deg, abs=0.5 * fit.posterior.sd_deg)
    low, high = fit.posterior.band_deg
    assert low < theta_deg < high


@settings(max_examples=12, deadline=None)
@given(st.floats(10, 75), st.floats(-180, 180))
def test_a_mirrored_photo_flips_the_sign(theta_deg, azimuth_deg):
    landmarks = person(theta_deg, azimuth_deg, sd_px=3)
    mirrored = changed(landmarks, lambda n, x, y: (swapped(n), WIDTH - x, y))
    one = fit_trial([view(landmarks)], Side.RIGHT)
    other = fit_trial([view(mirrored)], Side.LEFT)
    assert other.posterior.median_deg == pytest.approx(-one.posterior.median_deg, abs=0.3)


@settings(max_examples=8, deadline=None)
@given(st.floats(0.3, 4))
def test_the_size_of_the_picture_changes_nothing(factor):
    landmarks = person(50, -100, sd_px=3)
    scaled = changed(landmarks, lambda n, x, y: (n, x * factor, y * factor))
    scaled = Landmarks(
        {n: Landmark.round_(p.x, p.y, 3 * factor, True, "hand") for n, p in scaled.points.items()}, "made"
    )
    one = fit_trial([view(landmarks)], Side.RIGHT)
    other = fit_trial([view(scaled, round(WIDTH * factor), round(HEIGHT * factor), FOCAL * factor)], Side.RIGHT)
    assert other.posterior.median_deg == pytest.approx(one.posterior.median_deg, abs=0.3)


def test_too_few_landmarks_say_what_to_do():
    few = Landmarks({"acromion_left": Landmark.round_(1, 1, 1, True, "hand")}, "made")
    with pytest.raises(FitError, match="by hand"):
        fit_trial([view(few)], Side.LEFT)


def test_two_viewpoints_of_one_trial_narrow_the_band():
    side_on, foot = person(50, -90, sd_px=4), person(50, 180, sd_px=4)
    alone = fit_trial([view(side_on)], Side.RIGHT)
    both = fit_trial([view(side_on), view(foot)], Side.RIGHT)
    assert both.posterior.median_deg == pytest.approx(50, abs=2)
    assert both.posterior.sd_deg < alone.posterior.sd_deg
    assert len(both.projected_views) == 2


@pytest.mark.parametrize("name", ["acromion_right", "hip_joint_left", "c7", "knee_right"])
def test_one_grossly_wrong_landmark_is_survived(name):
    landmarks = person(50, -90, sd_px=3)
    wrong = changed(landmarks, lambda n, x, y: (n, x + (150 if n == name else 0), y - (90 if n == name else 0)))
    fit = fit_trial([view(wrong)], Side.RIGHT)
    low, high = fit.posterior.band_deg
    assert low < 50 < high


@pytest.mark.parametrize("pair", ["hip_joint", "knee", "acromion"])
def test_a_swapped_pair_is_survived(pair):
    landmarks = person(50, -110, sd_px=3)
    wrong = changed(landmarks, lambda n, x, y: (swapped(n) if n.startswith(pair) else n, x, y))
    fit = fit_trial([view(wrong)], Side.RIGHT)
    low, high = fit.posterior.band_deg
    assert low < 50 < high


def test_fitted_projections_lie_on_the_landmarks_they_came_from():
    landmarks = person(40, -90)
    fit = fit_trial([view(landmarks)], Side.RIGHT)
    for name in ("acromion_left", "acromion_right", "hip_joint_left", "hip_joint_right"):
        at = landmarks.points[name]
        assert fit.projected[name] == pytest.approx((at.x, at.y), abs=2)
