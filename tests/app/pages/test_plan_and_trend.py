"""Drill plans, their links and logs, and the trend over visits."""

import re
from datetime import timedelta
from xml.etree import ElementTree

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from app.care.safety import KEYS, Answer
from app.pages.trend_chart import Column, trend_chart
from app.records import models, people, rounds, visits
from app.records.columns import now

DOSE = {"side": "left", "sets": "2", "repetitions": "5", "hold_s": "4", "days_a_week": "5", "weeks": "4"}


def sent(*keys, **changes):
    return {"drill": list(keys), **{f"{name}-{key}": v for key in keys for name, v in {**DOSE, **changes}.items()}}


@pytest.fixture
def plan_id(client, practice):
    answer = client.post(f"/athletes/{practice.athlete_id}/plan", data=sent("kneeling-band", "active-return"))
    return answer.headers["location"].split("/")[2]


@pytest.fixture
def secret(client, plan_id):
    page = client.post(f"/plans/{plan_id}/link").text
    return re.search(r"/p/([\w-]{43})", page).group(1)


@pytest.fixture
def athlete_phone(app, practice):
    with TestClient(app, follow_redirects=False) as browser:
        yield browser


def test_a_plan_is_given_with_a_dose_for_one_side_and_can_be_printed(client, plan_id):
    page = client.get(f"/plans/{plan_id}").text
    assert "2 sets of 5, 4 s each, chest opens to the left; 5 days a week, for 4 weeks." in page
    assert "Stop rules" in page
    assert "Expert opinion" in page
    assert page.count("<svg") >= 3  # the brand and two drawings


def test_what_was_done_stands_folded_up_above_the_plan(client, plan_id, secret, athlete_phone):
    athlete_phone.post(f"/p/{secret}/done", data={"drill": "kneeling-band", "day": now().date().isoformat()})
    page = client.get(f"/plans/{plan_id}").text
    assert "<summary>Done so far: 1 day, last " in page


def test_without_a_difference_both_sides_are_suggested(client, practice):
    practice.round("left", "right")
    page = client.get(f"/athletes/{practice.athlete_id}/plan").text
    assert "both sides are suggested" in page
    assert page.count('<option value="both" selected>') == 3


@pytest.mark.parametrize(
    ("keys", "changes"), [((), {}), (("active-return",), {"sets": "0"}), (("active-return",), {"side": "up"})]
)
def test_an_impossible_plan_is_refused(client, practice, keys, changes):
    assert client.post(f"/athletes/{practice.athlete_id}/plan", data=sent(*keys, **changes)).status_code == 422


def test_the_link_shows_the_plan_without_sign_in_and_without_a_name(athlete_phone, secret):
    answer = athlete_phone.get(f"/p/{secret}")
    assert answer.status_code == 200
    assert "Kneeling rotation pulled by a band" in answer.text
    for name in ("A-17", "Ada Quill", "Hillside"):
        assert name not in answer.text
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert "noindex" in answer.headers["x-robots-tag"]


def test_the_links_secret_is_never_stored(practice, secret):
    with practice.services.database.begin() as session:
        row = session.scalars(select(models.DrillPlan)).one()
        assert secret not in str(vars(row))


def test_guessed_ended_and_expired_links_look_the_same(client, practice, athlete_phone, plan_id, secret):
    guessed = athlete_phone.get("/p/" + "x" * 43)
    with practice.services.database.begin() as session:
        session.scalars(select(models.DrillPlan)).one().link_until = now() - timedelta(seconds=1)
    expired = athlete_phone.get(f"/p/{secret}")
    client.post(f"/plans/{plan_id}/link/end")
    ended = athlete_phone.get(f"/p/{secret}")
    assert guessed.status_code == expired.status_code == ended.status_code == 404
    assert guessed.text == expired.text == ended.text


