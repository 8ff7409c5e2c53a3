"""A measurer for tests of pages and records: it 'finds' a person drawn at fixed places of the picture.

The angle follows from the points by plain trigonometry, so that moving a point moves the angle; nothing here
says anything about how well real photos are measured (tests/vision does).
"""

import hashlib
import io
import math

import numpy as np
from PIL import Image, UnidentifiedImageError

from app.photos.measurer import Fitted
from vision.errors import PhotoError
from vision.findings import Finding
from vision.landmarks import Landmark, Landmarks
from vision.photo import Photo
from vision.rotation import Posterior, Rotation

POINTS = {
    "acromion_left": (0.35, 0.30),
    "acromion_right": (0.33, 0.60),
    "hip_joint_left": (0.60, 0.62),
    "hip_joint_right": (0.60, 0.66),
    "knee_left": (0.45, 0.85),
}


def picture(colour=(90, 120, 90), size=(800, 600), form="JPEG", **save) -> bytes:
    """Return the bytes of a plain picture; a black one shows nobody."""
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, form, **save)
    return out.getvalue()


class DrawnPersonMeasurer:
    def decode(self, data):
        try:
            image = Image.open(io.BytesIO(data)).convert("RGB")
        except UnidentifiedImageError:
            raise PhotoError("This file is not a photo.", "Choose a photo.", code="photo-unreadable") from None
        return Photo(np.asarray(image), 900.0, None, hashlib.sha256(data).hexdigest(), f"image/{image.format}")

    def find(self, photo, side):
        if photo.pixels.max() < 5:
            nobody = Finding("nobody", "Nobody is seen.", "Turn on the light.", withholds=True)
            return Landmarks({}, "drawn 1", findings=(nobody,))
        w, h = photo.width, photo.height
        points = {n: Landmark.round_(x * w, y * h, 3.0, True, "pose-model") for n, (x, y) in POINTS.items()}
        return Landmarks(points, "drawn 1", in_position=0.9)

    def fit(self, trials, breadth_mm):
        return [self._fit(t.views, t.side) for t in trials]

    def _fit(self, views, side):
        found = [v.landmarks.points for v in views if len(v.landmarks.points) >= 4]
        if not found:
            reasons = tuple(f for v in views for f in v.landmarks.findings)
            return Fitted(Rotation(side, None, None, None, None, "automatic", reasons), tuple({} for _ in views))
        angles = [
            math.degrees(math.asin(min(1, abs(p["acromion_left"].y - p["acromion_right"].y) / (0.5 * v.width))))
            for p, v in zip(found, views, strict=False)
        ]
        centre = float(np.mean(angles)) * (side.sign or 1)
        grid = np.linspace(-90, 90, 181)
        posterior = Posterior.of_log(grid, -((grid - centre) ** 2) / (2 * 4.0**2))
        rotation = Rotation(side, posterior.median_deg, posterior.band_deg, posterior.sd_deg, posterior, "automatic")
        projected = tuple({name: (p.x, p.y) for name, p in v.landmarks.points.items()} for v in views)
        return Fitted(rotation, projected)

    def advise(self, trial, breadth_mm):
        return (f"A second photo of the {trial.side} side would help.",)

    def move(self, landmarks, moved):
        points = dict(landmarks.points)
        for name, (x, y) in moved.items():
            points[name] = Landmark.round_(x, y, 2.0, True, "hand")
        return Landmarks(points, landmarks.finder, landmarks.in_position, None, landmarks.findings)
