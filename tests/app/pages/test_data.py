"""Data goes out in formats others can read, and goes away truly."""

import io
import json
import zipfile
from datetime import date, timedelta
from pathlib import Path

import jsonschema
import pytest
from sqlalchemy import inspect, select, text
from starlette.testclient import TestClient

from app.care.drills import DRILLS
from app.care.safety import KEYS, Answer
from app.photos.retention import erase_due
from app.records import consents, models, people, plans, visits
from app.records.columns import now
from app.security.passwords import hash_password
from tests.app.drawn_person import picture

DONE_ON = date(2026, 3, 4)
PASSWORD = "three calm herons walk"  # noqa: S105 - invented for this test
SCHEMA = json.loads((Path(__file__).parents[1] / "api" / "fhir_r4_schema.json").read_text())


@pytest.fixture
def full(practice):
    """An athlete about whom something stands in every table."""
    record = practice.load(practice.round("start", "left", "left", "right"))
    left = record.of_side("left")[0]
    with practice.services.database.begin() as session:
        at = (session, practice.practice_id)
        visits.add_screen(*at, record.visit_id, dict.fromkeys(KEYS, Answer.NO), practice.member_id)
        visits.add_complaint(
            *at, record.visit_id, words="=stiff", pain_now=3, pain_worst=None, sites=[], written_by=practice.member_id
        )
        plan = plans.add_plan(*at, practice.athlete_id, [(d.key, d.dose) for d in DRILLS], "", practice.member_id)
        plans.note_done(session, plan, "active-return", DONE_ON, None)
        consents.set_consents(*at, practice.athlete_id, ["measuring"], practice.member_id)
        session.add(
            models.Correction(
                practice_id=practice.practice_id,
                trial_id=left.id,
                member_id=practice.member_id,
                number=1,
                kind="typed",
                angle_deg=44.0,
                angle_half_band_deg=4.0,
                reason="measured with an inclinometer",
            )
        )
    return practice


def test_the_archive_holds_everything_with_the_photos(client, full):
    answer = client.get(f"/api/v1/athletes/{full.athlete_id}/archive.zip")
    archive = zipfile.ZipFile(io.BytesIO(answer.content))
    assert sum(name.startswith("photos/") for name in archive.namelist()) == 4
    whole = json.loads(archive.read("athlete.json"))
    assert whole["visits"][0]["complaint"] == "=stiff"
    (trial,) = (t for t in whole["visits"][0]["rounds"][0]["trials"] if t["corrections"])
    assert trial["corrections"][0]["by"] == "Ada Quill"
    assert whole["drills"][2]["done_on"] == [DONE_ON.isoformat()]


def test_what_was_asked_and_told_before_and_agreed_to_goes_out_too(client, full):
    record = full.load(full.round("left", data=picture((0, 0, 0))))
    with full.services.database.begin() as session:
        at = (session, full.practice_id)
        for key, words in (("osteoporosis", "first words"), ("pregnancy", "second words")):
            answers = dict.fromkeys(KEYS, Answer.NO) | {key: Answer.YES}
            visits.add_screen(*at, record.visit_id, answers, full.member_id)
            visits.clear(*at, record.visit_id, full.member_id, f"examined for {key}")
            visits.add_complaint(
                *at, record.visit_id, words=words, pain_now=1, pain_worst=2, sites=[], written_by=full.member_id
            )
        consents.set_consents(*at, full.athlete_id, ["records"], full.member_id)
        (plan,) = plans.plans_of(*at, full.athlete_id)
        plans.note_done(session, plan, "active-return", DONE_ON, 7)
    whole = client.get(f"/api/v1/athletes/{full.athlete_id}").json()
    visit = whole["visits"][1]
    assert [t["words"] for t in visit["told"]] == ["second words", "first words"]
    assert [a["clearance"]["reason"] for a in visit["asked"]] == ["examined for pregnancy", "examined for osteoporosis"]
    assert visit["asked"][0]["clearance"]["by"] == "Ada Quill"
    assert {c["purpose"]: bool(c["withdrawn_at"]) for c in whole["consents"]} == {"measuring": True, "records": False}
    assert {"day": DONE_ON.isoformat(), "pain": 7} in [d for drill in whole["drills"] for d in drill["done"]]
    (trial,) = visit["rounds"][0]["trials"]
    assert trial["rotation_deg"] is None
    assert "Nobody is seen." in trial["findings"]
    assert trial["origin"] == "automatic"


