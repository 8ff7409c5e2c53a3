"""A practice's own agreement study becomes the error that its decisions use."""

import re

import numpy as np
import pytest

from app.records import models


def readings(people=20, spread_deg=6.0, error_deg=4.0):
    """Invented readings with a known error of each trial, two days, one rater."""
    rng = np.random.default_rng(5)
    lines = ["person,rater,day,angle_deg"]
    for person in range(people):
        own = 45 + rng.normal(0, spread_deg)
        for day in (1, 2):
            shift = rng.normal(0, 2)
            lines += [f"p{person},r1,{day},{own + shift + rng.normal(0, error_deg):.1f}" for _ in range(3)]
    return "\n".join(lines)


def test_the_published_figure_is_in_use_at_first_and_called_a_best_case(client):
    page = client.get("/practice/own-error").text
    assert "2.0°" in page
    assert "best case" in page


def test_a_study_gives_figures_and_the_chosen_one_decides_from_then_on(client, practice):
    table = readings()
    page = client.post("/practice/own-error", data={"readings": table}).text
    assert "20 people, 1 rater, 2 days." in page
    assert "Fewer than 50 people" in page
    figures = re.findall(r'<td class="num">(\d+\.\d)°</td>', page)
    retest = float(figures[1])
    # error of a mean of three trials 4/sqrt(3) and of a day 2 together: about 3.1
    assert retest == pytest.approx(3.1, abs=1.0)
    assert client.post("/practice/own-error", data={"readings": table, "use": "1"}).status_code == 303
    assert f"{retest:.1f}°" in client.get("/practice/own-error").text
    round_id = practice.round("left", "right")
    with practice.services.database.begin() as session:
        session.get_one(models.Practice, practice.practice_id).own_sem_deg = 9.0
    page = client.get(f"/rounds/{round_id}/decision").text
    assert "this practice's own agreement study" in page.replace("&#39;", "'")
    client.post("/practice/own-error/forget")
    assert "best case" in client.get("/practice/own-error").text


@pytest.mark.parametrize("table", ["", "person;angle", "person,rater,day,angle_deg\np1,r1,1,45"])
def test_readings_that_allow_nothing_are_told_in_words_and_kept(client, table):
    answer = client.post("/practice/own-error", data={"readings": table})
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert table.replace("&", "&amp;") in answer.text


def test_only_an_owner_changes_the_error(client, practice):
    with practice.services.database.begin() as session:
        session.get_one(models.Member, practice.member_id).role = "clinician"
    assert client.get("/practice/own-error").status_code == 403
    assert client.post("/practice/own-error/forget").status_code == 403
