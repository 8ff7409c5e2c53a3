"""The decision page says why, what would help, and what changed since when."""

import re

import pytest

from app.records import models, people, rounds, visits


def test_the_page_names_the_error_used_and_the_context_without_a_target(client, practice):
    page = client.get(f"/rounds/{practice.round('left', 'left', 'right')}/decision").text
    assert "Standard error of measurement used" in page
    assert "They are not a target" in page
    assert "One more trial a side, as good as these: the band of the difference would stay at about ±" in page
    assert "The safety questions were not asked at this visit." in page


def test_a_retest_is_compared_with_the_first_round_of_the_visit_and_the_last_visit(client, practice):
    practice.round("left", "right")
    second = practice.load(practice.round("left", "right"))
    with practice.services.database.begin() as session:
        retest = rounds.add_round(session, practice.practice_id, second.visit_id, {"hand": "neck"})
        session.get_one(models.Round, second.id).setup = {"hand": "low-back"}
    practice.send(retest, "left", b"not a photo", key="left of retest")
    practice.send(retest, "right", b"not a photo", key="right of retest")
    client.post(f"/rounds/{retest}/notes", data={})
    page = client.get(f"/rounds/{retest}/decision").text
    assert "Since: First round of this visit" in page
    assert page.count("Since: First round on") == 1
    assert "then “Hand on the low back”, now “Hand behind the neck”" in page
    assert "cannot be compared, an angle is missing" in page


def test_the_practices_own_error_decides_on_a_change_of_one_side_alone(client, practice):
    with practice.services.database.begin() as session:
        people.set_own_sem(session, practice.practice_id, 20.0)
    practice.round("left")
    later = practice.load(practice.round("left"))
    typed = {"angle": "70", "half_band": "2", "reason": "inclinometer"}
    client.post(f"/photos/{later.trials[0].photos[0].id}/angle", data=typed)
    # 1.96 * sqrt(2) * sqrt(3) * 20: one trial a round instead of three
    assert "a change of less than 96° cannot be told" in client.get(f"/rounds/{later.id}/decision").text


def test_a_round_without_photos_has_a_page(client, practice):
    page = client.get(f"/rounds/{practice.round()}/decision").text
    assert "One side has no angle yet" in page


def test_notes_on_trials_are_stored_and_asked_for_again(client, practice):
    record = practice.load(practice.round("start", "left", "right"))
    left = record.trials[1].id
    sent = {
        "trial": left,
        f"pain-{left}": "4",
        f"end-feel-{left}": "empty",
        f"fault-{left}": ["side-bend", "hips-lifted"],
    }
    assert client.post(f"/rounds/{record.id}/notes", data=sent).status_code == 303
    trial = practice.load(record.id).trials[1]
    assert (trial.pain, trial.end_feel, trial.faults) == (4, "empty", ("hips-lifted", "side-bend"))
    page = client.get(f"/rounds/{record.id}/notes").text
    assert f'name="pain-{left}" value="4" checked' in page
    assert "Strongest pain told at this visit: 4 of 10." in client.get(f"/rounds/{record.id}/decision").text


def test_notes_of_a_trial_that_was_not_on_the_form_stay(client, practice):
    record = practice.load(practice.round("left", "right"))
    left, right = (t.id for t in record.trials)
    shown = re.findall(r'name="trial" value="(\w+)"', client.get(f"/rounds/{record.id}/notes").text)
    assert shown == [left, right]
    client.post(f"/rounds/{record.id}/notes", data={"trial": right, f"pain-{right}": "7", f"left-out-{right}": "yes"})
    client.post(f"/rounds/{record.id}/notes", data={"trial": left, f"pain-{left}": "2"})
    assert [(t.pain, t.left_out) for t in practice.load(record.id).trials] == [(2, False), (7, True)]


def test_a_trial_left_out_does_not_count(client, practice):
    record = practice.load(practice.round("left", "right"))
    left = record.trials[0].id
    client.post(f"/rounds/{record.id}/notes", data={"trial": left, f"left-out-{left}": "yes"})
    assert "One side has no angle yet" in client.get(f"/rounds/{record.id}/decision").text


def test_a_self_screen_enters_the_history_only_after_it_was_accepted(client, practice):
    round_id = practice.round("left", "right")
    with practice.services.database.begin() as session:
        visit_id = rounds.add_visit(session, practice.practice_id, practice.athlete_id, "self-screen")
        own = rounds.add_round(session, practice.practice_id, visit_id)
        assert visits.visit(session, practice.practice_id, visit_id).counts is False
    assert client.get(f"/rounds/{own}/decision").status_code == 200
    assert client.get(f"/rounds/{round_id}/decision").status_code == 200


@pytest.mark.parametrize("part", ["decision", "notes"])
def test_a_round_of_another_practice_is_not_found(client, practice, part):
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        athlete = people.athlete_by_code(session, other.id, "X")
        foreign = rounds.add_round(session, other.id, rounds.add_visit(session, other.id, athlete.id))
    assert client.get(f"/rounds/{foreign}/{part}").status_code == 404
    assert client.post(f"/rounds/{foreign}/notes", data={}).status_code == 404


def test_what_would_help_is_worked_out_for_the_widest_trial_of_each_side(client, practice):
    page = client.get(f"/rounds/{practice.round('left', 'right')}/clearer").text
    assert "A second photo of the left side would help." in page
    assert "A second photo of the right side would help." in page
    assert "Nothing can be worked out yet" in client.get(f"/rounds/{practice.round()}/clearer").text


def test_what_holds_for_both_sides_is_said_once(client, practice):
    page = client.get(f"/rounds/{practice.round('left', 'right')}/decision").text
    assert "The left side has 1 of 3 trials. The right side has 1 of 3 trials. Further trials from the same" in page
    assert page.count("Further trials from the same place") == 1
