"""Findings about a photo: each fires on what it is about and stays quiet on the sample pictures."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.samples import PEOPLE, sample
from vision import quality
from vision.findings import finding
from vision.kneeling import kneeling_probability, shin_tilt_deg
from vision.landmarks import Landmark, Landmarks
from vision.photo import Photo, decode
from vision.rotation import Rotation
from vision.sides import Side

EVERY = [(person, side) for person, pictures in PEOPLE.items() for side in pictures]


def true_landmarks(person, side):
    points = PEOPLE[person][side]["landmarks_px"]
    return Landmarks({n: Landmark.round_(x, y, 1.0, True, "hand") for n, (x, y) in points.items()}, "truth")


def load(person="person01", side="left") -> tuple[Photo, Landmarks]:
    return decode(sample(person, side).read_bytes()), true_landmarks(person, side)


def changed(photo: Photo, pixels: np.ndarray) -> Photo:
    return Photo(pixels.astype(np.uint8), photo.focal_px, None, "changed", "image/png")


def codes(photo, landmarks) -> list[str]:
    return [f.code for f in quality.photo_findings(photo, landmarks)]


@pytest.mark.parametrize(("person", "side"), EVERY[::5])
def test_nothing_is_wrong_with_the_sample_pictures(person, side):
    assert codes(*load(person, side)) == []


def test_a_dark_photo_is_told():
    photo, landmarks = load()
    assert "photo-dark" in codes(changed(photo, photo.pixels * 0.15), landmarks)


def test_a_burnt_out_photo_is_told():
    photo, landmarks = load()
    assert "photo-overexposed" in codes(changed(photo, np.clip(photo.pixels * 6.0, 0, 255)), landmarks)


@pytest.mark.parametrize("person", ["person01", "person03", "person07"])
def test_blur_by_two_hundredths_of_the_trunk_is_told(person):
    photo, landmarks = load(person)
    trunk = np.hypot(
        *(
            np.array(PEOPLE[person]["left"]["landmarks_px"]["acromion_left"])
            - PEOPLE[person]["left"]["landmarks_px"]["hip_joint_left"]
        )
    )
    soft = cv2.GaussianBlur(photo.pixels, (0, 0), 0.02 * trunk)
    assert "photo-blurred" in codes(changed(photo, soft), landmarks)


def test_blur_is_judged_at_the_size_of_the_person():
    photo, _ = load()
    large = cv2.resize(photo.pixels, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    assert quality.blur(large) == pytest.approx(quality.blur(photo.pixels), abs=0.08)


def test_a_small_person_is_told():
    photo, landmarks = load()
    small = cv2.resize(photo.pixels, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA)
    points = {n: Landmark.round_(p.x * 0.3, p.y * 0.3, 1, True, "hand") for n, p in landmarks.points.items()}
    assert "person-small" in codes(changed(photo, small), Landmarks(points, "truth"))


@pytest.mark.parametrize(
    ("name", "part"),
    [("ankle_left", "feet"), ("nose", "head"), ("acromion_right", "shoulders"), ("knee_right", "knees")],
)
@pytest.mark.parametrize(
    ("x", "y", "edge"), [(-9, 300, "left"), (1300, 300, "right"), (400, -5, "upper"), (400, 950, "lower")]
)
def test_the_part_cut_off_and_the_edge_are_named(name, part, x, y, edge):
    photo, landmarks = load()
    points = dict(landmarks.points) | {name: Landmark.round_(x, y, 1, True, "hand")}
    found = [f for f in quality.photo_findings(photo, Landmarks(points, "truth")) if f.code == "cut-off"]
    assert len(found) == 1
    assert part in found[0].message
    assert edge in found[0].message


def turned_points(photo, landmarks, degrees):
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    centre = np.array([photo.width / 2, photo.height / 2])
    xy = {n: turn @ (np.array([p.x, p.y]) - centre) + centre for n, p in landmarks.points.items()}
    return {n: Landmark.round_(*v, 1, True, "hand") for n, v in xy.items()}


def test_a_tilted_phone_is_told_with_its_angle():
    photo, landmarks = load()
    before = shin_tilt_deg(landmarks.points)
    after = shin_tilt_deg(turned_points(photo, landmarks, 30))
    assert after - before == pytest.approx(30)
    points = turned_points(photo, landmarks, 30 - before)
    assert codes(photo, Landmarks(points, "truth")) == ["phone-tilted"]
    assert kneeling_probability(points) > 0.9


def test_a_picture_on_its_side_is_told():
    photo, landmarks = load()
    assert "photo-sideways" in codes(photo, Landmarks(turned_points(photo, landmarks, 90), "truth"))


def test_a_photo_stored_anew_is_the_same_and_another_trial_is_not():
    photo, _ = load()
    again = io.BytesIO()
    Image.fromarray(photo.pixels).resize((900, 675)).save(again, "JPEG", quality=60)
    copy = decode(again.getvalue())
    others = [decode(sample(person, side).read_bytes()) for person, side in EVERY[2:12:3]]
    assert quality.repeated_photos([photo, *others, copy]) == [copy]
    assert quality.repeated_photos([photo, photo]) == [photo]


def test_black_photos_are_not_called_the_same():
    black = [Photo(np.zeros((300, 400, 3), np.uint8), None, None, str(i), "image/png") for i in range(2)]
    assert quality.repeated_photos(black) == []


def rotation(side, right_deg, half, *codes):
    found = tuple(finding(code, declared=side, other=side.other) for code in codes)
    return Rotation(side, right_deg, (right_deg - half, right_deg + half), half / 2, None, "automatic", found)


def test_a_chest_opens_the_other_way_only_when_the_band_is_clear_of_zero():
    assert quality.opposite(rotation(Side.LEFT, 30, 20))
    assert not quality.opposite(rotation(Side.LEFT, 30, 40))
    assert not quality.opposite(rotation(Side.RIGHT, 30, 20))
    assert quality.opposite(rotation(Side.RIGHT, -30, 20))
    assert not quality.opposite(rotation(Side.START, -30, 20))


def test_sides_are_called_exchanged_only_when_every_photo_says_so():
    left = rotation(Side.LEFT, 40, 10, "opens-other-way")
    right = rotation(Side.RIGHT, -40, 10, "opens-other-way")
    assert [f.code for f in quality.sides_exchanged([left], [right])] == ["sides-exchanged"]
    assert quality.sides_exchanged([left, rotation(Side.LEFT, -40, 10)], [right]) == ()
    assert quality.sides_exchanged([left], []) == ()
