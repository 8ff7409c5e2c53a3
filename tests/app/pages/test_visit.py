"""A visit from its start to the first round, and everything that must stop it."""

import re

import pytest
from sqlalchemy import select

from app.care.safety import KEYS
from app.records import consents, models, people, visits
from tests.app.drawn_person import picture

ALL_NO = {"rest": "no"}


@pytest.fixture
def agreed(practice):
    with practice.services.database.begin() as session:
        consents.set_consents(
            session, practice.practice_id, practice.athlete_id, ["measuring", "records"], practice.member_id
        )
    return practice


@pytest.fixture
def visit_id(client, agreed):
    return client.post(f"/athletes/{agreed.athlete_id}/visits").headers["location"].split("/")[2]


@pytest.fixture
def as_role(practice):
    def change(role):
        with practice.services.database.begin() as session:
            session.get_one(models.Member, practice.member_id).role = role

    return change


def audited(practice):
    with practice.services.database.begin() as session:
        rows = session.scalars(select(models.AuditEntry).order_by(models.AuditEntry.at)).all()
        return [(r.action, r.subject_kind, r.athlete_id) for r in rows]


SET_UP = {"hand": "low-back", "hips": "on-heels", "camera": "opening", "warm_up": "none", "first_side": "left"}


def test_an_athlete_is_added_with_a_code_alone_and_consent(client, practice):
    added = client.post("/athletes", data={"code": "K-3", "consent": ["measuring", "records"]})
    assert added.status_code == 303
    page = client.get(added.headers["location"])
    assert "K-3" in page.text
    assert "Start a visit" in page.text


def test_the_same_code_twice_is_refused_with_a_remedy(client, practice):
    answer = client.post("/athletes", data={"code": "A-17"})
    assert answer.status_code == 422
    assert "already an athlete A-17" in answer.text


def test_without_consent_no_visit_begins(client, practice):
    assert client.post(f"/athletes/{practice.athlete_id}/visits").status_code == 422
    assert "Start a visit" not in client.get(f"/athletes/{practice.athlete_id}").text


def test_consent_is_taken_back_but_not_forgotten(client, agreed):
    client.post(f"/athletes/{agreed.athlete_id}/consent", data={})
    with agreed.services.database.begin() as session:
        records = consents.consents_of(session, agreed.practice_id, agreed.athlete_id)
    assert consents.in_force(records) == frozenset()
    assert len(records) == 2
    assert all(r.withdrawn_at for r in records)


def test_after_consent_was_taken_back_nothing_new_is_stored(client, agreed, settings):
    round_id = agreed.round()
    client.post(f"/athletes/{agreed.athlete_id}/consent", data={})
    sent = {"data": {"side": "left", "upload_key": "form-key-1"}, "files": [("photos", ("a.jpg", picture()))]}
    answer = client.post(f"/rounds/{round_id}/photos", **sent)
    assert answer.status_code == 403
    assert "taken back" in answer.text
    assert client.post("/rounds/new", data={"code": "A-17"}).status_code == 403
    assert [p for p in settings.photo_folder.rglob("*") if p.is_file()] == []
    client.post(f"/athletes/{agreed.athlete_id}/consent", data={"consent": ["measuring", "records"]})
    sent["files"] = [("photos", ("a.jpg", picture()))]
    assert client.post(f"/rounds/{round_id}/photos", **sent).status_code == 303


def test_all_no_leads_to_the_complaint_and_on_to_the_set_up_and_the_round(client, agreed, visit_id):
    assert client.post(f"/visits/{visit_id}/safety", data=ALL_NO).headers["location"].endswith("/complaint")
    sent = {"words": "stiff on the left", "pain_now": "3", "pain_worst": "6", "site": ["back-upper-left"]}
    assert client.post(f"/visits/{visit_id}/complaint", data=sent).headers["location"].endswith("/set-up")
    begun = client.post(f"/visits/{visit_id}/set-up", data=SET_UP)
    assert begun.headers["location"].startswith("/rounds/")
    with agreed.services.database.begin() as session:
        visit = visits.visit(session, agreed.practice_id, visit_id)
    assert visit.complaint.sites == ("back-upper-left",)
    assert visit.complaint.pain_worst == 6
    assert len(visit.round_ids) == 1
    assert visit.screen.asked_by == agreed.member_id


def test_the_visit_page_shows_what_was_said(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data=ALL_NO)
    client.post(f"/visits/{visit_id}/complaint", data={"words": "stiff <b>on</b> the left", "pain_now": "3"})
    page = client.get(f"/visits/{visit_id}").text
    assert "stiff &lt;b&gt;on&lt;/b&gt; the left" in page
    assert "Nothing reported that speaks against the test." in page
    assert "worst in seven days not asked" in page


def test_an_emergency_sign_stops_the_test_and_says_whom_to_see_and_how_soon(client, agreed, visit_id):
    answer = client.post(f"/visits/{visit_id}/safety", data={"saddle": "yes", **ALL_NO})
    page = client.get(answer.headers["location"]).text
    assert "Do not test." in page
    assert "Emergency department or the local emergency number, now." in page
    assert "I decide to go on" not in page
    assert client.post(f"/visits/{visit_id}/clearance", data={"reason": "it is nothing"}).status_code == 403
    refused = client.post(f"/visits/{visit_id}/set-up", data=SET_UP)
    assert refused.status_code == 403
    with agreed.services.database.begin() as session:
        assert visits.visit(session, agreed.practice_id, visit_id).round_ids == ()


