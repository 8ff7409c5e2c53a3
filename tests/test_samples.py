"""The sample pictures: complete, as the data card says, and found by the program."""

import json

import numpy as np
import pytest
from PIL import Image

from app.samples import sample_folder
from tests.samples import FOLDER, PEOPLE
from vision.photo import decode


def test_the_program_finds_them():
    assert sample_folder() == FOLDER


def test_there_are_at_least_six_people_with_three_pictures_each():
    assert len(PEOPLE) >= 6
    for pictures in PEOPLE.values():
        assert list(pictures) == ["start", "left", "right"]


def test_every_picture_belongs_to_the_truth_and_every_truth_to_a_picture():
    listed = {picture["file"] for pictures in PEOPLE.values() for picture in pictures.values()}
    assert {path.name for path in FOLDER.glob("*.jpg")} == listed


@pytest.mark.parametrize("person", PEOPLE)
def test_true_angles_have_the_sign_of_their_side(person):
    pictures = PEOPLE[person]
    assert pictures["left"]["rotation_right_deg"] < -20
    assert pictures["right"]["rotation_right_deg"] > 20
    assert abs(pictures["start"]["rotation_right_deg"]) < 10


@pytest.mark.parametrize("person", PEOPLE)
def test_pictures_carry_the_focal_length_that_the_card_names(person):
    for picture in PEOPLE[person].values():
        photo = decode((FOLDER / picture["file"]).read_bytes())
        assert (photo.width, photo.height) == (1200, 900)
        assert photo.focal_px == pytest.approx(picture["focal_length_35mm"] / 43.2666 * 1500, rel=1e-3)
        inside = np.array(list(picture["landmarks_px"].values()))
        assert (inside > 0).all()
        assert (inside < (1200, 900)).all()


def test_the_data_card_names_every_field_of_the_truth():
    card = (FOLDER / "README.md").read_text()
    fields = {field for pictures in PEOPLE.values() for picture in pictures.values() for field in picture}
    assert {f for f in fields if f"`{f}`" not in card} <= {"file", "rendered_as"}
    assert json.loads((FOLDER / "truth.json").read_text())["about"]


def test_no_picture_carries_a_place():
    for path in FOLDER.glob("*.jpg"):
        with Image.open(path) as picture:
            assert 0x8825 not in picture.getexif(), "GPS block"
