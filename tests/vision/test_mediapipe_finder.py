"""The pose model's finder: whom it finds, whom it refuses, how honest its spread is."""

import io

import numpy as np
import pytest
from PIL import Image

from tests.samples import PEOPLE, PICTURES, sample
from vision.landmarks import Landmark
from vision.mediapipe_finder import MediapipeFinder, Person, place, place_upright
from vision.photo import Photo, decode
from vision.sides import Side

CHOSEN = [(person, side) for person in ("person01", "person04", "person06") for side in (Side.LEFT, Side.RIGHT)]


@pytest.fixture(scope="module")
def finder():
    return MediapipeFinder()


@pytest.fixture(scope="module")
def found(finder):
    return {key: finder.find(decode(sample(*key).read_bytes()), key[1]) for key in CHOSEN}


def error_px(point: Landmark, true) -> float:
    return float(np.hypot(point.x - true[0], point.y - true[1]))


def trunk_px(true) -> float:
    top = (np.array(true["acromion_left"]) + true["acromion_right"]) / 2
    return float(np.linalg.norm(top - (np.array(true["hip_joint_left"]) + true["hip_joint_right"]) / 2))


@pytest.mark.parametrize("key", CHOSEN)
def test_the_person_is_found_in_position(found, key):
    landmarks = found[key]
    assert landmarks.in_position > 0.9
    assert landmarks.findings == ()
    assert {"shoulder_joint_left", "hip_joint_right", "knee_left", "nose"} <= set(landmarks.points)
    assert not any(name.startswith("acromion") for name in landmarks.points), "the model knows no acromion"


@pytest.mark.parametrize("key", CHOSEN)
def test_the_opening_shoulder_lies_where_it_is(found, key):
    person, side = key
    true = PEOPLE[person][side]["landmarks_px"]
    name = f"shoulder_joint_{side}"
    # three standard deviations of a point in the plane hold 98.9 % (chi square, 2 degrees of freedom)
    assert error_px(found[key].points[name], true[name]) < 3 * found[key].points[name].sd_px
    assert found[key].points[name].seen


def test_the_stated_spread_covers_the_errors(found):
    ratios = []
    for (person, side), landmarks in found.items():
        true = PEOPLE[person][side]["landmarks_px"]
        for name, point in landmarks.points.items():
            if name in true:
                ratios.append(error_px(point, true[name]) ** 2 / (2 * point.sd_px**2))
    # mean square error over stated variance: 1 if honest; far below would hide what the photo tells
    assert 0.1 < np.mean(ratios) < 1.5


@pytest.mark.parametrize("key", CHOSEN)
def test_left_and_right_shoulders_are_told_apart(found, key):
    true = PEOPLE[key[0]][key[1]]["landmarks_px"]
    for name in ("shoulder_joint", "elbow", "ear"):
        left, right = (found[key].points[f"{name}_{side}"] for side in ("left", "right"))
        line = np.array(true[f"{name}_left"]) - true[f"{name}_right"]
        assert (np.array([left.x - right.x, left.y - right.y]) @ line) > 0


def test_the_declared_side_does_not_overrule_what_is_seen(finder, found):
    photo = decode(sample("person04", Side.LEFT).read_bytes())
    as_right = finder.find(photo, Side.RIGHT).points
    for name in ("shoulder_joint_left", "shoulder_joint_right"):
        assert as_right[name].y == pytest.approx(found["person04", Side.LEFT].points[name].y, abs=1)


def test_a_photo_on_its_side_gives_the_same_points(finder, found):
    photo = decode(sample("person01", Side.LEFT).read_bytes())
    lying = Photo(np.ascontiguousarray(np.rot90(photo.pixels)), photo.focal_px, None, "turned", "image/png")
    landmarks = finder.find(lying, Side.LEFT)
    trunk = trunk_px(PEOPLE["person01"]["left"]["landmarks_px"])
    for name in ("shoulder_joint_left", "shoulder_joint_right", "hip_joint_left", "knee_left", "elbow_left"):
        upright = found["person01", Side.LEFT].points[name]
        # rot90 turns counter-clockwise: (x, y) -> (y, width - x)
        assert error_px(landmarks.points[name], (upright.y, photo.width - upright.x)) < 0.12 * trunk
    assert landmarks.in_position > 0.9