def test_no_round_begins_before_the_questions_were_asked(client, agreed, visit_id):
    assert client.post(f"/visits/{visit_id}/set-up", data=SET_UP).status_code == 403


def test_a_question_left_open_is_not_taken_for_a_no(client, agreed, visit_id):
    answer = client.post(f"/visits/{visit_id}/safety", data={key: "no" for key in KEYS if key != "fever"})
    assert answer.status_code == 422
    assert "1 question is not answered" in answer.text


def test_a_clinician_can_decide_to_go_on_with_a_reason(client, agreed, visit_id, as_role):
    as_role("clinician")
    client.post(f"/visits/{visit_id}/safety", data={"cancer": "yes", **ALL_NO})
    assert client.post(f"/visits/{visit_id}/clearance", data={"reason": " "}).status_code == 422
    sent = {"reason": "Seen by her doctor on Monday, cleared.", "screen": shown_screen(client, visit_id)}
    client.post(f"/visits/{visit_id}/clearance", data=sent)
    assert client.post(f"/visits/{visit_id}/set-up", data=SET_UP).status_code == 303
    assert ("cleared", "safety answers", agreed.athlete_id) in audited(agreed)


def shown_screen(client, visit_id):
    return re.search(r'name="screen" value="(\w+)"', client.get(f"/visits/{visit_id}/safety").text)[1]


def test_a_decision_to_go_on_holds_for_the_answers_that_were_read_only(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data={"osteoporosis": "yes", **ALL_NO})
    read = shown_screen(client, visit_id)
    client.post(f"/visits/{visit_id}/safety", data={"cancer": "yes", **ALL_NO})
    answer = client.post(f"/visits/{visit_id}/clearance", data={"reason": "bones were measured", "screen": read})
    assert answer.status_code == 422
    assert "asked again meanwhile" in answer.text
    assert client.post(f"/visits/{visit_id}/set-up", data=SET_UP).status_code == 403


def test_a_coach_cannot_decide_to_go_on(client, agreed, visit_id, as_role):
    as_role("coach")
    client.post(f"/visits/{visit_id}/safety", data={"cancer": "yes", **ALL_NO})
    assert "I decide to go on" not in client.get(f"/visits/{visit_id}/safety").text
    assert client.post(f"/visits/{visit_id}/clearance", data={"reason": "fine"}).status_code == 403
    assert client.post(f"/visits/{visit_id}/set-up", data=SET_UP).status_code == 403


def test_asking_again_replaces_the_verdict_but_keeps_the_first_answers(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data={"fever": "yes", **ALL_NO})
    client.post(f"/visits/{visit_id}/safety", data=ALL_NO)
    with agreed.services.database.begin() as session:
        assert visits.visit(session, agreed.practice_id, visit_id).screen.test_allowed
        assert len(session.scalars(select(models.SafetyScreen)).all()) == 2


def test_the_next_round_suggests_the_set_up_of_the_last(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data=ALL_NO)
    client.post(f"/visits/{visit_id}/set-up", data={**SET_UP, "hips": "cushion", "cushion_mm": "60"})
    page = client.get(f"/visits/{visit_id}/set-up").text
    assert 'name="hips" value="cushion" checked' in page
    assert 'value="60"' in page


@pytest.mark.parametrize("part", ["", "/safety", "/complaint", "/set-up"])
def test_another_practice_sees_nothing(client, agreed, part):
    with agreed.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        athlete = people.athlete_by_code(session, other.id, "X")
        foreign = models.Visit(practice_id=other.id, athlete_id=athlete.id)
        session.add(foreign)
        session.flush()
    assert client.get(f"/visits/{foreign.id}{part}").status_code == 404
    assert client.get(f"/athletes/{athlete.id}").status_code == 404


@pytest.mark.parametrize("pain", ["11", "-1", "four"])
def test_an_impossible_pain_is_refused(client, agreed, visit_id, pain):
    assert client.post(f"/visits/{visit_id}/complaint", data={"pain_now": pain}).status_code == 422


def test_every_read_and_change_lands_in_the_audit_log(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data=ALL_NO)
    client.get(f"/visits/{visit_id}/complaint")
    log = audited(agreed)
    assert ("added", "visit", agreed.athlete_id) in log
    assert ("added", "safety answers", agreed.athlete_id) in log
    assert ("read", "complaint", agreed.athlete_id) in log


def test_a_quick_round_says_what_was_not_asked_before(client, agreed):
    begun = client.post("/rounds/new", data={"code": "Q-1"})
    page = client.get(begun.headers["location"]).text
    assert "the safety questions of this visit; consent to photos and records" in page
    asked = client.post("/rounds/new", data={"code": "A-17"})
    assert "consent to photos and records" not in client.get(asked.headers["location"]).text


def test_a_quick_round_cannot_go_around_a_warning_sign(client, agreed, visit_id):
    client.post(f"/visits/{visit_id}/safety", data={"fever": "yes", **ALL_NO})
    refused = client.post("/rounds/new", data={"code": "A-17"})
    assert refused.status_code == 403
    assert "speak against a test" in refused.text
    client.post(f"/visits/{visit_id}/safety", data=ALL_NO)
    assert client.post("/rounds/new", data={"code": "A-17"}).status_code == 303
