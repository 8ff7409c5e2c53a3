"""Overlays: what is drawn, where, and that it reads on any photo."""

import numpy as np
import pytest

from tests.samples import KnowingFinder, sample
from vision.draw import overlay
from vision.landmarks import Landmarks
from vision.measuring import measure
from vision.photo import Photo
from vision.rotation import Rotation
from vision.sides import Side


@pytest.fixture(scope="module")
def measured():
    return measure(left=sample("person01", "left"), finders=[KnowingFinder()]).left[0]


def plain(photo: Photo, value: int) -> Photo:
    return Photo(np.full_like(photo.pixels, value), None, None, str(value), "image/png")


def drawn(trial, ground: Photo, rotation=None) -> np.ndarray:
    photo = trial.photos[0]
    picture = overlay(ground, photo.landmarks, rotation or trial.rotation, photo.projected)
    assert picture.size == (ground.width, ground.height)
    return np.asarray(picture).astype(int)


@pytest.mark.parametrize("ground", [0, 128, 255])
def test_lines_read_on_dark_grey_and_light_photos(measured, ground):
    photo = plain(measured.photos[0].photo, ground)
    after = drawn(measured, photo)
    (ax, ay), (bx, by) = (measured.photos[0].projected[f"hip_joint_{s}"] for s in ("left", "right"))
    x, y = round((3 * ax + bx) / 4), round((3 * ay + by) / 4)  # on the solid left half
    near = after[y - 5 : y + 6, x - 5 : x + 6].reshape(-1, 3).mean(axis=1)
    assert near.max() - near.min() > 120, "a light stroke beside a dark one"


def test_the_left_half_of_a_line_is_solid_and_the_right_half_is_dashed(measured):
    photo = plain(measured.photos[0].photo, 128)
    after = drawn(measured, photo)
    shoulder = [np.array(measured.photos[0].projected[f"acromion_{s}"]) for s in ("left", "right")]

    def bare(start, end):
        """Share of places along a line where the ground shows."""
        places = [start + (end - start) * f for f in np.linspace(0.15, 0.85, 60)]
        return np.mean([np.abs(after[round(y), round(x)] - 128).max() < 8 for x, y in places])

    middle = (shoulder[0] + shoulder[1]) / 2
    assert bare(middle, shoulder[0]) == 0
    assert 0.15 < bare(middle, shoulder[1]) < 0.7


def test_hidden_points_are_hollow(measured):
    photo = plain(measured.photos[0].photo, 128)
    trial = measured.photos[0]
    name = "knee_left"
    point = trial.landmarks.points[name]
    for seen in (True, False):
        changed = type(point)(point.x, point.y, point.cov, seen, point.source)
        landmarks = Landmarks({name: changed}, "test")
        after = np.asarray(overlay(photo, landmarks, measured.rotation)).astype(int)
        centre = after[round(point.y), round(point.x)]
        assert (np.abs(centre - 128).max() > 100) == seen


def test_a_withheld_angle_and_a_photo_without_points_are_drawn_too(measured):
    photo = plain(measured.photos[0].photo, 200)
    nothing = Rotation(Side.LEFT, None, None, None, None, "automatic")
    after = np.asarray(overlay(photo, Landmarks({}, "none"), nothing))
    assert (after != 200).any(), "the panel says that no angle is given"


def test_the_photo_is_left_as_it_was(measured):
    photo = measured.photos[0].photo
    before = photo.pixels.copy()
    drawn(measured, photo)
    assert (photo.pixels == before).all()


@pytest.mark.parametrize("shape", [(160, 240), (240, 160), (3000, 4000)])
def test_any_size_can_be_drawn_on(shape, measured):
    photo = Photo(np.full((*shape, 3), 90, np.uint8), None, None, "x", "image/png")
    assert overlay(photo, measured.photos[0].landmarks, measured.rotation, {}).size == (shape[1], shape[0])
