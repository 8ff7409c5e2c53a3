"""Points placed by hand: believed closely, more loosely where they are hidden."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis

from vision.by_hand import BESIDE_THE_NETWORK, HIDDEN_SHARE, MISREAD_SDS, SEEN_SHARE, with_points_by_hand
from vision.landmarks import AngleEvidence, Landmark, Landmarks

FOUND = Landmarks(
    {
        "acromion_left": Landmark.round_(100, 100, 20, True, "pose-model"),
        "acromion_right": Landmark.round_(100, 140, 20, False, "pose-model"),
        "hip_joint_left": Landmark.round_(300, 120, 30, True, "pose-model"),
        "hip_joint_right": Landmark.round_(300, 120, 30, False, "pose-model"),
        "knee_left": Landmark.round_(200, 300, 20, True, "pose-model"),
    },
    "a finder",
)
READ = replace(FOUND, angle=AngleEvidence(np.array([-1.0, 1.0]), np.array([0.0, 0.0]), "eye"))
WHERE = {name: (p.x, p.y) for name, p in FOUND.points.items() if name != "knee_left"}


def test_a_placed_point_is_where_the_person_put_it_and_others_stay():
    after = with_points_by_hand(FOUND, {"acromion_left": (110.0, 90.0)})
    assert (after.points["acromion_left"].x, after.points["acromion_left"].y) == (110.0, 90.0)
    assert after.points["acromion_left"].source == "hand"
    assert after.points["knee_left"] == FOUND.points["knee_left"]


def test_the_scatter_follows_the_trunk_and_whether_the_point_is_seen():
    placed = {"acromion_left": (100.0, 100.0), "acromion_right": (100.0, 140.0)}
    after = with_points_by_hand(FOUND, placed)
    assert after.points["acromion_left"].sd_px == pytest.approx(SEEN_SHARE * 200)
    assert after.points["acromion_right"].sd_px == pytest.approx(HIDDEN_SHARE * 200)


def test_a_shoulder_tip_counts_as_seen_where_the_shoulder_is():
    shoulder = Landmarks({"shoulder_joint_left": Landmark.round_(100, 100, 20, True, "pose-model")}, "a finder")
    after = with_points_by_hand(shoulder, {"acromion_left": (100.0, 90.0), "acromion_right": (100.0, 140.0)})
    assert after.points["acromion_left"].seen
    assert not after.points["acromion_right"].seen


def test_what_was_read_from_the_picture_stays_beside_points_that_were_moved_a_little():
    after = with_points_by_hand(READ, {"acromion_left": (110.0, 90.0), "knee_left": (210.0, 500.0)})
    assert after.angle is READ.angle
    assert not after.misread
    assert after.points["acromion_left"].sd_px == pytest.approx(
        BESIDE_THE_NETWORK
        * with_points_by_hand(FOUND, {"acromion_left": (110.0, 90.0), "knee_left": (210.0, 500.0)})
        .points["acromion_left"]
        .sd_px
    )


@pytest.mark.parametrize(("far", "misread"), [(0.9, False), (1.1, True)])
@pytest.mark.parametrize("direction", [0.0, 0.7, 1.6, 2.9])
def test_a_deciding_point_moved_beyond_what_the_network_errs_sets_the_picture_aside(far, misread, direction):
    cov = np.array([[500.0, 150.0], [150.0, 200.0]])
    points = dict(READ.points) | {"hip_joint_left": replace(FOUND.points["hip_joint_left"], cov=(500.0, 150.0, 200.0))}
    hand = np.eye(2) * (SEEN_SHARE * 200) ** 2  # the trunk in the photo is about 200 pixels long
    way = np.array([np.cos(direction), np.sin(direction)])
    move = way * far * MISREAD_SDS / mahalanobis(way, [0, 0], np.linalg.inv(cov + hand))
    after = with_points_by_hand(
        replace(READ, points=points), {"hip_joint_left": tuple(np.array([300.0, 120.0]) + move)}
    )
    assert after.misread is misread
    assert (after.angle is None) is misread
    assert after.points["knee_left"] == FOUND.points["knee_left"]


def test_of_a_misread_photo_only_the_placed_points_stay_once_all_four_are():
    after = with_points_by_hand(READ, WHERE | {"acromion_left": (180.0, 60.0)})
    assert after.misread
    assert set(after.points) == set(WHERE)
    assert with_points_by_hand(READ, WHERE).points.keys() == FOUND.points.keys()


def test_without_a_reading_of_the_picture_nothing_is_misread():
    after = with_points_by_hand(FOUND, WHERE | {"acromion_left": (180.0, 60.0)})
    assert not after.misread
    assert set(after.points) == set(FOUND.points)


def test_points_can_be_placed_where_nobody_was_found():
    nobody = Landmarks({}, "a finder")
    after = with_points_by_hand(nobody, dict(zip(FOUND.points, [(1.0, 2.0)] * 4, strict=False)))
    assert len(after.points) == 4
    assert all(p.sd_px >= 0.5 for p in after.points.values())
