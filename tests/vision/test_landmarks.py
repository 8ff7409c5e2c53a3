"""What is asked of several finders, in their order; the names of the points; the trunk that they show."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.saying import GREY, Says
from vision.findings import finding
from vision.landmark_names import ACROMIA, HIP_JOINTS, MIDLINE, MIRRORED, NAMES, PAIRED, counterpart
from vision.landmarks import LEAST_TRUNK, AngleEvidence, Landmark, Landmarks, trunk_px
from vision.measuring import find_landmarks
from vision.sides import Side


def landmarks(finder, **more):
    return Landmarks({"nose": Landmark.round_(10, 80, 3.0, True, finder)}, finder, 0.9, **more)


def nobody(finder, code="person-not-found"):
    return Landmarks({}, finder, findings=(finding(code),))


def test_the_first_finder_that_finds_somebody_is_the_only_one_used():
    evidence = AngleEvidence(np.array([-1.0, 1.0]), np.zeros(2), "a")
    first, second = Says(landmarks("a", angle=evidence)), Says(landmarks("b"))
    found = find_landmarks(GREY, Side.LEFT, [first, second])
    assert found.finder == "a"
    assert found.angle is evidence
    assert second.asked == 0


def test_a_finder_that_found_nobody_does_not_spoil_one_that_did():
    found = find_landmarks(GREY, Side.LEFT, [Says(nobody("a")), Says(landmarks("b"))])
    assert found.finder == "b"
    assert "person-not-found" not in [f.code for f in found.findings]


def test_when_nobody_is_found_every_reason_is_kept_once():
    blind = [Says(nobody("a")), Says(nobody("b")), Says(nobody("c", "not-in-position"))]
    found = find_landmarks(GREY, Side.LEFT, blind)
    codes = [f.code for f in found.findings]
    assert codes[:2] == ["person-not-found", "not-in-position"]
    assert codes.count("person-not-found") == 1
    assert found.finder == "a + b + c"
    assert find_landmarks(GREY, Side.LEFT, []).points == {}


def test_the_names_come_in_pairs_left_then_right_and_each_knows_its_counterpart():
    pairs = list(zip(NAMES[: 2 * len(PAIRED) : 2], NAMES[1 : 2 * len(PAIRED) : 2], strict=True))
    assert all(a.endswith("_left") and b == a.replace("left", "right") for a, b in pairs)
    assert all((counterpart(a), counterpart(b)) == (b, a) for a, b in pairs)
    assert all(counterpart(name) == name for name in MIDLINE)
    assert [NAMES[i] for i in MIRRORED] == [counterpart(name) for name in NAMES]
    assert NAMES[ACROMIA] == ("acromion_left", "acromion_right")
    assert NAMES[HIP_JOINTS] == ("hip_joint_left", "hip_joint_right")


@given(st.floats(0, 360), st.floats(-500, 500), st.floats(1, 9))
def test_the_trunk_in_the_photo_turns_with_it_and_is_never_shorter_than_the_person_allows(turn_deg, shift, scale):
    around = {"nose": (-300, 0), "ankle_left": (300, 0), "ankle_right": (0, 300), "c7": (0, -300)}
    pairs = {"acromion_left": (-150, 30), "acromion_right": (-150, -30), "hip_joint_left": (90, 20)}
    at = {n: np.array(v, float) for n, v in (around | pairs | {"hip_joint_right": (90, -20)}).items()}
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned = {n: scale * np.array([[c, -s], [s, c]]) @ p + shift for n, p in at.items()}
    assert trunk_px(turned) == pytest.approx(240 * scale)
    short = {**at, "hip_joint_left": at["acromion_left"], "hip_joint_right": at["acromion_right"]}
    assert trunk_px(short) == pytest.approx(LEAST_TRUNK * 600)
    assert trunk_px({n: at[n] for n in around}) == pytest.approx(LEAST_TRUNK * 600)  # a pair is missing
