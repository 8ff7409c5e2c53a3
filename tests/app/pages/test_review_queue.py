"""The practitioner's side: what waits, accepting, setting aside, asking for one more photo."""

import pytest

from app.records import history, models, people, self_screens, visits
from tests.app.pages.test_self_screen import (
    JSON,
    agreed,
    athlete,
    cleared,
    invitation,
    link,
    send,
    states,
    submission,
    take_all,
)

__all__ = ["agreed", "athlete", "cleared", "link"]  # fixtures


@pytest.fixture
def sent(athlete, practice, cleared):
    take_all(practice, athlete, cleared)
    record = submission(practice)
    athlete.post(f"{cleared}/send", data={"submission": record.id, "pain_left": "0", "pain_right": "6"})
    return record.id


def visit_of(practice, submission_id):
    with practice.services.database.begin() as session:
        record = self_screens.submission(session, practice.practice_id, submission_id)
        return visits.visit(session, practice.practice_id, record.visit_id)


def test_a_sent_submission_waits_with_angles_bands_and_reasons(client, sent):
    page = client.get("/review-queue").text
    assert "A-17" in page
    assert "Pain while turning to the right: 6 of 10." in page
    assert "95" not in page or "°" in page
    assert client.get(f"/review-queue/{sent}").status_code == 200


def test_a_submission_counts_only_after_somebody_accepted_it(client, practice, sent):
    assert not visit_of(practice, sent).counts
    assert client.post(f"/review-queue/{sent}/accept").status_code == 303
    assert visit_of(practice, sent).counts
    assert "Nothing waits for you." in client.get("/review-queue").text
    assert "Accepted by Ada Quill" in client.get(f"/review-queue/{sent}").text


def test_the_trend_knows_it_only_after_it_was_accepted(client, practice, sent):
    def rounds_of():
        with practice.services.database.begin() as session:
            return len(history.history(session, practice.practice_id, practice.athlete_id))

    assert rounds_of() == 0
    client.post(f"/review-queue/{sent}/set-aside", data={"note": ""})
    assert rounds_of() == 0
    client.post(f"/review-queue/{sent}/accept")
    assert rounds_of() == 1


def test_accepting_twice_is_harmless_but_a_second_opinion_is_refused(client, practice, sent):
    client.post(f"/review-queue/{sent}/accept")
    assert client.post(f"/review-queue/{sent}/accept").status_code == 303
    assert client.post(f"/review-queue/{sent}/set-aside", data={"note": "no"}).status_code == 422
    assert visit_of(practice, sent).counts


def test_what_is_set_aside_needs_a_reason_and_never_counts(client, practice, sent):
    assert client.post(f"/review-queue/{sent}/set-aside", data={"note": " "}).status_code == 422
    assert client.post(f"/review-queue/{sent}/set-aside", data={"note": "another person"}).status_code == 303
    assert not visit_of(practice, sent).counts
    assert "another person" in client.get(f"/review-queue/{sent}").text


def test_asking_for_one_more_photo_opens_the_link_at_that_step_with_the_reason(
    client, athlete, practice, cleared, sent
):
    assert athlete.get(cleared).status_code == 404
    asked = client.post(
        f"/review-queue/{sent}/ask", data={"step": "left-2", "reason": "cut-off", "more": "The feet are missing."}
    )
    assert asked.status_code == 303
    page = athlete.get(cleared).text
    assert "Left rotation, photo 2 of 3" in page
    assert "Part of the body is outside the picture. The feet are missing." in page
    assert list(states(athlete, cleared)) == ["left-2"]
    assert "Nothing waits for you." in client.get("/review-queue").text

    assert send(athlete, cleared, "right-1", key="wrong-step").status_code == 422
    assert send(athlete, cleared, "left-2", colour=(20, 30, 40)).status_code == 201
    practice.measure()
    assert states(athlete, cleared) == {"left-2": "done"}
    athlete.post(f"{cleared}/send", data={"submission": sent})
    assert athlete.get(cleared).status_code == 404
    assert "A-17" in client.get("/review-queue").text
    left = [t.left_out for t in practice.load(submission(practice).round_id).trials if t.side == "left"]
    assert left == [False, True, False, False]  # the new photo counts in place of the second


@pytest.mark.parametrize("wrong", [{"step": "left-9", "reason": "cut-off"}, {"step": "left-1", "reason": "because"}])
def test_a_request_for_something_unknown_is_refused(client, sent, wrong):
    assert client.post(f"/review-queue/{sent}/ask", data=wrong).status_code == 422


def test_a_revoked_link_is_not_opened_again(client, athlete, practice, cleared, sent):
    practice_link = invitation(practice).id
    with practice.services.database.begin() as session:
        self_screens.revoke(session, practice.practice_id, practice_link)
    answer = client.post(f"/review-queue/{sent}/ask", data={"step": "left-1", "reason": "cut-off"})
    assert answer.status_code == 422
    assert "Make a new invitation" in answer.text
    assert athlete.get(cleared).status_code == 404


def test_revoking_closes_a_link_at_once_even_in_the_middle(client, athlete, practice, cleared):
    send(athlete, cleared, "start")
    assert client.post(f"/invitations/{invitation(practice).id}/revoke").status_code == 303
    assert athlete.get(cleared).status_code == 404
    assert send(athlete, cleared, "left-1").status_code == 404


def test_a_stopped_self_screen_comes_first(client, athlete, practice, agreed):
    from tests.app.pages.test_self_screen import ALL_NO

    athlete.post(f"{agreed}/safety", data={**ALL_NO, "saddle": "yes"})
    page = client.get("/review-queue").text
    assert "Do not test. Emergency department" in page
    record = submission(practice)
    assert "The athlete was told to stop" in client.get(f"/review-queue/{record.id}").text
    assert client.post(f"/review-queue/{record.id}/accept").status_code == 422
    assert client.post(f"/review-queue/{record.id}/set-aside", data={"note": "Called: gone to A&E."}).status_code == 303


def test_what_an_athlete_did_not_finish_is_listed_and_can_be_accepted(client, athlete, practice, cleared):
    send(athlete, cleared, "start")
    send(athlete, cleared, "left-1")
    practice.measure()
    page = client.get("/review-queue").text
    assert "Not finished by the athlete" in page
    assert client.post(f"/review-queue/{submission(practice).id}/accept").status_code == 303


@pytest.mark.parametrize("part", ["", "/accept", "/set-aside", "/ask"])
def test_another_practice_sees_and_decides_nothing(client, practice, sent, part):
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Far away")
        row = session.get(models.Submission, sent)
        row.practice_id = other.id
    data = {"note": "x", "step": "left-1", "reason": "cut-off"}
    answer = client.get(f"/review-queue/{sent}") if not part else client.post(f"/review-queue/{sent}{part}", data=data)
    assert answer.status_code == 404


def test_without_sign_in_there_is_no_queue(athlete, sent):
    assert athlete.get("/review-queue").status_code == 303
    assert athlete.get("/review-queue", headers=JSON).status_code == 401
    assert athlete.post(f"/review-queue/{sent}/accept").status_code == 401
