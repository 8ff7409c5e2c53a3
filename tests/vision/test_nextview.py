import pytest

from tests.samples import FOLDER
from tests.vision.torsos import person, view
from vision.fit import Trial, fit_trial
from vision.measuring import default_finders, find_landmarks, fit_declared, view_of
from vision.nextview import VIEWPOINTS, expected_widths_deg, next_view
from vision.photo import decode
from vision.sides import Side

ANGLES = (30, 45, 60, 75)


@pytest.mark.parametrize("side", [Side.LEFT, Side.RIGHT])
@pytest.mark.parametrize("theta_deg", ANGLES)
def test_the_standing_advice_agrees_with_the_computed_widths(theta_deg, side):
    width = expected_widths_deg(theta_deg, side)
    assert width["opening-side"] < width["closing-side"]
    assert width["closing-side-feet"] < width["closing-side"]
    assert max(width["head-end"], width["foot-end"]) < width["opening-side"]


@pytest.mark.parametrize("theta_deg", ANGLES)
def test_at_the_foot_end_a_low_phone_is_better(theta_deg):
    foot = [v for v in VIEWPOINTS if v.code == "foot-end"]
    low, middle, high = (expected_widths_deg(theta_deg, Side.RIGHT, foot, e)["foot-end"] for e in (-5, 15, 30))
    assert low < middle < high
    assert low < 0.85 * high


def test_left_and_right_rotation_get_the_same_advice_mirrored():
    left, right = expected_widths_deg(50, Side.LEFT), expected_widths_deg(50, Side.RIGHT)
    assert left == pytest.approx(right, rel=1e-3)


def test_after_a_side_on_photo_a_photo_in_line_with_the_trunk_is_asked_for_in_one_sentence():
    asked = next_view(fit_trial([view(person(50, -90, sd_px=4))], Side.RIGHT))
    assert asked.viewpoint.code in {"head-end", "foot-end"}
    assert asked.width_then_deg < 0.75 * asked.width_now_deg
    assert asked.sentence.count(".") == 1
    assert f"{asked.width_then_deg:.0f} degrees" in asked.sentence


def test_the_promised_narrowing_is_what_a_second_photo_brings():
    one = view(person(50, -90, sd_px=4))
    alone = fit_trial([one], Side.RIGHT)
    foot = [v for v in VIEWPOINTS if v.code == "foot-end"]
    promised = next_view(alone, foot)
    both = fit_trial([one, view(person(50, 180, sd_px=4))], Side.RIGHT)
    low, high = both.posterior.band_deg
    assert promised.width_then_deg == pytest.approx(high - low, rel=0.35)


def test_the_sentence_names_the_side_the_chest_opens_to():
    opening = [v for v in VIEWPOINTS if v.code == "opening-side"]
    asked = next_view(fit_trial([view(person(-50, -90, sd_px=6))], Side.LEFT), opening)
    assert "from the left side" in asked.sentence


def test_the_promised_narrowing_is_what_a_second_photo_brings_when_the_network_reads_both():
    finders = default_finders()

    def read(name):
        photo = decode((FOLDER / "repeat_visits" / f"repeat01_round1_right_{name}.jpg").read_bytes())
        return view_of(find_landmarks(photo, Side.RIGHT, finders), photo.width, photo.height, photo.focal_px)

    one, two = read("side"), read("head")
    (alone,), (both,) = fit_declared([Trial([one], Side.RIGHT)]), fit_declared([Trial([one, two], Side.RIGHT)])
    promised = next_view(alone, [v for v in VIEWPOINTS if v.code == "head-end"])
    low, high = both.posterior.band_deg
    assert promised.width_then_deg == pytest.approx(high - low, rel=0.35)


@pytest.mark.parametrize(("side", "sign"), [(Side.RIGHT, 1), (Side.LEFT, -1)])
def test_a_place_that_was_photographed_already_is_not_asked_for_again(side, sign):
    one = view(person(sign * 50, sign * -90, sd_px=4))
    first = next_view(fit_trial([one], side)).viewpoint
    there = view(person(sign * 50, sign * (first.azimuth_deg + 8), sd_px=4))
    second = next_view(fit_trial([one, there], side))
    assert second is None or second.viewpoint.code not in {first.code, "opening-side"}
    assert next_view(fit_trial([one, there], side), [first]) is None


def test_nothing_is_asked_for_when_the_band_is_narrow_already():
    views = [view(person(40, a, sd_px=0.3)) for a in (-90, -45, 0, 45, 90, 135, 180, -135)]
    assert next_view(fit_trial(views, Side.RIGHT)) is None
