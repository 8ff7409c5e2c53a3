"""Sending photos: stored each by itself, in words when something is wrong, without JavaScript too."""

import pytest

from tests.app.drawn_person import picture
from vision.nextview import STANDING_ADVICE


@pytest.fixture
def round_id(practice):
    return practice.round()


def send(client, round_id, *files, side="left", key="form-key-1", **more):
    return client.post(
        f"/rounds/{round_id}/photos",
        data={"side": side, "upload_key": key, **more.pop("data", {})},
        files=[("photos", (name, data, "image/jpeg")) for name, data in files],
        **more,
    )


def test_the_page_shows_the_position_of_each_side(client, round_id):
    page = client.get(f"/rounds/{round_id}/photos").text
    assert "Left rotation" in page
    assert (
        "the chest opened to the person&#39;s own left" in page or "the chest opened to the person's own left" in page
    )
    assert 'accept="image/*"' in page


def test_the_page_says_where_the_phone_stands_best(client, round_id):
    page = client.get(f"/rounds/{round_id}/photos").text
    for advice in STANDING_ADVICE:
        assert advice in page


def test_the_page_says_first_that_a_second_photo_from_the_foot_end_helps_most_and_offers_it(client, practice):
    page = client.get(f"/rounds/{practice.round('left')}/photos").text
    assert page.index("a second photo of the same held turn from the foot end") < page.index('id="left"')
    offered = page.index("Second photo of Trial 1")
    assert offered < page.index("<summary>Change Trial 1")  # in sight, not folded away


def test_several_photos_of_a_form_become_several_trials(client, practice, round_id):
    answer = send(client, round_id, ("a.jpg", picture((9, 9, 90))), ("b.jpg", picture((9, 90, 9))))
    assert answer.status_code == 303
    practice.measure()
    assert [t.side for t in practice.load(round_id).trials] == ["left", "left"]
    assert "Trial 2" in client.get(answer.headers["location"]).text


def test_sending_the_same_form_again_stores_nothing_twice(client, practice, round_id):
    for _ in range(2):
        assert send(client, round_id, ("a.jpg", picture())).status_code == 303
    assert len(practice.load(round_id).trials) == 1


def test_a_script_gets_json(client, round_id):
    answer = send(client, round_id, ("a.jpg", picture()), headers={"accept": "application/json"})
    assert answer.status_code == 201
    assert answer.json()["photos"][0]["state"] == "waiting"


def test_a_photo_beyond_the_limit_spoils_no_other(client, practice, round_id):
    too_large = bytes(practice.services.settings.max_photo_bytes + 1)
    answer = send(client, round_id, ("big.jpg", too_large), ("a.jpg", picture()))
    assert answer.status_code == 422
    assert "big.jpg" in answer.text
    assert len(practice.load(round_id).trials) == 1


def test_no_photo_chosen_is_said(client, round_id):
    # what a browser sends for an empty file field
    fields = [
        'name="side"\r\n\r\nleft',
        'name="upload_key"\r\n\r\nform-key-1',
        'name="photos"; filename=""\r\nContent-Type: application/octet-stream\r\n\r\n',
    ]
    body = "".join(f"--edge\r\nContent-Disposition: form-data; {f}\r\n" for f in fields) + "--edge--\r\n"
    answer = client.post(
        f"/rounds/{round_id}/photos",
        content=body.encode(),
        headers={"content-type": "multipart/form-data; boundary=edge"},
    )
    assert answer.status_code == 422
    assert "No photo was chosen" in answer.text


def test_a_side_that_does_not_exist_is_refused_in_words(client, round_id):
    answer = send(client, round_id, ("a.jpg", picture()), side="up")
    assert answer.status_code == 422
    assert "side" in answer.text


def test_a_round_of_another_practice_is_not_found(client):
    assert send(client, "0" * 32, ("a.jpg", picture())).status_code == 404
    assert client.get(f"/rounds/{'0' * 32}/photos").status_code == 404


def test_a_swapped_photo_can_be_declared_the_other_side_and_is_measured_again(client, practice):
    round_id = practice.round("left")
    (trial,) = practice.load(round_id).trials
    answer = client.post(f"/trials/{trial.id}/side", data={"side": "right"})
    assert answer.status_code == 303
    practice.measure()
    (trial,) = practice.load(round_id).trials
    assert trial.current.rotation.side == "right"
    assert trial.current.rotation.right_deg > 0


def test_a_removed_trial_is_gone_with_its_files(client, practice, settings):
    round_id = practice.round("left")
    (trial,) = practice.load(round_id).trials
    assert client.post(f"/trials/{trial.id}/remove").status_code == 303
    assert practice.load(round_id).trials == ()
    assert not [f for f in settings.photo_folder.rglob("*") if f.is_file()]


def test_an_unmeasurable_photo_says_why_and_can_be_measured_by_hand(client, practice):
    round_id = practice.round("left", data=picture((0, 0, 0)))
    page = client.get(f"/rounds/{round_id}/photos").text
    assert "Nobody is seen. Turn on the light." in page
    assert "Measure it by hand" in page


def test_progress_tells_how_many_are_open(client, practice):
    round_id = practice.round("left", "right", measure=False)
    assert 'data-open="2"' in client.get(f"/rounds/{round_id}/photos/progress").text
    practice.measure()
    assert 'data-open="0"' in client.get(f"/rounds/{round_id}/photos/progress").text
