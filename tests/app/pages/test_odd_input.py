"""Odd input, on SQLite and on PostgreSQL: every address answers in words, and none with an error of ours."""

import string

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError
from starlette.testclient import TestClient

from app.api import v1
from app.care.drills import DRILLS
from app.care.safety import KEYS
from app.main import create_app
from app.pages import routers
from app.pages.set_up import PARTS
from app.records import corrections, plans, self_screens
from app.records.people import athletes
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer
from tests.app.practice import begin_practice

ODD = [
    "",
    "\0",
    "a\0b",
    "x" * 5000,
    "-1",
    "1e999",
    "nan",
    "\u202egnp.exe",
    "🦵" * 150,
    "'; drop table photo; --",
    "../..",
]
ODD_IDS = ["%00", "0" * 32, "x" * 400, "..%2f..", "%F0%9F%A6%B5", "%ff"]
# fmt: off
FIELDS = [
    "code", "consent", "breadth", "breadth_mm", "words", "pain_now", "pain_worst", "site", "rest", "reason",
    "angle", "half_band", "x-acromion_left", "y-acromion_left", "checked", "side", "upload_key", "trial_id",
    "step", "key", "source", "face", "roll_deg", "pain_left", "pain_right", "submission", "note", "more",
    "purpose", "days", "submissions", "email", "password", "old", "next", "name", "practice", "role", "what",
    "keep_photos_days", "day", "drill", "pain", "readings", "use", "hand", "hips", "camera", "warm_up",
    "first_side", "cushion_mm", "screen",
]
# fmt: on


RIGHT = {
    **dict.fromkeys(KEYS, "no"),
    **{name: choices[0].key for name, (_, choices) in PARTS.items()},
    **{f"{part}-{d.key}": "1" for d in DRILLS for part in ("sets", "repetitions", "hold_s", "days_a_week", "weeks")},
    **{f"side-{d.key}": "both" for d in DRILLS},
    "drill": [d.key for d in DRILLS],
    "consent": ["measuring", "records"],
    "code": "B-2",
    "reason": "inclinometer",
    "angle": "41",
    "half_band": "5",
    "pain_now": "1",
    "pain_worst": "2",
    "x-acromion_left": "280",
    "y-acromion_left": "60",
    "purpose": "first",
    "step": "start",
    "key": "a-key-of-a-phone",
    "email": "new@hillside.example",
    "name": "New Member",
    "role": "coach",
    "what": "role",
    "password": "three calm herons walk",
    "note": "seen",
}
TEXTS = ("code", "words", "reason", "note", "name")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def whole(request, tmp_path):
    """An application with something of everything, a browser of its owner, and the real id of each kind."""
    address = request.getfixturevalue("postgres_address") if request.param == "postgresql" else ""
    app = create_app(Settings(data_folder=tmp_path, database_url=address, measuring_threads=0), DrawnPersonMeasurer())
    parts = app.state.services
    with parts.database.begin() as session:  # the PostgreSQL server is shared by the tests of a run
        session.execute(text("delete from practice"))
        session.execute(text("delete from job"))
    practice = begin_practice(parts)
    record = practice.load(practice.round("start", "left", "right"))
    trial = record.trials[1]
    at = practice.practice_id, practice.athlete_id
    with parts.database.begin() as session:
        correction_id = corrections.add_typed(
            session, at[0], trial.id, practice.member_id, 40.0, 5.0, reason="inclinometer"
        )
        plan = plans.add_plan(session, *at, [(d.key, d.dose) for d in DRILLS], "", practice.member_id)
        invitation_id, secret = self_screens.invite(
            session, *at, practice.member_id, purpose="first", days=3, submissions=1
        )
        (invitation,) = self_screens.invitations_of(session, *at)
        submission_id = self_screens.begin(session, invitation)
    ids = {
        "athlete_id": practice.athlete_id,
        "visit_id": record.visit_id,
        "round_id": record.id,
        "trial_id": trial.id,
        "photo_id": trial.photos[0].id,
        "correction_id": correction_id,
        "plan_id": plan.id,
        "invitation_id": invitation_id,
        "submission_id": submission_id,
        "member_id": practice.member_id,
        "sign_in_id": "0" * 32,
        "secret": secret,
    }
    with TestClient(app, follow_redirects=False, raise_server_exceptions=False) as browser:
        practice.sign_in(browser)
        yield browser, ids


def every_request():
    found = [
        (method, route.path)
        for router in (*routers(), v1.router)
        for route in router.routes
        for method in sorted(route.methods or ())
    ]
    assert len(found) > 60
    return found


def fields_of(path):
    return [name for _, name, _, _ in string.Formatter().parse(path) if name]


def test_ids_that_are_none_are_not_found_in_words(whole):
    browser, _ids = whole
    failed = []
    for method, path in every_request():
        for odd in ODD_IDS if fields_of(path) else ():
            answer = browser.request(method, path.format(**dict.fromkeys(fields_of(path), odd)))
            if answer.status_code >= 500:
                failed.append((method, path, odd, answer.status_code))
    assert failed == []


def test_odd_forms_are_refused_or_stored_in_words(whole):
    browser, ids = whole
    whole_forms = [dict.fromkeys(FIELDS, odd) for odd in ODD]
    right_but_for_one = [RIGHT | {field: "a\0🦵" * 30} for field in TEXTS]
    failed = []
    for method, path in every_request():
        if method == "POST" and path not in ("/sign-out", "/trials/{trial_id}/remove"):
            address = path.format(**{name: ids[name] for name in fields_of(path)})
            for sent in (*whole_forms, *right_but_for_one):
                answer = browser.post(address, data=sent)
                if answer.status_code >= 500:
                    failed.append((path, answer.status_code))
    assert failed == []


@pytest.mark.parametrize(
    "until", ["2026-01-01T00:00:00", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "soon", "1e99"]
)
def test_an_odd_moment_of_the_audit_log_is_refused(client, until):
    assert client.get("/audit-log", params={"until": until}).status_code == 422


def test_an_unexpected_error_is_told_without_its_trace_and_locked_down(app, practice, monkeypatch):
    def broken(*_args):
        raise RuntimeError("the inside of the program")

    monkeypatch.setattr("app.pages.athletes.people.athletes", broken)
    with TestClient(app, raise_server_exceptions=False) as browser:
        practice.sign_in(browser)
        answer = browser.get("/athletes")
    assert answer.status_code == 500
    assert "inside of the program" not in answer.text
    assert "Something went wrong on our side" in answer.text
    assert answer.headers["cache-control"] == "private, no-store"
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_two_changes_that_exclude_each_other_are_told_apart_from_an_error(app, practice, monkeypatch):
    def taken(*_args):
        raise IntegrityError("insert", {}, Exception("unique"))

    monkeypatch.setattr("app.pages.athletes.people.athletes", taken)
    with TestClient(app, raise_server_exceptions=False) as browser:
        practice.sign_in(browser)
        answer = browser.post("/athletes", data={"code": "A-18"})
    assert answer.status_code == 409
    assert "at this moment" in answer.text
    with practice.services.database.begin() as session:
        monkeypatch.undo()
        assert [a.code for a in athletes(session, practice.practice_id)] == ["A-17"]