def test_json_says_the_same_as_the_page(client, full):
    content = client.get(f"/api/v1/athletes/{full.athlete_id}").json()
    (round_,) = content["visits"][0]["rounds"]
    means = {s["side"]: s["mean_deg"] for s in round_["sides"]}
    assert round_["difference"]["left_minus_right_deg"] == pytest.approx(means["left"] - means["right"], abs=0.02)
    assert round_["difference"]["decision"].capitalize() in client.get(f"/rounds/{round_['id']}").text


def test_the_fhir_bundle_of_a_real_round_follows_the_r4_schema(client, full):
    answer = client.get(f"/api/v1/athletes/{full.athlete_id}/fhir")
    assert answer.headers["content-type"].startswith("application/fhir+json")
    jsonschema.Draft6Validator(SCHEMA).validate(answer.json())


def test_the_table_is_sent_as_a_file(client, full):
    answer = client.get(f"/api/v1/athletes/{full.athlete_id}/trials.csv")
    assert "attachment" in answer.headers["content-disposition"]
    assert len(answer.content.decode("utf-8-sig").strip().splitlines()) == 5


def test_a_coach_takes_nothing_out_and_erases_nothing(client, full):
    with full.services.database.begin() as session:
        session.get_one(models.Member, full.member_id).role = "coach"
    for path in ("", "/fhir", "/trials.csv", "/archive.zip"):
        answer = client.get(f"/api/v1/athletes/{full.athlete_id}{path}")
        assert answer.status_code == 403
        assert answer.json()["code"] == "not-allowed"
    assert client.post(f"/athletes/{full.athlete_id}/erase", data={"code": "A-17"}).status_code == 403
    assert "Only a clinician" in client.get(f"/athletes/{full.athlete_id}/data").text


def test_another_practice_cannot_take_anything_out(client, full):
    with full.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        foreign = people.athlete_by_code(session, other.id, "X").id
    for path in ("", "/fhir", "/trials.csv", "/archive.zip"):
        assert client.get(f"/api/v1/athletes/{foreign}{path}").status_code == 404
    assert client.post(f"/athletes/{foreign}/erase", data={"code": "X"}).status_code == 404
    assert [a["code"] for a in client.get("/api/v1/athletes").json()] == ["A-17"]


def test_a_program_signs_in_with_a_token_and_out_again(app, full):
    with full.services.database.begin() as session:
        row = session.get_one(models.Member, full.member_id)
        row.email, row.password_hash = "ada@hillside.example", hash_password(PASSWORD)
    with TestClient(app) as program:
        assert program.get("/api/v1/athletes").status_code == 401
        wrong = program.post("/api/v1/sessions", json={"email": "ada@hillside.example", "password": "x"})
        assert wrong.headers["content-type"] == "application/problem+json"
        sent = {"email": "ada@hillside.example", "password": PASSWORD}
        token = program.post("/api/v1/sessions", json=sent).json()["token"]
        bearer = {"Authorization": f"Bearer {token}"}
        assert program.get("/api/v1/athletes", headers=bearer).status_code == 200
        assert program.delete("/api/v1/sessions", headers=bearer).status_code == 204
        assert program.get("/api/v1/athletes", headers=bearer).status_code == 401


