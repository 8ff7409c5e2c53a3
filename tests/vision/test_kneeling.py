"""The heel-sit kneeling position is told from other postures by geometry."""

import pytest

from tests.samples import PEOPLE
from vision.kneeling import kneeling_probability, upright_turns
from vision.landmarks import Landmark


def posture(shoulder, hip, knee, ankle):
    middles = {"shoulder_joint": shoulder, "hip_joint": hip, "knee": knee, "ankle": ankle}
    return {
        f"{name}_{side}": Landmark.round_(x + d, y, 1, True, "hand")
        for name, (x, y) in middles.items()
        for side, d in (("left", -3), ("right", 3))
    }


# drawn by hand with a trunk of 100 pixels, thigh and shin of 85; picture coordinates (y down)
POSTURES = {
    "standing": posture((0, 0), (0, 100), (2, 185), (0, 270)),
    "standing, bent forward": posture((95, 100), (0, 100), (2, 185), (0, 270)),
    "sitting on a chair": posture((0, 0), (0, 100), (85, 105), (85, 190)),
    "squatting": posture((45, 20), (0, 110), (75, 70), (45, 150)),
    "kneeling upright": posture((0, 0), (0, 100), (0, 185), (-85, 185)),
    "on hands and knees": posture((100, 100), (0, 100), (0, 185), (-85, 185)),
    "lying on the back": posture((0, 0), (100, 0), (185, 0), (270, 0)),
}


@pytest.mark.parametrize("name", POSTURES)
def test_other_postures_are_not_taken_for_it(name):
    assert kneeling_probability(POSTURES[name]) < 0.5


@pytest.mark.parametrize("person", PEOPLE)
@pytest.mark.parametrize("side", ["start", "left", "right"])
def test_it_is_recognised_from_true_landmarks(person, side):
    points = {n: Landmark.round_(x, y, 1, True, "hand") for n, (x, y) in PEOPLE[person][side]["landmarks_px"].items()}
    assert kneeling_probability(points) > 0.8
    assert upright_turns(points) == 0


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_picture_on_its_side_is_noticed(turns):
    points = dict(PEOPLE["person02"]["left"]["landmarks_px"])
    for _ in range(turns):  # turn the picture clockwise by a quarter
        points = {n: (-y, x) for n, (x, y) in points.items()}
    placed = {n: Landmark.round_(x, y, 1, True, "hand") for n, (x, y) in points.items()}
    assert upright_turns(placed) == turns


def test_without_legs_nothing_can_be_told():
    points = {n: p for n, p in POSTURES["standing"].items() if not n.startswith("knee")}
    assert kneeling_probability(points) == 0
