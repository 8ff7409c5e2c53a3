"""Correcting by hand: the automatic value stays, everything below follows, and it works as plain forms."""

import re

import pytest

from tests.app.drawn_person import picture


@pytest.fixture
def photo(practice):
    round_id = practice.round("left", "right")
    return round_id, practice.load(round_id).trials[0].photos[0].id


def trial(practice, round_id):
    return practice.load(round_id).trials[0]


def fields(page):
    return dict(re.findall(r'name="([xy]-\w+)" value="([^"]*)"', page))


def move(client, photo_id, **changes):
    data = fields(client.get(f"/photos/{photo_id}/correct").text)
    return client.post(f"/photos/{photo_id}/points", data={**data, **changes})


def test_moved_points_change_what_holds_and_the_automatic_value_stays_beside_it(client, practice, photo):
    round_id, photo_id = photo
    before = trial(practice, round_id).automatic.rotation.magnitude_deg
    answer = move(client, photo_id, **{"y-acromion_left": "60", "reason": "the elbow was taken for the shoulder"})
    assert answer.status_code == 303
    now = trial(practice, round_id)
    assert now.current.rotation.origin == "moved"
    assert now.current.rotation.magnitude_deg > before + 5
    assert list(now.corrections[0].moved) == ["acromion_left"]
    page = client.get(f"/photos/{photo_id}/correct").text
    assert "points moved by Ada Quill" in page
    assert f"{before:.0f}°" in page
    assert "the elbow was taken for the shoulder" in page
    assert "points moved by Ada Quill" in client.get(f"/rounds/{round_id}").text


def test_saving_without_moving_anything_says_so(client, practice, photo):
    round_id, photo_id = photo
    answer = move(client, photo_id)
    assert answer.status_code == 422
    assert "No point was moved" in answer.text
    assert trial(practice, round_id).corrections == ()


def test_the_page_says_what_moving_a_point_far_does(client, practice, photo):
    page = client.get(f"/photos/{photo[1]}/correct").text
    assert "It narrows the band" not in page
    assert "leave out what it read from the picture as a whole" in page


def test_checking_all_four_counts_them_as_placed_by_hand(client, practice, photo):
    round_id, photo_id = photo
    assert move(client, photo_id, checked="yes").status_code == 303
    assert len(trial(practice, round_id).corrections[0].moved) == 4


@pytest.mark.parametrize(("value", "says"), [("left", "two numbers"), ("nan", "two numbers"), ("1e9", "far outside")])
def test_numbers_that_make_no_sense_are_refused_in_words(client, practice, photo, value, says):
    round_id, photo_id = photo
    answer = move(client, photo_id, **{"x-acromion_left": value})
    assert answer.status_code == 422
    assert says in answer.text
    assert trial(practice, round_id).corrections == ()


def test_trying_points_tells_the_angle_and_stores_nothing(client, practice, photo):
    round_id, photo_id = photo
    data = {**fields(client.get(f"/photos/{photo_id}/correct").text), "y-acromion_left": "60"}
    answer = client.post(f"/photos/{photo_id}/points/try", data=data)
    assert answer.status_code == 200
    assert answer.json()["band"].startswith("band ")
    assert trial(practice, round_id).corrections == ()
    assert trial(practice, round_id).current.rotation.origin == "automatic"


def test_a_typed_angle_needs_a_reason_and_keeps_what_was_typed(client, practice, photo):
    round_id, photo_id = photo
    answer = client.post(f"/photos/{photo_id}/angle", data={"angle": "47,5", "half_band": "4", "reason": ""})
    assert answer.status_code == 422
    assert 'value="47,5"' in answer.text
    answer = client.post(
        f"/photos/{photo_id}/angle", data={"angle": "47,5", "half_band": "4", "reason": "inclinometer, mean of three"}
    )
    assert answer.status_code == 303
    rotation = trial(practice, round_id).current.rotation
    assert rotation.magnitude_deg == 47.5
    assert rotation.band_deg == (43.5, 51.5)
    assert rotation.right_deg == -47.5


@pytest.mark.parametrize("angle", ["", "far", "400", "nan"])
def test_an_angle_that_cannot_be_is_refused(client, photo, angle):
    _round_id, photo_id = photo
    answer = client.post(f"/photos/{photo_id}/angle", data={"angle": angle, "half_band": "4", "reason": "by eye"})
    assert answer.status_code == 422
    assert "must be a number of degrees" in answer.text


def test_taking_back_brings_the_automatic_value_and_keeps_the_history(client, practice, photo):
    round_id, photo_id = photo
    before = trial(practice, round_id).current.rotation.magnitude_deg
    move(client, photo_id, **{"y-acromion_left": "60"})
    correction_id = trial(practice, round_id).corrections[0].id
    answer = client.post(f"/photos/{photo_id}/corrections/{correction_id}/revert")
    assert answer.status_code == 303
    assert trial(practice, round_id).current.rotation.magnitude_deg == pytest.approx(before)
    page = client.get(f"/photos/{photo_id}/correct").text
    assert "taken back by Ada Quill" in page
    assert "Take back" not in page


def test_a_photo_of_nobody_can_be_measured_by_placing_four_points(client, practice):
    round_id = practice.round("right", data=picture((0, 0, 0)))
    photo_id = trial(practice, round_id).photos[0].id
    page = client.get(f"/photos/{photo_id}/correct").text
    assert "place all four points" in page
    assert move(client, photo_id).status_code == 303
    assert trial(practice, round_id).current.rotation
    assert not trial(practice, round_id).automatic.rotation


def test_a_file_that_is_no_photo_can_get_a_typed_angle(client, practice):
    round_id = practice.round("left", data=b"not a photo at all")
    photo_id = trial(practice, round_id).photos[0].id
    page = client.get(f"/photos/{photo_id}/correct").text
    assert "no picture to show" in page
    assert "This file is not a photo." in page
    data = {"angle": "40", "half_band": "5", "reason": "inclinometer"}
    assert client.post(f"/photos/{photo_id}/angle", data=data).status_code == 303
    assert trial(practice, round_id).current.rotation.magnitude_deg == 40


def test_photos_of_another_practice_are_not_found(client):
    nobody = "0" * 32
    assert client.get(f"/photos/{nobody}/correct").status_code == 404
    assert client.post(f"/photos/{nobody}/points").status_code == 404
    assert (
        client.post(f"/photos/{nobody}/angle", data={"angle": "1", "half_band": "5", "reason": "why"}).status_code
        == 404
    )
