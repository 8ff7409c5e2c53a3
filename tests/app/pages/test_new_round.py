"""Beginning a round."""

import pytest

from app.records import people


def test_a_new_code_makes_an_athlete_and_goes_on_to_the_photos(client, practice):
    answer = client.post("/rounds/new", data={"code": " B  4 ", "breadth": "401,5"})
    assert answer.status_code == 303
    assert answer.headers["location"].endswith("/photos")
    with practice.services.database.begin() as session:
        athletes = {a.code: a.breadth_mm for a in people.athletes(session, practice.practice_id)}
    assert athletes == {"A-17": None, "B 4": 401.5}


@pytest.mark.parametrize(
    ("code", "breadth", "says"), [("", "", "code"), ("B", "12", "between"), ("B", "wide", "number")]
)
def test_what_cannot_be_used_is_said_and_what_was_typed_stays(client, code, breadth, says):
    answer = client.post("/rounds/new", data={"code": code, "breadth": breadth})
    assert answer.status_code == 422
    assert says in answer.text
    assert f'value="{breadth}"' in answer.text
