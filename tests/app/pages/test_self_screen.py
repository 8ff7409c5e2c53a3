"""The athlete's side of a self-screen by plain requests: links, consent, questions, photos, sending off."""

import io
import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import event
from starlette.testclient import TestClient

from app.care.safety import KEYS
from app.photos import self_screens as finishing
from app.records import consents, models, self_screens, visits
from app.records.columns import now
from app.security.tokens import digest
from tests.app.drawn_person import DrawnPersonMeasurer, picture
from vision.landmarks import Landmark

ALL_NO = {**dict.fromkeys(KEYS, "no"), "pain_now": "1", "pain_worst": "3"}
STEPS = ["start", "left-1", "left-2", "left-3", "right-1", "right-2", "right-3"]
JSON = {"accept": "application/json"}


@pytest.fixture
def athlete(app, practice):
    """A phone without sign-in."""
    with TestClient(app, follow_redirects=False) as phone:
        yield phone


@pytest.fixture
def link(client, practice):
    """The path of a fresh link, as the practitioner gets it from the page."""
    page = client.post(
        f"/athletes/{practice.athlete_id}/self-screens", data={"purpose": "first", "days": "7", "submissions": "1"}
    )
    assert page.status_code == 201
    return re.search(r"/self-screen/[\w-]{43}", page.text)[0]


@pytest.fixture
def agreed(athlete, link):
    assert athlete.post(f"{link}/consent", data={"consent": ["measuring", "records"]}).status_code == 303
    return link


@pytest.fixture
def cleared(athlete, agreed):
    assert athlete.post(f"{agreed}/safety", data=ALL_NO).status_code == 303
    return agreed


def invitation(practice):
    with practice.services.database.begin() as session:
        (found,) = self_screens.invitations_of(session, practice.practice_id, practice.athlete_id)
        return found


def submission(practice):
    with practice.services.database.begin() as session:
        (found,) = self_screens.undecided(session, practice.practice_id)
        return found


def change_invitation(practice, **values):
    with practice.services.database.begin() as session:
        row = session.query(models.Invitation).one()
        for name, value in values.items():
            setattr(row, name, value)


def send(phone, link, step, *, colour=(90, 120, 90), key=None, data=None, **more):
    key = key or f"key-{step}-{colour[0]}"
    fields = {"step": step, "key": key, "source": "camera", **more}
    photo = picture(colour) if data is None else data
    return phone.post(f"{link}/photos", data=fields, files={"photo": ("photo.jpg", photo, "image/jpeg")}, headers=JSON)


def take_all(practice, phone, link):
    for i, step in enumerate(STEPS):
        assert send(phone, link, step, colour=(100 + 10 * i, 120, 90)).status_code == 201
        practice.measure()


def states(phone, link):
    return {s["key"]: s["state"] for s in phone.get(f"{link}/state", headers=JSON).json()["steps"]}


def test_the_link_is_unguessable_and_stored_as_a_digest_only(practice, link):
    secret = link.removeprefix("/self-screen/")
    assert len(secret) == 43  # 256 bits in base64
    with practice.services.database.begin() as session:
        row = session.query(models.Invitation).one()
    assert row.token_digest == digest(secret)
    assert secret not in str(vars(row))


def test_the_link_is_shown_once_with_a_qr_code(client, practice):
    page = client.post(f"/athletes/{practice.athlete_id}/self-screens", data={"purpose": "first"})
    assert "data:image/svg+xml;base64," in page.text
    secret = re.search(r"/self-screen/([\w-]{43})", page.text)[1]
    later = client.get(f"/athletes/{practice.athlete_id}/self-screens").text
    assert secret not in later
    assert "0 of 1 used" in later


@pytest.mark.parametrize(
    "wrong", [{"purpose": "spy"}, {"purpose": "first", "days": "400"}, {"purpose": "first", "submissions": "0"}]
)
def test_an_invitation_outside_the_limits_is_refused(client, practice, wrong):
    assert client.post(f"/athletes/{practice.athlete_id}/self-screens", data=wrong).status_code == 422


def test_a_stranger_makes_no_links(athlete, practice):
    assert athlete.post(f"/athletes/{practice.athlete_id}/self-screens", data={"purpose": "first"}).status_code == 401