def test_a_large_photo_gives_positions_in_its_own_pixels(finder, found):
    out = io.BytesIO()
    with Image.open(sample("person01", Side.LEFT)) as picture:
        picture.resize((3600, 2700)).save(out, "JPEG", quality=90)
    large = finder.find(decode(out.getvalue()), Side.LEFT).points["shoulder_joint_left"]
    small = found["person01", Side.LEFT].points["shoulder_joint_left"]
    assert error_px(large, (3 * small.x, 3 * small.y)) < 3 * small.sd_px
    assert large.sd_px == pytest.approx(3 * small.sd_px, rel=0.25)


def test_the_kneeling_one_of_two_people_is_chosen_and_told(finder):
    photo = decode((PICTURES / "bystander_left.jpg").read_bytes())
    landmarks = finder.find(photo, Side.LEFT)
    assert [f.code for f in landmarks.findings] == ["several-people"]
    assert "2 people" in landmarks.findings[0].message
    shoulder = landmarks.points["shoulder_joint_left"]
    assert 500 < shoulder.x < 750, "the kneeling person is right of the middle, the standing one left of it"


@pytest.mark.parametrize(
    ("picture", "code"),
    [
        ("standing.jpg", "not-in-position"),
        ("legs.jpg", "trunk-not-shown"),
        ("kneeling_legs.jpg", "person-not-found"),
    ],
)
def test_pictures_without_somebody_kneeling_are_refused_with_the_reason(finder, picture, code):
    landmarks = finder.find(decode((PICTURES / picture).read_bytes()), Side.LEFT)
    assert landmarks.points == {}
    assert [f.code for f in landmarks.findings] == [code]
    assert landmarks.findings[0].withholds


@pytest.mark.parametrize("value", [0, 128, 255])
def test_an_empty_frame_shows_nobody(finder, value):
    empty = Photo(np.full((600, 800, 3), value, np.uint8), None, None, str(value), "image/png")
    landmarks = finder.find(empty, Side.LEFT)
    assert landmarks.points == {}
    assert [f.code for f in landmarks.findings] == ["person-not-found"]


# ---- settling left and right, without the model


def looks(shoulders, count=10, noise=1.0, swapped=0):
    """Looks at a person side-on, head to the left, with the given shoulders; some with all pairs exchanged."""
    rng = np.random.default_rng(5)
    points = np.zeros((count, 33, 2))
    still = {0: (-40, 10), 7: (-30, 0), 8: (-30, 15), 13: (60, -60), 14: (20, 90), 15: (90, -10), 16: (-60, 100)}
    still |= {23: (200, 60), 24: (190, 50), 25: (40, 110), 26: (35, 95), 27: (230, 115), 28: (225, 105)}
    for k, xy in (still | {11: shoulders[0], 12: shoulders[1]}).items():
        points[:, k] = xy
    points += rng.normal(0, noise, points.shape)
    for k in range(swapped):
        for a in (11, 13, 15):
            points[k, [a, a + 1]] = points[k, [a + 1, a]]
    return Person(points, np.ones((count, 33)))


def test_a_minority_of_exchanged_looks_is_set_right():
    points, by_side = place(looks([(0, 0), (10, 80)], swapped=2), Side.LEFT)
    assert not by_side
    assert points["shoulder_joint_left"].y < points["shoulder_joint_right"].y - 60
    assert points["shoulder_joint_left"].sd_px < 0.2 * 200


def test_an_even_vote_is_settled_by_the_declared_side():
    for side, above in ((Side.LEFT, "left"), (Side.RIGHT, "right")):
        points, by_side = place(looks([(0, 0), (10, 80)], swapped=5), side)
        assert by_side
        below = "right" if above == "left" else "left"
        assert points[f"shoulder_joint_{above}"].y < points[f"shoulder_joint_{below}"].y


def test_scatter_between_looks_widens_the_landmark():
    tight, _ = place(looks([(0, 0), (10, 80)], noise=1), Side.LEFT)
    wide, _ = place(looks([(0, 0), (10, 80)], noise=40), Side.LEFT)
    for name in tight:
        assert wide[name].sd_px > tight[name].sd_px


def test_the_far_hip_and_the_lower_shoulder_count_as_hidden_seen_from_the_opening_side():
    points, _ = place(looks([(0, 0), (10, 80)]), Side.LEFT)
    seen = {name for name, point in points.items() if point.seen}
    assert {"shoulder_joint_left", "hip_joint_left"} <= seen
    assert not {"shoulder_joint_right", "hip_joint_right"} & seen


def test_placing_upright_changes_nothing_in_an_upright_picture():
    person = looks([(0, 0), (10, 80)])
    assert place_upright(person, Side.LEFT) == place(person, Side.LEFT)
