"""One remedy, the most urgent one, in words for somebody whose phone is on the floor."""

import pytest

from app.remote.feedback import NOT_MEASURABLE, REMEDIES, feedback
from vision.findings import TEXTS, Finding, finding
from vision.sides import Side


def test_no_finding_and_somebody_found_is_good():
    assert feedback([], found=True, side=Side.LEFT).good


def test_a_finding_that_the_athlete_cannot_put_right_does_not_ask_for_another_photo():
    assert feedback([finding("left-right-settled")], found=True, side=Side.LEFT).good


def test_a_photo_whose_angle_the_fit_withholds_is_not_asked_for_again():
    assert feedback([finding("angle-too-uncertain", sd=15)], found=True, side=Side.LEFT).good


def test_feet_cut_off_asks_to_move_the_phone_back_and_says_why():
    said = feedback([finding("cut-off", part="feet", edge="left")], found=True, side=Side.LEFT)
    assert not said.good
    assert said.remedy.startswith("Move the phone one step back")
    assert "feet" in said.why


def test_only_the_first_thing_to_put_right_is_said():
    found = [finding("photo-blurred"), finding("photo-dark"), finding("cut-off", part="feet", edge="left")]
    assert feedback(found, found=True, side=Side.LEFT).code == "photo-dark"


def test_the_wrong_side_is_named_in_words():
    said = feedback([finding("opens-other-way", declared="left", other="right")], found=True, side=Side.LEFT)
    assert "your own left" in said.remedy


def test_from_the_foot_end_nobody_is_told_to_face_the_side():
    oblique = Finding("camera-oblique", "The camera looked from the feet.", "")
    assert feedback([oblique], found=True, side=Side.LEFT, from_foot_end=True).good
    assert feedback([oblique], found=True, side=Side.LEFT).code == "camera-oblique"


def test_a_photo_in_which_nobody_was_found_is_never_called_good():
    assert feedback([], found=False, side=Side.LEFT).remedy == NOT_MEASURABLE
    broke = feedback([finding("measuring-broke")], found=False, side=Side.LEFT)
    assert (broke.remedy, broke.code) == (NOT_MEASURABLE, "measuring-broke")


@pytest.mark.parametrize(
    "code", sorted(c for c, t in TEXTS.items() if t.withholds and c.startswith(("photo-", "pers")))
)
def test_every_fault_of_a_photo_that_withholds_its_angle_has_a_remedy(code):
    if code not in {"photo-missing"}:  # of the command line: a path that cannot be read
        assert code in REMEDIES


@pytest.mark.parametrize("words", [*REMEDIES.values(), NOT_MEASURABLE])
def test_a_remedy_is_short_enough_to_be_spoken(words):
    assert len(words) <= 120
