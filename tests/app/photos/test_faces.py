"""A face taken out of a stored photo: nothing of it is left, and measuring loses nothing it needs."""

import io
import math

import numpy as np
import pytest
from PIL import Image

from app.photos.faces import without_face
from vision.landmarks import Landmark
from vision.photo import decode

SIZE = (800, 600)
HEAD = {"ear_left": (150, 300), "nose": (130, 320)}
TRUNK = {
    "acromion_left": (260, 260),
    "acromion_right": (260, 300),
    "hip_joint_left": (520, 400),
    "hip_joint_right": (520, 420),
}


def points(*groups):
    return {n: Landmark.round_(x, y, 4.0, True, "pose-model") for g in groups for n, (x, y) in g.items()}


@pytest.fixture
def photo():
    """A chequerboard with the data a phone writes: focal length, time, place, an embedded preview."""
    checks = ((np.indices(SIZE[::-1]).sum(0) // 6 % 2) * 255).astype(np.uint8)
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner[0xA405], inner[0x9003], inner[0x927C] = 26, "2026:05:02 10:20:30", b"preview of the face"
    exif[0x0112] = 1
    file = io.BytesIO()
    Image.fromarray(checks).convert("RGB").save(file, "JPEG", quality=95, exif=exif)
    return decode(file.getvalue())


def test_the_head_is_reduced_to_a_smear_and_the_rest_stays(photo):
    covered = decode(without_face(photo, points(HEAD, TRUNK)))
    before, after = photo.pixels.astype(float), covered.pixels.astype(float)
    assert before[280:340, 110:170].std() > 100
    assert after[280:340, 110:170].std() < 15
    assert np.abs(after[:, 420:] - before[:, 420:]).mean() < 2  # trunk and hips, where measuring looks


def test_focal_length_and_time_stay_and_everything_else_goes(photo):
    data = without_face(photo, points(HEAD, TRUNK))
    covered = decode(data)
    assert covered.focal_px == pytest.approx(26 / math.hypot(36, 24) * 1000)
    assert covered.taken_at == photo.taken_at
    assert b"preview of the face" not in data


def test_without_a_head_nothing_is_covered_and_that_is_told(photo):
    assert without_face(photo, points(TRUNK)) is None
