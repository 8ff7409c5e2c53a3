"""What several finders say about one photo becomes one."""

import numpy as np

from vision.findings import finding
from vision.landmarks import AngleEvidence, Landmark, Landmarks, combine

HERE = {"hip_joint_left": (100, 100), "hip_joint_right": (110, 90), "knee_left": (40, 130), "nose": (10, 80)}


def landmarks(finder, sd_px, shift=0.0, in_position=0.9, **more):
    points = {n: Landmark.round_(x + shift, y, sd_px, True, finder) for n, (x, y) in HERE.items()}
    return Landmarks(points, finder, in_position, **more)


def test_each_point_comes_from_the_finder_that_places_it_most_closely():
    a, b = landmarks("a", 3.0), landmarks("b", 5.0, shift=2)
    fine = dict(b.points) | {"nose": Landmark.round_(13, 80, 1.0, True, "b")}
    both = combine([a, Landmarks(fine, "b", 0.9)])
    assert both.points["nose"].source == "b"
    assert both.points["knee_left"].source == "a"
    assert both.finder == "a + b"


def test_points_that_only_one_finder_knows_are_kept():
    extra = Landmarks({**landmarks("b", 9).points, "c7": Landmark.round_(60, 60, 4, False, "b")}, "b", 0.8)
    assert combine([landmarks("a", 3), extra]).points["c7"].source == "b"


def test_a_finder_that_found_nobody_does_not_spoil_one_that_did():
    nobody = Landmarks({}, "a", findings=(finding("person-not-found"),))
    both = combine([nobody, landmarks("b", 3)])
    assert both.findings == ()
    assert set(both.points) == set(HERE)


def test_when_nobody_is_found_every_reason_is_kept_once():
    nobody = [Landmarks({}, name, findings=(finding("person-not-found"),)) for name in "ab"]
    assert [f.code for f in combine(nobody).findings] == ["person-not-found"]
    assert combine([]).points == {}


def test_finders_that_look_at_different_people_are_not_mixed():
    a, b = landmarks("a", 1.0, shift=400, in_position=0.6), landmarks("b", 5.0, in_position=0.95)
    both = combine([a, b])
    assert {p.source for p in both.points.values()} == {"b"}
    assert both.in_position == 0.95


def test_direct_evidence_on_the_angle_is_kept():
    evidence = AngleEvidence(np.array([-1.0, 1.0]), np.zeros(2), "b")
    assert combine([landmarks("a", 1), landmarks("b", 2, angle=evidence)]).angle is evidence
