"""People made by the torso's own forward model, as cameras around them see them."""

import math
from dataclasses import replace

import numpy as np

from vision import camera as cam
from vision import torso
from vision.fit import View
from vision.landmarks import Landmark, Landmarks

WIDTH, HEIGHT, FOCAL = 1200, 900, 900.0


def person(theta_deg, azimuth_deg, elevation_deg=10.0, roll_deg=0.0, depth=5.0, sd_px=1.0, body_deg=None):
    """Exact landmarks of the model's average person."""
    body = torso.body_prior()[0][None].copy()
    theta = np.radians([theta_deg])
    body[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)[0]
    for parameter, value_deg in (body_deg or {}).items():
        body[:, parameter] = np.radians(value_deg)
    points, _ = torso.place(theta, body)
    c = np.array([[*np.radians([azimuth_deg, elevation_deg, roll_deg]), math.log(depth), 0.05, 0.02, 0.0]])
    rotation = cam.world_to_camera(c[:, 0], c[:, 1], c[:, 2])
    uv = cam.project(cam.to_camera(points, rotation, c), c)[0] * FOCAL + [WIDTH / 2, HEIGHT / 2]
    points = {n: Landmark.round_(x, y, sd_px, True, "hand") for n, (x, y) in zip(torso.NAMES, uv, strict=True)}
    return Landmarks(points, "made")


def noisy(theta_deg, azimuth_deg, sd_px, seed):
    """Landmarks of that person with as much scatter as is stated with them."""
    rng = np.random.default_rng(seed)
    exact = person(theta_deg, azimuth_deg, sd_px=sd_px)
    moved = {n: replace(p, x=p.x + rng.normal(0, sd_px), y=p.y + rng.normal(0, sd_px)) for n, p in exact.points.items()}
    return replace(exact, points=moved)


def view(landmarks, width=WIDTH, height=HEIGHT, focal=FOCAL, roll=None):
    return View(landmarks, width, height, focal, roll)