def test_what_was_done_is_noted_once_a_day_and_seen_by_the_practice(client, athlete_phone, plan_id, secret):
    today = now().date().isoformat()
    for pain in ("2", "3"):
        data = {"drill": ["active-return"], "day": today, "pain": pain}
        assert athlete_phone.post(f"/p/{secret}/done", data=data).status_code == 303
    page = client.get(f"/plans/{plan_id}").text
    assert page.count("Active return with the shoulder blade drawn back (pain 3)") == 1
    assert "(pain 2)" not in page


@pytest.mark.parametrize("day", ["", "2020-01-01", "2999-01-01", "yesterday"])
def test_a_day_that_cannot_be_is_refused(athlete_phone, secret, day):
    data = {"drill": ["active-return"], "day": day}
    assert athlete_phone.post(f"/p/{secret}/done", data=data).status_code == 422


def test_a_plan_of_another_practice_is_not_found(client, practice, plan_id):
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        session.scalars(select(models.DrillPlan)).one().practice_id = other.id
    assert client.get(f"/plans/{plan_id}").status_code == 404
    assert client.post(f"/plans/{plan_id}/link").status_code == 404
    assert client.post(f"/plans/{plan_id}/link/end").status_code == 404


def test_the_trend_shows_each_round_in_chart_and_table(client, practice):
    practice.round("left", "right")
    practice.round("left", "right")
    page = client.get(f"/athletes/{practice.athlete_id}/trend").text
    assert 'class="trend"' in page
    assert page.count("/decision") == 2
    assert "From first to last" in page


def test_the_trend_of_nobody_measured_says_so(client, practice):
    assert "Nothing measured yet" in client.get(f"/athletes/{practice.athlete_id}/trend").text


def column(left, right, pain=None, drills=False):
    band = lambda v, h: None if v is None else (v - h, v + h)  # noqa: E731
    d = None if left is None or right is None else left - right
    return Column(("1 Mar 26", "first"), left, band(left, 5), right, band(right, 5), d, band(d, 7), 6.0, pain, drills)


def test_the_chart_is_to_scale_and_tells_sides_apart_without_colour():
    svg = ElementTree.fromstring(trend_chart([column(50, 40, 3, True), column(46, 45)]))  # noqa: S314 - our own
    space = "{http://www.w3.org/2000/svg}"
    circles = [c for g in svg.iter(f"{space}g") for c in g.findall(f"{space}circle")]
    squares = [r for g in svg.iter(f"{space}g") for r in g.findall(f"{space}rect")]
    assert len(circles) == len(squares) == 2
    # 10 degrees between left and right of the first round are 10/60 of the panel of 190 units
    gap = float(squares[0].get("y")) + 5 - float(circles[0].get("cy"))
    assert gap == pytest.approx(190 * 10 / 60, abs=0.2)
    assert any(p.get("stroke-dasharray") == "6 4" for p in svg.iter(f"{space}path"))
    words = [t.text for t in svg.iter(f"{space}text")]
    assert "drills" in words
    assert "3" in words


def test_a_missing_side_leaves_a_gap_and_breaks_nothing():
    svg = trend_chart([column(50, None), column(None, None)])
    assert svg.count("<circle") == 2  # the legend and one value
    with pytest.raises(ValueError, match="at least one round"):
        trend_chart([])


def test_the_drills_say_so_when_the_newest_safety_answers_speak_against_the_test(client, practice):
    address = f"/athletes/{practice.athlete_id}/plan"
    assert "The sides were not compared yet" in client.get(address).text
    assert "speak against the test" not in client.get(address).text
    with practice.services.database.begin() as session:
        visit_id = rounds.add_visit(session, practice.practice_id, practice.athlete_id)
        answers = {key: Answer.YES if key == "fever" else Answer.NO for key in KEYS}
        visits.add_screen(session, practice.practice_id, visit_id, answers, practice.member_id)
    page = client.get(address).text
    assert "The newest safety answers speak against the test." in page
    assert "Do not test yet. A doctor, before any test or exercise" in page
