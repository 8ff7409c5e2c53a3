"""The advice of the running program comes from the posterior of vision, with its figures."""

import re

from app.photos.measurer import TrialViews, Viewed
from app.photos.vision_measurer import VisionMeasurer
from tests.vision.test_nextview import person, view
from vision.landmarks import Landmarks
from vision.sides import Side


def viewed(azimuth_deg):
    seen = view(person(50, azimuth_deg, sd_px=4))
    return Viewed(seen.landmarks, seen.width, seen.height, seen.focal_px)


def test_one_photo_alone_asks_for_another_and_judges_the_tape():
    photo, tape = VisionMeasurer().advise(TrialViews((viewed(-90),), Side.RIGHT), None)
    now, then = map(float, re.findall(r"about (\d+)", photo))
    assert then < now
    (taped,) = map(float, re.findall(r"would leave the band at about (\d+)", tape))  # it narrows it by less than 1
    assert abs(taped - now) <= 1


def test_a_breadth_already_measured_is_not_asked_for_again():
    said = VisionMeasurer().advise(TrialViews((viewed(-90),), Side.RIGHT), 400.0)
    assert len(said) == 1


def test_nothing_is_said_about_a_photo_without_landmarks():
    empty = Viewed(Landmarks({}, "none"), 800, 600, None)
    assert VisionMeasurer().advise(TrialViews((empty,), Side.LEFT), None) == ()
