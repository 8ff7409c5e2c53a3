"""The measurer of the running program: the finders and the fit of ``vision``."""

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace

from app.photos.measurer import Fitted, TrialViews, Viewed
from vision.anthropometry import ANSUR_MEN, ANSUR_WOMEN
from vision.by_hand import TAPE_SD_MM, with_points_by_hand
from vision.errors import FitError
from vision.finders import Finders
from vision.fit import TorsoFit, Trial, View
from vision.landmarks import LandmarkFinder, Landmarks
from vision.measuring import as_finding, find_landmarks, fit_declared, view_of
from vision.nextview import WORTH_ASKING_DEG, next_view
from vision.photo import DEFAULT_LIMITS, Photo, decode
from vision.rotation import Rotation
from vision.sides import Side
from vision.two_eyes import default_finders

AVERAGE_BREADTH_MM = (
    ANSUR_MEN.lengths_mm["biacromial_breadth"].mean + ANSUR_WOMEN.lengths_mm["biacromial_breadth"].mean
) / 2

LEVEL_SENSOR_SD_DEG = 2.0
"""Standard deviation of the roll that a phone's motion sensor tells: its own error is about one degree, the rest is for
the camera not sitting square in the phone and for hands (judgement, no source)."""


class VisionMeasurer:
    """Measures with the default finders, loaded at the first photo, unless others are given; one thread at a time."""

    def __init__(
        self,
        max_bytes: int = DEFAULT_LIMITS.max_bytes,
        finders: tuple[LandmarkFinder, ...] = (),
        use: Finders = Finders.BOTH,
    ) -> None:
        self._limits = replace(DEFAULT_LIMITS, max_bytes=max_bytes)
        self._finders = finders
        self._use = use
        self._one_at_a_time = threading.Lock()

    def decode(self, data: bytes) -> Photo:
        """Return the upright photo."""
        return decode(data, self._limits)

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks of the person in position, with what was noticed about the photo."""
        with self._one_at_a_time:
            self._finders = self._finders or default_finders(self._use)
            return find_landmarks(photo, side, self._finders)

    def fit(self, trials: Sequence[TrialViews], breadth_mm: float | None) -> list[Fitted]:
        """Return the rotation of each trial of one person, and where the body lies in each view."""
        usable = {i: shown for i, t in enumerate(trials) if (shown := [v for v in t.views if v.landmarks.measurable])}
        tape = None if breadth_mm is None else (breadth_mm, TAPE_SD_MM)
        joint = fit_declared(
            [Trial([_view(v) for v in shown], trials[i].side) for i, shown in usable.items()],
            breadth_mm=tape,
        )
        fits = dict(zip(usable, joint, strict=True))
        return [_fitted(trial, fits.get(i)) for i, trial in enumerate(trials)]

    def advise(self, trial: TrialViews, breadth_mm: float | None) -> tuple[str, ...]:
        """Return what one more photo and a tape measure would do to the band of a trial."""
        trials = [Trial([_view(v) for v in trial.views if v.landmarks.measurable], trial.side)]
        tape = None if breadth_mm is None else (breadth_mm, TAPE_SD_MM)
        (fit,) = fit_declared(trials, breadth_mm=tape)
        if isinstance(fit, FitError):
            return ()
        photo = next_view(fit)
        said = ["No further photo would narrow the band by more than a degree."] if photo is None else [photo.sentence]
        if breadth_mm is None:
            # how much a tape narrows does not depend on what it shows, so an average person stands in
            (taped,) = fit_declared(trials, breadth_mm=(AVERAGE_BREADTH_MM, TAPE_SD_MM))
            if not isinstance(taped, FitError):
                now, then = (high - low for low, high in (f.posterior.band_deg for f in (fit, taped)))
                if now - then >= WORTH_ASKING_DEG:
                    figures = f"from about {now:.0f} to about {then:.0f} degrees"
                    said.append(f"A tape-measured shoulder breadth would narrow the band {figures}.")
                else:
                    said.append(f"A tape-measured shoulder breadth would leave the band at about {then:.0f} degrees.")
        return tuple(said)

    def move(self, landmarks: Landmarks, moved: Mapping[str, tuple[float, float]]) -> Landmarks:
        """Return ``landmarks`` with some points placed by hand."""
        return with_points_by_hand(landmarks, moved)


def _fitted(trial: TrialViews, fit: TorsoFit | FitError | None) -> Fitted:
    nowhere: tuple[Mapping[str, tuple[float, float]], ...] = tuple({} for _ in trial.views)
    if fit is None:
        reasons = tuple(f for view in trial.views for f in view.landmarks.findings if f.withholds)
        return Fitted(Rotation(trial.side, None, None, None, None, "automatic", reasons), nowhere)
    if isinstance(fit, FitError):
        return Fitted(Rotation(trial.side, None, None, None, None, "automatic", (as_finding(fit),)), nowhere)
    places = iter(fit.projected_views)
    return Fitted(fit.rotation, tuple(next(places) if v.landmarks.measurable else {} for v in trial.views))


def _view(viewed: Viewed) -> View:
    """Return a photo as the fit needs it; a roll that the phone measured itself comes before any other."""
    view = view_of(viewed.landmarks, viewed.width, viewed.height, viewed.focal_px)
    if viewed.roll_deg is None:
        return view
    return replace(view, roll=(math.radians(viewed.roll_deg), math.radians(LEVEL_SENSOR_SD_DEG)))
