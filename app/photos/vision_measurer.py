"""The measurer of the running program: the finders and the fit of ``vision``."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace

from app.photos.measurer import Fitted, Viewed
from vision.by_hand import TAPE_SD_MM, with_points_by_hand
from vision.errors import FitError
from vision.fit import Trial
from vision.landmarks import LandmarkFinder, Landmarks
from vision.measuring import as_finding, default_finders, find_landmarks, fit_declared, view_of
from vision.photo import DEFAULT_LIMITS, Photo, decode
from vision.rotation import Rotation
from vision.sides import Side


class VisionMeasurer:
    """Measures with the default finders; they are loaded at the first photo and used by one thread at a time."""

    def __init__(self, max_bytes: int = DEFAULT_LIMITS.max_bytes) -> None:
        self._limits = replace(DEFAULT_LIMITS, max_bytes=max_bytes)
        self._finders: tuple[LandmarkFinder, ...] = ()
        self._one_at_a_time = threading.Lock()

    def decode(self, data: bytes) -> Photo:
        """Return the upright photo."""
        return decode(data, self._limits)

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks of the person in position, with what was noticed about the photo."""
        with self._one_at_a_time:
            self._finders = self._finders or default_finders()
            return find_landmarks(photo, side, self._finders)

    def fit(self, views: Sequence[Viewed], side: Side, breadth_mm: float | None) -> Fitted:
        """Return the rotation of one trial, and where its body lies in each view."""
        usable = [i for i, view in enumerate(views) if view.landmarks.points]
        if not usable:
            reasons = tuple(f for view in views for f in view.landmarks.findings if f.withholds)
            return Fitted(Rotation(side, None, None, None, None, "automatic", reasons), tuple({} for _ in views))
        shown = [views[i] for i in usable]
        tape = None if breadth_mm is None else (breadth_mm, TAPE_SD_MM)
        seen = [view_of(v.landmarks, v.width, v.height, v.focal_px) for v in shown]
        (fit,) = fit_declared([Trial(seen, side)], breadth_mm=tape)
        if isinstance(fit, FitError):
            withheld = Rotation(side, None, None, None, None, "automatic", (as_finding(fit),))
            return Fitted(withheld, tuple({} for _ in views))
        projected: list[Mapping[str, tuple[float, float]]] = [{} for _ in views]
        for i, places in zip(usable, fit.projected_views, strict=True):
            projected[i] = places
        return Fitted(fit.rotation, tuple(projected))

    def move(self, landmarks: Landmarks, moved: Mapping[str, tuple[float, float]]) -> Landmarks:
        """Return ``landmarks`` with some points placed by hand."""
        return with_points_by_hand(landmarks, moved)
