"""The result page: what holds, what was automatic, and the picture to scale."""

import io

import pytest
from PIL import Image

from app.pages.axis import Scale, angle_axis, difference_axis
from app.pages.overlays import crop, dial, overlay
from app.photos.fitting import typed_rotation
from tests.app.drawn_person import picture
from vision.compare import compare_sides
from vision.landmarks import Landmark
from vision.sides import Side


def test_a_round_without_photos_says_so(client, practice):
    page = client.get(f"/rounds/{practice.round()}").text
    assert "No photo yet" in page
    assert "Cannot be compared" in page


def test_left_and_right_are_shown_with_bands_and_decision_words(client, practice):
    round_id = practice.round("start", "left", "right", "left")
    page = client.get(f"/rounds/{round_id}").text
    assert "No difference shown" in page
    assert "Left rotation, trial 2" in page
    assert "level" in page or "toward the" in page
    assert "measured automatically" in page


def test_an_open_round_says_how_many_photos_are_being_measured(client, practice):
    page = client.get(f"/rounds/{practice.round('left', measure=False)}").text
    assert "1 photo is still being measured" in page


def test_no_page_speaks_of_normal_or_scores(client, practice):
    page = client.get(f"/rounds/{practice.round('left', 'right')}").text.lower()
    for word in ("abnormal", "normal", "score", "passed", "failed", "symmetric"):
        assert word not in page


def test_pictures_are_private_and_without_metadata(client, practice):
    round_id = practice.round("left")
    photo_id = practice.load(round_id).trials[0].photos[0].id
    answer = client.get(f"/photos/{photo_id}/picture")
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["cache-control"] == "private, no-store"
    assert b"Exif" not in answer.content
    assert client.get(f"/photos/{'0' * 32}/picture").status_code == 404


def test_lists_get_a_small_copy(client, practice):
    round_id = practice.round("left", data=picture(size=(1200, 900)))
    photo_id = practice.load(round_id).trials[0].photos[0].id
    small = Image.open(io.BytesIO(client.get(f"/photos/{photo_id}/picture?small=yes").content))
    assert small.size == (320, 240)


def test_bands_are_drawn_to_one_scale():
    left, right = [typed_rotation(Side.LEFT, 40.0, 10.0)], [typed_rotation(Side.RIGHT, 55.0, 10.0)]
    axis = angle_axis(compare_sides(left, right), left, right)
    a, b = axis.rows[0].trials[0], axis.rows[1].trials[0]
    per_degree = (axis.ticks[-1][0] - axis.ticks[0][0]) / (axis.ticks[-1][1] - axis.ticks[0][1])
    assert b.x - a.x == pytest.approx(15 * per_degree, abs=0.2)
    assert a.high_x - a.low_x == pytest.approx(20 * per_degree, abs=0.2)
    assert [row.word for row in axis.rows] == ["Left", "Right"]


def test_the_scale_grows_with_a_band_that_leaves_it():
    left, right = [typed_rotation(Side.LEFT, -5.0, 30.0)], [typed_rotation(Side.RIGHT, 80.0, 30.0)]
    comparison = compare_sides(left, right)
    axis = angle_axis(comparison, left, right)
    assert axis.ticks[0][1] <= -35
    assert axis.ticks[-1][1] >= 110
    assert difference_axis(comparison).mark.low_x >= 0


def test_scale_puts_ticks_on_multiples():
    assert [deg for _x, deg in Scale(-10, 30).ticks(10)] == [-10, 0, 10, 20, 30]


@pytest.mark.parametrize(("side", "raised"), [(Side.RIGHT, "right"), (Side.LEFT, "left")])
def test_the_dial_seen_from_the_feet_raises_the_shoulder_of_the_side(side, raised):
    shown = dial(typed_rotation(side, 40.0, 5.0))
    left_y, right_y = shown.line[1], shown.line[3]
    assert (right_y < left_y) == (raised == "right")
    assert raised in shown.words


def test_the_crop_stays_within_the_photo_and_keeps_every_point():
    points = {"c7": Landmark.round_(5, 5, 1, True, "hand"), "s2": Landmark.round_(790, 300, 1, True, "hand")}
    box = crop(points, 800, 600)
    assert box.x >= 0
    assert box.x + box.width <= 800
    assert box.y + box.height <= 600
    assert box.x <= 5
    assert box.x + box.width >= 790


def test_the_name_of_the_lower_point_of_a_pair_is_written_below():
    points = {
        "hip_joint_left": Landmark.round_(100, 80, 1, True, "fit"),
        "hip_joint_right": Landmark.round_(104, 70, 1, True, "fit"),
        "c7": Landmark.round_(50, 50, 1, True, "eye"),
    }
    placed = {j.name: j.lower for j in overlay("0" * 32, 400, 300, points, "a photo").joints}
    assert placed == {"hip_joint_left": True, "hip_joint_right": False, "c7": False}


def test_under_a_typed_angle_the_lines_of_the_automatic_fit_stay_drawn(client, practice):
    round_id = practice.round("left")
    photo_id = practice.load(round_id).trials[0].photos[0].id
    before = client.get(f"/rounds/{round_id}").text
    client.post(f"/photos/{photo_id}/angle", data={"angle": "40", "half_band": "5", "reason": "inclinometer"})
    after = client.get(f"/rounds/{round_id}").text
    assert "angle typed by Ada Quill" in after
    assert before.count('data-bone="shoulders"') == after.count('data-bone="shoulders"') == 2
