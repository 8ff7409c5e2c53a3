"""A second person measures without seeing the first result, and what holds stays."""

import re

import pytest

from app.records import models, people

PLACES = {
    "acromion_left": (260, 150),
    "acromion_right": (250, 400),
    "hip_joint_left": (480, 380),
    "hip_joint_right": (470, 400),
}


def sent(**changes):
    places = {**PLACES, **changes}
    return {"checked": "yes"} | {f"{a}-{n}": str(v) for n, xy in places.items() for a, v in zip("xy", xy, strict=True)}


@pytest.fixture
def photo(practice):
    return practice.load(practice.round("left")).trials[0].photos[0]


def test_the_blind_page_shows_no_angle_and_no_automatic_point(client, practice, photo):
    page = client.get(f"/photos/{photo.id}/blind").text
    main = page.split("<main")[1].split("</main")[0]
    assert "°" not in main
    for p in photo.measurement.landmarks.points.values():
        assert f'value="{p.x:.1f}" data-automatic' not in main
    assert "data-try" not in main


def test_a_blind_reading_is_compared_and_changes_nothing(client, practice, photo):
    before = client.get(f"/photos/{photo.id}/correct").text
    answer = client.post(f"/photos/{photo.id}/blind", data=sent())
    assert answer.headers["location"] == f"/photos/{photo.id}/blind/result"
    page = client.get(answer.headers["location"]).text
    assert "Ada Quill, blind" in page
    angles = [float(a.replace("−", "-")) for a in re.findall(r'<td class="num">(−?\d+\.\d)°', page)]
    assert angles[2] == pytest.approx(angles[1] - angles[0], abs=0.11)
    after = client.get(f"/photos/{photo.id}/correct").text
    assert "measured automatically" in after
    assert "measured blind, without seeing the first result" in after
    assert re.findall(r'class="big">[^<]*', before) == re.findall(r'class="big">[^<]*', after)


def test_points_left_where_they_were_put_are_not_a_reading(client, photo):
    start = re.findall(r'name="([xy])-(\w+)" value="([\d.]+)"', client.get(f"/photos/{photo.id}/blind").text)
    untouched = {"checked": "yes"} | {f"{a}-{n}": v for a, n, v in start}
    answer = client.post(f"/photos/{photo.id}/blind", data=untouched)
    assert answer.status_code == 422
    assert "left shoulder tip" in answer.text


def test_a_photo_of_another_practice_cannot_be_measured(client, practice, photo):
    with practice.services.database.begin() as session:
        other = people.add_practice(session, "Other side")
        session.get_one(models.Photo, photo.id).practice_id = other.id
    for part in ("blind", "blind/result"):
        assert client.get(f"/photos/{photo.id}/{part}").status_code == 404
    assert client.post(f"/photos/{photo.id}/blind", data=sent()).status_code == 404
