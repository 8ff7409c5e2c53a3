"""Corrections are added and reverted; the automatic result stays."""

import pytest

from app.errors import NotFoundError
from app.photos.fitting import fit_round_again
from app.records import corrections, people, rounds


@pytest.fixture
def measured(practice):
    round_id = practice.round("left")
    (trial,) = practice.load(round_id).trials
    return practice, round_id, trial


def change(practice, trial, **typed_or_moved):
    with practice.services.database.begin() as session:
        if "angle" in typed_or_moved:
            correction_id = corrections.add_typed(
                session, practice.practice_id, trial.id, practice.member_id, typed_or_moved["angle"], 5.0, reason="tape"
            )
        else:
            correction_id = corrections.add_moved(
                session,
                practice.practice_id,
                trial.id,
                trial.photos[0].id,
                practice.member_id,
                typed_or_moved["moved"],
            )
    fit_round_again(practice.services.database, practice.practice_id, trial.round_id, practice.services.measurer)
    return correction_id


def revert(practice, correction_id):
    with practice.services.database.begin() as session:
        trial_id = corrections.revert(session, practice.practice_id, correction_id, practice.member_id)
        round_id = rounds.round_of_trial(session, practice.practice_id, trial_id)
    fit_round_again(practice.services.database, practice.practice_id, round_id, practice.services.measurer)


def test_a_typed_angle_holds_and_the_automatic_one_stays_beside_it(measured):
    practice, round_id, trial = measured
    before = trial.automatic.rotation.magnitude_deg
    change(practice, trial, angle=50.0)
    (trial,) = practice.load(round_id).trials
    assert trial.current.rotation.origin == "typed"
    assert trial.current.rotation.magnitude_deg == 50.0
    assert trial.current.rotation.right_deg == -50.0
    assert trial.current.rotation.band_deg == (45.0, 55.0)
    assert trial.automatic.rotation.magnitude_deg == pytest.approx(before)


def test_moved_points_change_the_angle_and_reverting_brings_the_automatic_one_back(measured):
    practice, round_id, trial = measured
    before = trial.automatic.rotation.magnitude_deg
    correction_id = change(practice, trial, moved={"acromion_left": (280.0, 60.0)})
    (trial,) = practice.load(round_id).trials
    assert trial.current.rotation.origin == "moved"
    assert trial.current.rotation.magnitude_deg > before + 5
    revert(practice, correction_id)
    (trial,) = practice.load(round_id).trials
    assert trial.current.rotation.origin == "automatic"
    assert trial.current.rotation.magnitude_deg == pytest.approx(before)
    assert trial.corrections[0].reverted_by == practice.member_id


def test_the_newest_correction_that_was_not_reverted_holds(measured):
    practice, round_id, trial = measured
    typed = change(practice, trial, angle=50.0)
    change(practice, trial, moved={"acromion_left": (280.0, 60.0)})
    assert practice.load(round_id).trials[0].current.rotation.origin == "moved"
    last = change(practice, trial, angle=30.0)
    assert practice.load(round_id).trials[0].current.rotation.magnitude_deg == 30.0
    revert(practice, last)
    assert practice.load(round_id).trials[0].current.rotation.origin == "moved"
    revert(practice, typed)
    assert len(practice.load(round_id).trials[0].corrections) == 3


def test_a_correction_of_another_practice_is_not_found(measured):
    practice, _round_id, trial = measured
    correction_id = change(practice, trial, angle=50.0)
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Other").id
        with pytest.raises(NotFoundError):
            corrections.revert(session, other, correction_id, None)


def test_fitting_again_without_a_change_stores_nothing_new(measured):
    practice, round_id, trial = measured
    fit_round_again(practice.services.database, practice.practice_id, round_id, practice.services.measurer)
    assert practice.load(round_id).trials[0].current.number == trial.current.number


def test_a_correction_of_one_trial_leaves_another_automatic(practice):
    round_id = practice.round("left", "left")
    first, second = practice.load(round_id).trials
    change(practice, first, moved={"acromion_left": (280.0, 60.0)})
    corrected, other = practice.load(round_id).trials
    assert corrected.current.rotation.origin == "moved"
    assert other.current.rotation.origin == "automatic"
    assert other.current.rotation.magnitude_deg == pytest.approx(second.current.rotation.magnitude_deg)
