"""The sample pictures with their truth, and a finder that knows it."""

import hashlib
import json
from pathlib import Path

from vision.landmarks import Landmark, Landmarks
from vision.sides import Side

FOLDER = Path(__file__).parent.parent / "sample_images"
PEOPLE = json.loads((FOLDER / "truth.json").read_text())["people"]
PICTURES = Path(__file__).parent / "vision" / "pictures"


def sample(person: str, side: Side | str) -> Path:
    return FOLDER / PEOPLE[person][str(side)]["file"]


def true_deg(person: str, side: Side | str) -> float:
    """Signed, right positive."""
    return PEOPLE[person][str(side)]["rotation_right_deg"]


class KnowingFinder:
    """Places the true landmarks of the sample pictures, with the scatter of a careful hand; knows no other picture."""

    name = "truth"
    sd_px = 2.0

    def __init__(self):
        self.known = {
            hashlib.sha256(sample(person, side).read_bytes()).hexdigest(): picture["landmarks_px"]
            for person, pictures in PEOPLE.items()
            for side, picture in pictures.items()
        }

    def find(self, photo, side):
        known = self.known.get(photo.digest)
        if known is None:
            from vision.findings import finding

            return Landmarks({}, self.name, findings=(finding("person-not-found"),))
        points = {n: Landmark.round_(x, y, self.sd_px, True, "hand") for n, (x, y) in known.items()}
        return Landmarks(points, self.name, in_position=1.0)
