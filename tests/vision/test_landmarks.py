"""What is asked of several finders, in their order."""

import numpy as np

from vision.findings import finding
from vision.landmarks import AngleEvidence, Landmark, Landmarks
from vision.measuring import find_landmarks
from vision.photo import Photo
from vision.sides import Side

GREY = Photo(np.full((240, 320, 3), 128, np.uint8), None, None, digest="0" * 64, media_type="image/jpeg")


class Says:
    """A finder that says what it was told to say, and remembers whether it was asked."""

    name = "says"

    def __init__(self, found):
        self.found, self.asked = found, False

    def find(self, _photo, _side):
        self.asked = True
        return self.found


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
    assert not second.asked


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
