"""What the camera and the shoulder blades do to a rotation that is read the simple way.

Recomputed reference figures: all follow from plane geometry or from the survey's mean breadths; none is taken
from a paper. They are checked on the program's own camera and on the one definition of the angle, so that a
changed sign, frame or projection is seen. The simple readings (arc cosine of a shortened line, slope of a line
seen end-on) are written out here because the program does not use them: these figures are why.
"""

import math

import numpy as np
import pytest

from vision import camera
from vision.anthropometry import ANSUR_MEN, ANSUR_WOMEN, Group
from vision.arrays import FloatArray
from vision.rotation import rotation_angle_deg

FAR = 10_000.0  # trunk lengths: as good as parallel rays


def shoulder_line(turn_deg: float, breadth: float = 0.4) -> FloatArray:
    """Left and right end, world frame, turned about the trunk axis; right rotation lifts the right end."""
    turn = math.radians(turn_deg)
    left = breadth / 2 * np.array([0.0, math.cos(turn), -math.sin(turn)])
    return np.stack([left, -left])


def seen(line: FloatArray, azimuth_deg: float, elevation_deg: float, roll_deg: float, distance: float) -> FloatArray:
    """Vector from the left to the right end in the photo (x right, y down), units of the line at that distance."""
    parameters = np.zeros((1, camera.PARAMETERS))
    parameters[0, camera.LOG_DEPTH] = math.log(distance)
    rotation = camera.world_to_camera(*(np.radians([a]) for a in (azimuth_deg, elevation_deg, roll_deg)))
    image = camera.project(camera.to_camera(line[None], rotation, parameters), parameters)[0]
    vector: FloatArray = (image[1] - image[0]) * distance
    return vector


def slope_end_on_deg(turn_deg: float, yaw_deg: float = 0, pitch_deg: float = 0, roll_deg: float = 0) -> float:
    """Rotation to the right read as the slope of the line in a photo taken from the foot end."""
    x, y = seen(shoulder_line(turn_deg), 180 + yaw_deg, pitch_deg, roll_deg, FAR)
    return math.degrees(math.atan2(-y, x))


def shortening_deg(turn_deg: float, assumed_breadth: float, distance: float = FAR) -> float:
    """Rotation read as the arc cosine of the line's length over its assumed breadth, seen from above the back."""
    length = float(np.linalg.norm(seen(shoulder_line(turn_deg), 0, 90, 0, distance)))
    return math.degrees(math.acos(length / assumed_breadth))


@pytest.mark.parametrize(
    ("true_deg", "ratio_error", "error_deg"),
    [
        (45, -0.05, 2.80),
        (45, 0.05, -2.94),
        (45, -0.10, 5.48),
        (45, 0.10, -6.06),
        (30, -0.05, 4.64),
        (30, 0.05, -5.41),
        (60, -0.05, 1.64),
        (60, 0.05, -1.67),
    ],
)
def test_a_wrongly_assumed_breadth_shifts_the_arc_cosine(true_deg: float, ratio_error: float, error_deg: float):
    read = shortening_deg(true_deg, 0.4 / (1 + ratio_error))
    assert read - true_deg == pytest.approx(error_deg, abs=0.006)


@pytest.mark.parametrize(("distance_m", "read_deg"), [(1, 43.82), (2, 44.71), (3, 44.87)])
def test_a_close_camera_shifts_the_arc_cosine(distance_m: float, read_deg: float):
    """A line of 0.40 m at 45 degrees; trunk length taken as 1 m so that world units are metres."""
    assert shortening_deg(45, 0.4, distance_m) == pytest.approx(read_deg, abs=0.006)


@pytest.mark.parametrize(
    ("tilt_deg", "pitched_deg", "yawed_deg"), [(5, 44.89, 45.11), (10, 44.56, 45.44), (20, 43.22, 46.78)]
)
@pytest.mark.parametrize("way", [-1, 1])
def test_a_camera_off_the_trunk_axis_shifts_the_slope_seen_end_on(
    tilt_deg: float, pitched_deg: float, yawed_deg: float, way: int
):
    assert slope_end_on_deg(45, pitch_deg=way * tilt_deg) == pytest.approx(pitched_deg, abs=0.006)
    assert slope_end_on_deg(45, yaw_deg=way * tilt_deg) == pytest.approx(yawed_deg, abs=0.006)


@pytest.mark.parametrize("roll_deg", [-3, 1, 5])
def test_a_rolled_camera_makes_equal_sides_differ_by_twice_the_roll(roll_deg: float):
    right, left = slope_end_on_deg(45, roll_deg=roll_deg), -slope_end_on_deg(-45, roll_deg=roll_deg)
    assert abs(right - 45) == pytest.approx(abs(roll_deg), abs=1e-3)
    assert right - 45 == pytest.approx(45 - left, abs=1e-3)
    assert abs(right - left) == pytest.approx(2 * abs(roll_deg), abs=1e-3)


HIPS = shoulder_line(0, 300.0)
TRUNK = np.array([500.0, 0.0, 0.0])


def test_the_definition_reads_the_turn_that_the_line_was_given():
    for turn_deg in (-70, -20, 0, 35, 80):
        assert rotation_angle_deg(*HIPS, *(TRUNK + shoulder_line(turn_deg, 400.0))) == pytest.approx(turn_deg)


@pytest.mark.parametrize(("group", "turn_deg"), [(ANSUR_MEN, 5.49), (ANSUR_WOMEN, 6.25)], ids=["men", "women"])
def test_one_shoulder_blade_sliding_4_cm_turns_the_line_without_any_spine_motion(group: Group, turn_deg: float):
    left, right = TRUNK + shoulder_line(0, group.lengths_mm["biacromial_breadth"].mean)
    backward = np.array([0.0, 0.0, 40.0])
    assert rotation_angle_deg(*HIPS, left, right + backward) == pytest.approx(turn_deg, abs=0.01)


@pytest.mark.parametrize(("line_px", "sd_deg"), [(200, 1.22), (400, 0.61)])
def test_jitter_of_3_px_at_each_end_of_the_line(line_px: float, sd_deg: float):
    rng = np.random.default_rng(3)
    turns = []
    for _ in range(5_000):
        jitter = rng.normal(scale=3, size=(2, 3)) * np.array([0, 1, 1])
        turns.append(rotation_angle_deg(*HIPS, *(TRUNK + shoulder_line(0, line_px) + jitter)))
    assert np.std(turns) == pytest.approx(sd_deg, rel=0.03)
