"""The report fits one page, speaks to its reader, and shows no face that was to be blurred."""

import io

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from sqlalchemy import select

from app.care.drills import DRILLS
from app.care.report_words import Reader
from app.care.safety import KEYS, Answer
from app.photos.report_pictures import blur_face, face_disc, report_picture
from app.records import consents, models, people, plans, rounds, visits
from vision.landmarks import Landmark


@pytest.fixture
def visited(client, practice):
    """An athlete with two visits, complaint, answers and a plan."""
    practice.round("start", "left", "right")
    second = practice.load(practice.round("start", "left", "right"))
    with practice.services.database.begin() as session:
        at = (session, practice.practice_id)
        visits.add_screen(*at, second.visit_id, dict.fromkeys(KEYS, Answer.NO), practice.member_id)
        told = {"words": "stiff left", "pain_now": 3, "pain_worst": 6, "sites": ["back-upper-left"]}
        visits.add_complaint(*at, second.visit_id, written_by=practice.member_id, **told)
        plans.add_plan(*at, practice.athlete_id, [(d.key, d.dose) for d in DRILLS], "", practice.member_id)
        consents.set_consents(*at, practice.athlete_id, ["sharing"], practice.member_id)
    return practice


def address(practice, reader, pictures="", ending=""):
    return f"/athletes/{practice.athlete_id}/report{ending}?for={reader}&pictures={pictures}"


@pytest.mark.parametrize("reader", Reader)
@pytest.mark.parametrize("pictures", ["", "clear"])
def test_the_pdf_is_one_page_for_every_reader(client, visited, reader, pictures):
    answer = client.get(address(visited, reader, pictures, ".pdf"))
    assert answer.headers["content-type"] == "application/pdf"
    document = PdfReader(io.BytesIO(answer.content))
    assert len(document.pages) == 1
    text = " ".join(document.pages[0].extract_text().split())
    assert "A-17" in text
    assert "licensed practitioner decides" in text


def test_the_pdf_stays_one_page_when_much_was_told(client, visited):
    with visited.services.database.begin() as session:
        for row in session.scalars(select(models.Complaint)):
            row.words = "It pulls beside the shoulder blade when I turn. " * 12
        for row in session.scalars(select(models.Round)):
            row.setup = {"hand": "low-back", "hips": "on-heels", "camera": "opening", "warm_up": "none"}
    answer = client.get(address(visited, "doctor", "clear", ".pdf"))
    document = PdfReader(io.BytesIO(answer.content))
    assert len(document.pages) == 1
    text = " ".join(document.pages[0].extract_text().split())
    assert "licensed practitioner decides" in text
    assert "beside the shoulder blade" in text


def test_each_reader_gets_their_own_words(client, visited):
    pages = {r: client.get(address(visited, r)).text for r in Reader}
    assert "minimal detectable change" in pages[Reader.DOCTOR]
    assert "Warning signs and precautions asked for" in pages[Reader.DOCTOR]
    assert "You knelt" in pages[Reader.ATHLETE]
    assert "stiff left" not in pages[Reader.COACH]  # what an athlete tells about pain is not the coach's business
    assert "minimal detectable change" not in pages[Reader.COACH]


def test_without_consent_nothing_leaves_for_coach_or_doctor(client, visited):
    with visited.services.database.begin() as session:
        consents.set_consents(session, visited.practice_id, visited.athlete_id, [], visited.member_id)
    assert client.get(address(visited, "doctor", ending=".pdf")).status_code == 403
    assert "has not agreed" in client.get(address(visited, "coach")).text
    assert client.get(address(visited, "athlete", ending=".pdf")).status_code == 200


def test_a_picture_without_a_face_to_blur_is_left_out_and_said_so(client, visited):
    # the drawn person of these tests has no head
    page = client.get(address(visited, "athlete", "blurred")).text
    assert "data:image/jpeg" not in page
    assert "3 pictures were left out" in page
    assert client.get(address(visited, "athlete", "clear")).text.count("data:image/jpeg") == 3


def test_nothing_to_report_is_said_in_words(client, practice):
    assert "Nothing measured yet" in client.get(address(practice, "athlete")).text
    assert client.get(address(practice, "athlete", ending=".pdf")).status_code == 422


def test_an_athlete_of_another_practice_has_no_report(client, practice):
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        foreign = people.athlete_by_code(session, other.id, "X")
        rounds.add_visit(session, other.id, foreign.id)
    for ending in ("", ".pdf"):
        assert client.get(f"/athletes/{foreign.id}/report{ending}").status_code == 404


def points(**places):
    return {name: Landmark.round_(x, y, 2.0, True, "hand") for name, (x, y) in places.items()}


HEAD = points(nose=(300, 100), ear_left=(320, 90))


def test_a_blurred_face_keeps_nothing_of_its_detail():
    detail = np.random.default_rng(1).integers(0, 255, (400, 600, 3), dtype=np.uint8)
    picture = Image.fromarray(detail)
    x, y, r = face_disc(HEAD, 600, 400)
    blurred = np.asarray(blur_face(picture, HEAD)).astype(float)
    inside = np.hypot(*np.meshgrid(np.arange(600) - x, np.arange(400) - y)) < r * 0.9
    outside = np.hypot(*np.meshgrid(np.arange(600) - x, np.arange(400) - y)) > r * 1.1
    assert (blurred[outside] == detail[outside]).all()
    # neighbouring pixels hardly differ any more, whatever the detail was
    steps = np.abs(np.diff(blurred.mean(axis=2), axis=1))[:, :]
    assert steps[inside[:, 1:]].max() < 6
    assert np.abs(np.diff(detail.mean(axis=2), axis=1))[inside[:, 1:]].max() > 60


def test_the_disc_covers_the_head_and_grows_with_doubt():
    body = points(
        acromion_left=(200, 150), acromion_right=(200, 170), hip_joint_left=(50, 180), hip_joint_right=(50, 190)
    )
    x, y, r = face_disc({**HEAD, **body}, 600, 400)
    assert np.hypot(300 - x, 100 - y) < r
    doubtful = {name: Landmark.round_(p.x, p.y, 20.0, False, "pose-model") for name, p in HEAD.items()}
    assert face_disc({**doubtful, **body}, 600, 400)[2] > r
    assert face_disc(body, 600, 400) is None


def test_the_report_picture_is_small_and_without_metadata():
    out = io.BytesIO()
    Image.effect_noise((1600, 1200), 60).convert("RGB").save(out, "JPEG")
    small = report_picture(out.getvalue(), HEAD, 3200, None, blur=True)
    image = Image.open(io.BytesIO(small))
    assert image.width == 420
    assert not image.getexif()