def test_no_page_names_athlete_practice_or_member(athlete, practice, cleared):
    for path in (cleared, f"{cleared}/state"):
        text = athlete.get(path).text
        for name in ("A-17", "Hillside", "Ada", "Quill"):
            assert name not in text


def test_pages_are_kept_out_of_search_engines_referrers_and_caches(athlete, cleared):
    headers = athlete.get(cleared).headers
    assert "noindex" in headers["x-robots-tag"]
    assert headers["referrer-policy"] == "no-referrer"
    assert "no-store" in headers["cache-control"]


def test_the_script_that_opens_the_kept_page_is_always_asked_for_anew(athlete):
    answer = athlete.get("/self-screen/worker.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    assert answer.headers["cache-control"] == "no-cache"
    assert 'request.method !== "GET"' in answer.text  # what is sent never goes through it


def test_only_the_page_that_takes_photos_may_use_the_camera(athlete, link):
    assert "camera=()" in athlete.get(link).headers["permissions-policy"]
    athlete.post(f"{link}/consent", data={"consent": ["measuring", "records"]})
    assert "camera=()" in athlete.get(link).headers["permissions-policy"]
    athlete.post(f"{link}/safety", data=ALL_NO)
    assert "camera=(self)" in athlete.get(link).headers["permissions-policy"]


def test_opening_a_link_changes_nothing(athlete, practice, link):
    for _ in range(3):
        assert athlete.get(link).status_code == 200
    assert invitation(practice).begun == 0


def closed_links(practice, athlete, link):
    """Make each kind of link that opens nothing, one after the other, and yield its path."""
    yield "guessed", "/self-screen/" + "x" * 43
    change_invitation(practice, expires_at=now() - timedelta(days=2))
    yield "expired", link
    change_invitation(practice, expires_at=now() + timedelta(days=2), revoked_at=now())
    yield "revoked", link
    change_invitation(practice, revoked_at=None)
    athlete.post(f"{link}/consent", data={"consent": ["measuring", "records"]})
    athlete.post(f"{link}/safety", data=ALL_NO)
    assert send(athlete, link, "start").status_code == 201
    athlete.post(f"{link}/send", data={"submission": submission(practice).id})
    yield "used up", link
    yield "cut short", link[:-1]


def test_guessed_expired_revoked_and_used_up_links_cannot_be_told_apart(athlete, practice, link):
    def queries(call):
        seen = []

        def note(_connection, _cursor, statement, *_more):
            seen.append(re.sub(r"\s+", " ", statement))

        engine = practice.services.database.engine
        event.listen(engine, "before_cursor_execute", note)
        try:
            return call(), seen
        finally:
            event.remove(engine, "before_cursor_execute", note)

    answers = {}
    for kind, path in closed_links(practice, athlete, link):
        page, statements = queries(lambda path=path: athlete.get(path))
        data = {
            "state": athlete.get(f"{path}/state", headers=JSON),
            "photo": send(athlete, path, "start", key="another-key"),
            "consent": athlete.post(f"{path}/consent", data={"consent": ["measuring", "records"]}),
            "safety": athlete.post(f"{path}/safety", data=ALL_NO),
            "send": athlete.post(f"{path}/send", data={"submission": "0" * 32}),
        }
        headers = {k: v for k, v in page.headers.items() if k != "date"}
        rest = {name: (a.status_code, a.text) for name, a in data.items()}
        answers[kind] = (page.status_code, page.text, headers, rest, statements)
    assert {a[0] for a in answers.values()} == {404}
    first = answers["guessed"]
    assert all(answer == first for answer in answers.values())


def test_guessing_is_slowed_down_while_a_real_link_goes_on(athlete, practice, cleared):
    codes = [athlete.get(f"/self-screen/{i:043d}").status_code for i in range(130)]
    assert codes[0] == 404
    assert codes[-1] == 429
    assert athlete.get(cleared).status_code == 200


def test_the_first_page_says_that_a_photo_from_the_feet_tells_more_than_another_from_the_side(athlete, link):
    page = athlete.get(link).text
    assert "A photo from behind your feet tells more than another one from the side." in page
    assert "two behind your feet" in page  # free floor, in metres


def test_consent_is_asked_for_and_stored_as_given_through_the_link(athlete, practice, link):
    assert athlete.post(f"{link}/consent", data={"consent": ["measuring"]}).status_code == 422
    assert invitation(practice).begun == 0
    athlete.post(f"{link}/consent", data={"consent": ["measuring", "records"]})
    with practice.services.database.begin() as session:
        given = consents.consents_of(session, practice.practice_id, practice.athlete_id)
    assert {(c.purpose, c.written_by) for c in given} == {("measuring", None), ("records", None)}


def test_consent_given_before_is_not_taken_back(athlete, practice, link):
    with practice.services.database.begin() as session:
        consents.set_consents(session, practice.practice_id, practice.athlete_id, ["sharing"], practice.member_id)
    athlete.post(f"{link}/consent", data={"consent": ["measuring", "records"]})
    with practice.services.database.begin() as session:
        given = consents.consents_of(session, practice.practice_id, practice.athlete_id)
    assert consents.in_force(given) == {"measuring", "records", "sharing"}


def test_the_same_consent_sent_twice_begins_one_submission(athlete, practice, agreed):
    athlete.post(f"{agreed}/consent", data={"consent": ["measuring", "records"]})
    assert invitation(practice).begun == 1


def test_a_question_left_open_is_no_answer(athlete, agreed):
    answer = athlete.post(f"{agreed}/safety", data={k: v for k, v in ALL_NO.items() if k not in ("fever", "pain_now")})
    assert answer.status_code == 422
    assert "2 questions are not answered yet." in answer.text
    assert send(athlete, agreed, "start").status_code == 404


@pytest.mark.parametrize(
    ("sign", "words"),
    [
        ("saddle", "Emergency department or the local emergency number: now."),
        ("fever", "A doctor, before any test or exercise: today or tomorrow."),
        ("pregnancy", "Talk to your practitioner before you do this test."),
        ("shoulder", "Talk to your practitioner before you do this test."),
        ("kneeling", "Talk to your practitioner before you do this test."),
    ],
)
def test_a_warning_sign_or_precaution_stops_it_and_says_what_to_do(athlete, practice, agreed, sign, words):
    athlete.post(f"{agreed}/safety", data={**ALL_NO, sign: "yes"})
    page = athlete.get(agreed)
    assert page.status_code == 200
    assert words in page.text
    assert send(athlete, agreed, "start").status_code == 404
    athlete.post(f"{agreed}/safety", data=ALL_NO)  # answering again does not undo it
    assert words in athlete.get(agreed).text


def test_after_a_clinician_decided_the_same_link_leads_on(athlete, practice, agreed):
    athlete.post(f"{agreed}/safety", data={**ALL_NO, "cancer": "yes"})
    assert "Stop here" in athlete.get(agreed).text
    with practice.services.database.begin() as session:
        visit_id = self_screens.undecided(session, practice.practice_id)[0].visit_id
        visits.clear(session, practice.practice_id, visit_id, practice.member_id, "Seen by her doctor, cleared.")
    assert "Start position" in athlete.get(agreed).text


def test_photos_become_trials_of_one_round(athlete, practice, cleared):
    take_all(practice, athlete, cleared)
    record = practice.load(submission(practice).round_id)
    assert [t.side.value for t in record.trials] == ["start", *["left"] * 3, *["right"] * 3]
    assert record.visit_kind == "self-screen"
    assert not any(t.left_out for t in record.trials)


def test_the_same_photo_sent_again_is_stored_once(athlete, practice, cleared):
    for _ in range(3):
        assert send(athlete, cleared, "start").status_code == 201
    assert len(submission(practice).captures) == 1
    assert len(practice.load(submission(practice).round_id).trials) == 1


def test_a_photo_whose_step_was_not_written_down_is_completed_by_the_repetition(athlete, practice, cleared):
    send(athlete, cleared, "start")
    with practice.services.database.begin() as session:
        session.delete(session.query(models.Capture).one())  # as if the server had stopped between the two
    assert send(athlete, cleared, "start").status_code == 201
    assert [c.step for c in submission(practice).captures] == ["start"]


def test_feedback_is_good_or_one_remedy_and_after_two_tries_the_photo_is_kept_and_marked(athlete, practice, cleared):
    send(athlete, cleared, "start", colour=(0, 0, 0))
    assert states(athlete, cleared)["start"] == "looking"
    practice.measure()
    step = athlete.get(f"{cleared}/state", headers=JSON).json()["steps"][0]
    assert (step["state"], bool(step["remedy"])) == ("again", True)
    send(athlete, cleared, "start", colour=(1, 1, 1))
    practice.measure()
    step = athlete.get(f"{cleared}/state", headers=JSON).json()["steps"][0]
    assert (step["state"], step["state_words"]) == ("done", "kept, your practitioner will look at it")
    third = send(athlete, cleared, "start", colour=(2, 2, 2))
    assert third.status_code == 422
    assert "there already" in third.json()["title"]


def test_the_better_try_counts_and_the_other_is_kept_beside_it(athlete, practice, cleared):
    send(athlete, cleared, "left-1", colour=(0, 0, 0))
    practice.measure()
    send(athlete, cleared, "left-1", colour=(99, 99, 99))
    practice.measure()
    assert [t.left_out for t in practice.load(submission(practice).round_id).trials] == [True, False]


def test_a_file_that_is_no_photo_gets_a_remedy_and_is_kept(athlete, practice, cleared):
    assert send(athlete, cleared, "start", data=b"not a photo").status_code == 201
    practice.measure()
    step = athlete.get(f"{cleared}/state", headers=JSON).json()["steps"][0]
    assert step["state"] == "again"
    assert step["remedy"]


@pytest.mark.parametrize("step", ["left-9", "", "../x", "left-foot"])
def test_a_step_that_is_not_asked_for_is_refused_in_words(athlete, cleared, step):
    assert send(athlete, cleared, step, key="some-key-1").status_code == 422


def test_the_tilt_of_the_phone_is_stored_with_the_photo(athlete, practice, cleared):
    send(athlete, cleared, "start", roll_deg="-3.25")
    assert practice.load(submission(practice).round_id).trials[0].photos[0].roll_deg == -3.25


def test_a_wide_band_asks_for_one_photo_from_the_foot_end_a_side(athlete, practice, cleared, monkeypatch):
    monkeypatch.setattr("app.remote.steps.foot_end_width_deg", lambda *_: 1.0)
    take_all(practice, athlete, cleared)
    assert [k for k, s in states(athlete, cleared).items() if s == "open"] == ["left-foot", "right-foot"]
    assert send(athlete, cleared, "left-foot", colour=(50, 50, 50)).status_code == 201


def test_a_narrow_band_asks_for_no_more(athlete, practice, cleared):
    take_all(practice, athlete, cleared)
    assert set(states(athlete, cleared).values()) == {"done"}
    assert len(states(athlete, cleared)) == 7


def test_sending_off_closes_the_link_and_sending_twice_is_harmless(athlete, practice, cleared):
    take_all(practice, athlete, cleared)
    data = {"submission": submission(practice).id, "pain_left": "2", "pain_right": "5"}
    for _ in range(2):
        answer = athlete.post(f"{cleared}/send", data=data)
        assert (answer.status_code, answer.headers["location"]) == (303, "/self-screen/sent")
    assert athlete.get("/self-screen/sent").status_code == 200
    assert athlete.get(cleared).status_code == 404
    pains = {t.side.value: t.pain for t in practice.load(submission(practice).round_id).trials}
    assert pains == {"start": None, "left": 2, "right": 5}


def test_nothing_is_sent_off_without_a_photo(athlete, practice, cleared):
    assert athlete.post(f"{cleared}/send", data={"submission": submission(practice).id}).status_code == 422


def test_without_script_the_form_takes_one_photo_after_the_other(athlete, practice, cleared):
    page = athlete.get(cleared).text
    assert 'name="step" value="start"' in page
    answer = athlete.post(
        f"{cleared}/photos",
        data={"step": "start", "key": "form-key-1"},
        files={"photo": ("a.jpg", picture(), "image/jpeg")},
    )
    assert answer.status_code == 303
    practice.measure()
    assert 'name="step" value="left-1"' in athlete.get(cleared).text


def test_every_step_lands_in_the_audit_log_without_a_member(athlete, practice, cleared):
    send(athlete, cleared, "start")
    with practice.services.database.begin() as session:
        log = {(r.action, r.subject_kind, r.member_id) for r in session.query(models.AuditEntry)}
    assert ("begun by link", "self-screen", None) in log
    assert ("sent by link", "photo", None) in log


def test_erasing_the_athlete_erases_invitations_and_submissions(athlete, practice, cleared):
    send(athlete, cleared, "start")
    with practice.services.database.begin() as session:
        session.delete(session.get(models.Athlete, practice.athlete_id))
    with practice.services.database.begin() as session:
        for table in (models.Invitation, models.Submission, models.Capture, models.Photo):
            assert session.query(table).count() == 0


def test_after_consent_was_taken_back_the_link_asks_for_it_again(athlete, client, practice, cleared):
    assert send(athlete, cleared, "start").status_code == 201
    client.post(f"/athletes/{practice.athlete_id}/consent", data={})
    refused = send(athlete, cleared, "left-1")
    assert refused.status_code == 404
    assert refused.json()["code"] == "link-closed"  # the phone keeps the photo
    assert 'name="consent"' in athlete.get(cleared).text
    assert len(submission(practice).captures) == 1
    athlete.post(f"{cleared}/consent", data={"consent": ["measuring", "records"]})
    assert send(athlete, cleared, "left-1").status_code == 201
    assert len(submission(practice).captures) == 2


def test_a_face_is_covered_on_arrival_if_the_athlete_wants_that(athlete, practice, cleared, monkeypatch):
    seen = DrawnPersonMeasurer.find

    def with_a_head(self, photo, side):
        found = seen(self, photo, side)
        head = {"ear_left": Landmark.round_(160.0, 240.0, 4.0, True, "pose-model")}
        return replace(found, points={**found.points, **head})

    monkeypatch.setattr(DrawnPersonMeasurer, "find", with_a_head)
    checks = ((np.indices((600, 800)).sum(0) // 6 % 2) * 255).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(checks).convert("RGB").save(file, "JPEG", quality=95)
    assert send(athlete, cleared, "start", data=file.getvalue(), face="to-be-blurred").status_code == 201
    practice.measure()
    (capture,) = submission(practice).captures
    assert capture.face == "blurred-on-arrival"
    for name in ("original", "shown.jpg"):
        kept = np.asarray(Image.open(io.BytesIO(practice.services.store.get(capture.photo_id, name))).convert("L"))
        assert kept[220:260, 140:180].std() < 20, name
        assert kept[500:580, 600:780].std() > 60, name


def test_an_athlete_erased_while_a_face_is_covered_leaves_no_file(athlete, practice, cleared, monkeypatch, settings):
    def erased_meanwhile(_photo, _points):
        with practice.services.database.begin() as session:
            session.delete(session.get(models.Athlete, practice.athlete_id))
        for folder in settings.photo_folder.glob("*/*"):
            practice.services.store.erase(folder.name)
        return picture()

    monkeypatch.setattr(finishing, "without_face", erased_meanwhile)
    assert send(athlete, cleared, "start", face="to-be-blurred").status_code == 201
    practice.measure()
    assert [p for p in settings.photo_folder.rglob("*") if p.is_file()] == []


def test_the_place_where_a_photo_was_taken_is_removed_on_arrival(athlete, practice, cleared):
    file = io.BytesIO()
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (47.0, 22.0, 31.5), 3: "E", 4: (8.0, 32.0, 7.0)})
    Image.new("RGB", (400, 300), (90, 120, 90)).save(file, "JPEG", exif=exif)
    assert send(athlete, cleared, "start", data=file.getvalue()).status_code == 201
    (capture,) = submission(practice).captures
    kept = practice.services.store.get(capture.photo_id, "original")
    assert dict(Image.open(io.BytesIO(kept)).getexif().get_ifd(0x8825)) == {}
    assert 0x8825 in Image.open(io.BytesIO(file.getvalue())).getexif()
