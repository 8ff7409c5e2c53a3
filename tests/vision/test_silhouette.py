"""The outline of the person, and the photo with the room painted over."""

import numpy as np

from tests.samples import PEOPLE, sample
from vision.photo import decode
from vision.silhouette import Silhouette, without_room


def test_the_outline_holds_the_visible_points_and_little_of_the_room():
    photo = decode(sample("person03", "left").read_bytes())
    outline = Silhouette().find(photo.pixels)
    assert outline is not None
    scale = outline.shape[1] / photo.width
    true = PEOPLE["person03"]["left"]
    shown = [true["landmarks_px"][n] for n in true["landmarks_visible"]]
    inside = [outline[int(y * scale), int(x * scale)] > 0.3 for x, y in shown]
    assert np.mean(inside) > 0.8
    assert (outline > 0.3).mean() < 0.25


def test_nobody_has_no_outline():
    assert Silhouette().find(np.full((480, 640, 3), 120, np.uint8)) is None


def test_the_room_is_painted_over_and_the_person_kept():
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, 255, (300, 400, 3), dtype=np.uint8)
    outline = np.zeros((150, 200))
    outline[50:100, 60:140] = 1
    alone = without_room(pixels, outline)
    assert alone is not None
    assert np.array_equal(alone[120:180, 160:240], pixels[120:180, 160:240])
    assert np.ptp(alone[:40].reshape(-1, 3), axis=0).max() == 0
    assert without_room(pixels, np.zeros((150, 200))) is None
