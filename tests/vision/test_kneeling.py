"""The heel-sit kneeling position is told from other postures by geometry."""

import pytest

from tests.samples import PEOPLE
from vision.kneeling import camera_tilt_deg, kneeling_probability, turns_to_upright, upright_turns
from vision.landmarks import CameraLook, Landmark, Landmarks


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


def test_what_the_finder_says_of_the_camera_counts_before_the_shape_of_the_landmarks():
    askew = {"knee_left": (100.0, 100.0), "ankle_left": (100.0, 300.0), "hip_joint_left": (120.0, 220.0)}
    askew["shoulder_joint_left"] = (130.0, 60.0)
    points = {n: Landmark.round_(x, y, 2.0, True, "eye") for n, (x, y) in askew.items()}
    from_feet = Landmarks(points, "test", camera=CameraLook(0, -85.0))
    assert camera_tilt_deg(from_feet) is None
    assert turns_to_upright(from_feet) == 0
    assert abs(camera_tilt_deg(Landmarks(points, "test", camera=CameraLook(0, 170.0)))) == 90
    assert turns_to_upright(Landmarks(points, "test", camera=CameraLook(3, 0.0))) == 3
    assert turns_to_upright(Landmarks(points, "test")) == upright_turns(points)


@pytest.mark.parametrize(
    ("azimuth_deg", "off"), [(0, 0), (180, 0), (-170, 10), (90, 90), (-90, 90), (30, 30), (150, 30)]
)
def test_distance_from_side_on_is_the_same_from_either_side(azimuth_deg, off):
    assert CameraLook(0, azimuth_deg).off_side_deg == pytest.approx(off)
