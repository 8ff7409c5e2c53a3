"""An uploaded photo is stored first, once, whatever it is."""

import io

import pytest
from starlette.datastructures import UploadFile

from app.errors import InputError, TooLargeError
from app.photos.intake import read_file
from app.photos.store import ORIGINAL, SHOWN
from tests.app.drawn_person import picture
from vision.sides import Side


def test_a_photo_is_measured_by_the_waiting_job(practice):
    round_id = practice.round("left", measure=False)
    assert [p.state for t in practice.load(round_id).trials for p in t.photos] == ["waiting"]
    assert practice.measure() == 1
    (trial,) = practice.load(round_id).trials
    assert trial.photos[0].state == "measured"
    assert trial.side is Side.LEFT
    assert trial.current.rotation.magnitude_deg > 0
    assert trial.current == trial.automatic


def test_sending_the_same_photo_again_with_its_key_changes_nothing(practice):
    round_id = practice.round()
    first = practice.send(round_id, "left", picture(), key="the-same-key")
    again = practice.send(round_id, "left", picture(), key="the-same-key")
    assert first.id == again.id
    assert len(practice.load(round_id).trials) == 1
    assert practice.measure() == 1


def test_a_file_that_is_no_photo_is_kept_with_the_reason_and_spoils_no_other(practice):
    round_id = practice.round("left")
    kept = practice.send(round_id, "right", b"%PDF-1.7 not a photo", key="pdf-key-0001")
    practice.measure()
    left, right = practice.load(round_id).trials
    assert left.photos[0].state == "measured"
    assert right.photos[0].state == "not-measurable"
    assert right.photos[0].measurement.landmarks.findings[0].code == "photo-unreadable"
    assert practice.services.store.get(kept.id, ORIGINAL) == b"%PDF-1.7 not a photo"
    assert practice.services.store.get(kept.id, SHOWN) is None


def test_a_photo_of_nobody_is_shown_and_kept(practice):
    round_id = practice.round("left", data=picture((0, 0, 0)))
    (trial,) = practice.load(round_id).trials
    assert trial.photos[0].state == "not-measurable"
    assert trial.photos[0].shown
    assert not trial.current.rotation
    assert [f.code for f in trial.current.rotation.findings] == ["nobody"]


def test_the_same_bytes_as_two_trials_are_noticed(practice):
    round_id = practice.round()
    practice.send(round_id, "left", picture(), key="first-key")
    practice.send(round_id, "left", picture(), key="second-key")
    practice.measure()
    first, second = practice.load(round_id).trials
    codes = [[f.code for f in t.photos[0].measurement.landmarks.findings] for t in (first, second)]
    assert codes == [[], ["photo-twice"]]


def test_several_viewpoints_belong_to_one_trial(practice):
    round_id = practice.round("left")
    (trial,) = practice.load(round_id).trials
    practice.send(round_id, "left", picture((1, 2, 90)), key="second-viewpoint", trial_id=trial.id)
    practice.measure()
    (trial,) = practice.load(round_id).trials
    assert [p.viewpoint for p in trial.photos] == [1, 2]


def test_a_viewpoint_of_another_side_is_refused_and_leaves_no_file(practice, settings):
    round_id = practice.round("left")
    (trial,) = practice.load(round_id).trials
    files = sorted(settings.photo_folder.rglob("*"))
    with pytest.raises(InputError):
        practice.send(round_id, "right", picture((1, 2, 90)), key="second-viewpoint", trial_id=trial.id)
    assert [f for f in settings.photo_folder.rglob("*") if f.is_file() and f not in files] == []


def test_another_picture_under_a_used_key_is_not_lost(practice):
    # a browser's way back shows the same form again, and then another file is chosen in it
    round_id = practice.round()
    sent = [
        practice.send(round_id, "left", picture((grey, 90, 90)), key="the-same-key").id for grey in (10, 200, 200, 10)
    ]
    assert (sent[0], sent[1]) == (sent[3], sent[2])
    assert len(set(sent)) == len(practice.load(round_id).trials) == 2


def test_a_file_beyond_the_limit_is_refused_in_words_and_not_read():
    class Unread(io.BytesIO):
        def read(self, *_):
            pytest.fail("it was read")

    with pytest.raises(TooLargeError, match="million bytes"):
        read_file(UploadFile(Unread(), size=1001), 1000)
    assert read_file(UploadFile(io.BytesIO(b"12"), size=2), 2) == b"12"


def test_another_practice_finds_nothing(practice):
    round_id = practice.round("left")
    with practice.services.database.begin() as session:
        from app.records import people, rounds

        other = people.add_practice(session, "Other")
        with pytest.raises(Exception, match="does not exist"):
            rounds.load_round(session, other.id, round_id)