def test_the_description_lists_every_request_and_needs_no_sign_in(app, full):
    with TestClient(app) as program:
        told = program.get("/api/v1/openapi.json").json()
        page = program.get("/api/docs")
    assert told["openapi"].startswith("3.1")
    assert set(told["paths"]) == {
        "/api/v1/sessions",
        "/api/v1/athletes",
        "/api/v1/athletes/{athlete_id}",
        "/api/v1/athletes/{athlete_id}/fhir",
        "/api/v1/athletes/{athlete_id}/trials.csv",
        "/api/v1/athletes/{athlete_id}/archive.zip",
    }
    for path in told["paths"]:
        assert path in page.text
    assert "left_minus_right_deg" in page.text


def test_erasing_needs_the_code_typed(client, full):
    assert client.post(f"/athletes/{full.athlete_id}/erase", data={"code": "A-18"}).status_code == 422
    assert client.get(f"/athletes/{full.athlete_id}").status_code == 200


def test_an_erased_athlete_leaves_no_row_and_no_file(client, full, settings):
    files_before = [p for p in settings.photo_folder.rglob("*") if p.is_file()]
    assert files_before
    assert client.post(f"/athletes/{full.athlete_id}/erase", data={"code": "A-17"}).status_code == 303
    assert [p for p in settings.photo_folder.rglob("*") if p.is_file()] == []
    kept = {"practice", "member", "sign_in", "audit_entry", "tombstone", "alembic_version"}
    with full.services.database.begin() as session:
        names = set(inspect(full.services.database.engine).get_table_names()) - kept
        left = {n: session.scalar(text(f'select count(*) from "{n}"')) for n in names}  # noqa: S608 - our tables
        stone = session.scalars(select(models.Tombstone)).one()
    assert {n: c for n, c in left.items() if c} == {}
    assert (stone.visits, stone.photos) == (1, 4)
    database = b"".join(p.read_bytes() for p in settings.data_folder.glob("kneelturn.sqlite3*"))
    assert b"=stiff" not in database
    assert b"inclinometer" not in database
    assert "1 visits, 4 photos" in client.get("/members").text


def test_photos_are_erased_after_their_time_and_results_stay(client, full, settings):
    client.post("/practice", data={"keep_photos_days": "30"})
    assert erase_due(full.services.database, full.services.store) == 0
    with full.services.database.begin() as session:
        for photo in session.scalars(select(models.Photo)):
            photo.created_at = now() - timedelta(days=31)
        photo_id = photo.id
    assert erase_due(full.services.database, full.services.store) == 4
    assert erase_due(full.services.database, full.services.store) == 0
    assert [p for p in settings.photo_folder.rglob("*") if p.is_file()] == []
    assert "Photo erased" in client.get(f"/photos/{photo_id}/picture").text
    round_id = client.get(f"/api/v1/athletes/{full.athlete_id}").json()["visits"][0]["rounds"][0]["id"]
    assert "not measured" not in client.get(f"/rounds/{round_id}/decision").text


def test_the_result_of_an_erased_photo_survives_another_declared_side(client, full):
    with full.services.database.begin() as session:
        for photo in session.scalars(select(models.Photo)):
            photo.created_at = now() - timedelta(days=31)
    client.post("/practice", data={"keep_photos_days": "30"})
    assert erase_due(full.services.database, full.services.store) == 4
    content = client.get(f"/api/v1/athletes/{full.athlete_id}").json()["visits"][0]["rounds"][0]
    assert client.post(f"/rounds/{content['id']}/exchange").status_code == 303
    full.measure()
    record = full.load(content["id"])
    assert [t.side.value for t in record.trials] == ["start", "right", "right", "left"]
    assert all(p.state == "measured" for t in record.trials for p in t.photos)
    assert [abs(t.automatic.rotation.right_deg) for t in record.trials] == pytest.approx(
        [abs(t["automatic_deg"]) for t in content["trials"]], abs=0.01
    )


def test_a_practice_that_keeps_photos_keeps_them(full):
    with full.services.database.begin() as session:
        for photo in session.scalars(select(models.Photo)):
            photo.created_at = now() - timedelta(days=4000)
    assert erase_due(full.services.database, full.services.store) == 0
