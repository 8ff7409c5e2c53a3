"""Points placed by hand: believed closely, more loosely where they are hidden."""

import numpy as np
import pytest

from vision.by_hand import HIDDEN_SHARE, SEEN_SHARE, with_points_by_hand
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
    angle=AngleEvidence(np.array([-1.0, 1.0]), np.array([0.0, 0.0]), "eye"),
)


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


def test_a_deciding_point_by_hand_sets_the_whole_picture_evidence_aside_and_another_does_not():
    assert with_points_by_hand(FOUND, {"hip_joint_left": (290.0, 120.0)}).angle is None
    assert with_points_by_hand(FOUND, {"knee_left": (210.0, 300.0)}).angle is FOUND.angle


def test_points_can_be_placed_where_nobody_was_found():
    nobody = Landmarks({}, "a finder")
    after = with_points_by_hand(nobody, dict(zip(FOUND.points, [(1.0, 2.0)] * 4, strict=False)))
    assert len(after.points) == 4
    assert all(p.sd_px >= 0.5 for p in after.points.values())
