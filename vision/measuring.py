"""From photos to left against right: the whole path, one trial after another.

bytes -> :class:`~vision.photo.Photo` -> :class:`~vision.landmarks.Landmarks` -> torso fit ->
:class:`~vision.rotation.Rotation` -> :class:`~vision.compare.Comparison`. A photo that cannot be used takes
its reason along as a finding and never spoils the others.
"""

import logging
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from typing_extensions import TypeIs

from vision import quality
from vision.compare import Comparison, compare_sides
from vision.errors import FitError, PhotoError
from vision.findings import Finding, finding
from vision.fit import TorsoFit, Trial, View, fit_person, fit_trial
from vision.kneeling import turns_to_upright
from vision.landmarks import LandmarkFinder, Landmarks, all_findings
from vision.photo import DEFAULT_LIMITS, Photo, PhotoLimits, decode
from vision.rotation import Rotation
from vision.sides import Side
from vision.two_eyes import default_finders

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class PhotoFile:
    """The bytes of a photo with the name under which its result is reported."""

    name: str
    data: bytes = field(repr=False)


Source = str | os.PathLike[str] | bytes | PhotoFile
"""A photo: a path, the bytes themselves, or bytes with a name."""

TrialSource = Source | Sequence[Source]
"""A trial: one photo, or several photos of the same effort from other viewpoints."""


@dataclass(frozen=True)
class MeasuredPhoto:
    """One photo and what came of it.

    Attributes
    ----------
    name
        File name or path as given.
    photo
        None when the file could not be used as a photo.
    landmarks
        What the finders say; empty points when nobody in position was found.
    projected
        Name to (x, y), pixels: where the fitted body's points lie in this photo; empty without a fit.
    findings
        What was noticed about this photo.

    """

    name: str
    photo: Photo | None
    landmarks: Landmarks
    projected: Mapping[str, tuple[float, float]]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class ExaminedTrial:
    """The photos of one trial after looking at each, before the fit."""

    side: Side
    number: int
    photos: tuple[MeasuredPhoto, ...]


@dataclass(frozen=True)
class MeasuredTrial:
    """One trial: its photos and the rotation that they give together.

    Attributes
    ----------
    number
        1 for the first trial of the side.
    fit
        None when no photo of the trial could be fitted; then the rotation is withheld and says why.

    """

    side: Side
    number: int
    photos: tuple[MeasuredPhoto, ...]
    rotation: Rotation
    fit: TorsoFit | None


@dataclass(frozen=True)
class Measurement:
    """The result of a round; true if there is an angle at end range (or of the start, if only that was given).

    Attributes
    ----------
    start, left, right
        Trials as given; ``start`` has at most one.
    comparison
        Left against right, as far as there are angles.
    findings
        What was noticed about the round as a whole.

    """

    start: MeasuredTrial | None
    left: tuple[MeasuredTrial, ...]
    right: tuple[MeasuredTrial, ...]
    comparison: Comparison
    findings: tuple[Finding, ...]

    @property
    def trials(self) -> tuple[MeasuredTrial, ...]:
        """All trials: start, left, right."""
        return (*(() if self.start is None else (self.start,)), *self.left, *self.right)

    def __bool__(self) -> bool:
        return any(trial.rotation for trial in ((*self.left, *self.right) or self.trials))


SIDEWAYS_ROLL_SD = math.radians(6.0)
"""Standard deviation of a phone's roll about the nearest quarter turn, radians: as for one held upright."""

LOG_ODDS_OF_OTHER_SIDE = math.log(1000.0)
"""How much better the other side must explain photos before they are measured so: a thousandfold, a judgement."""

Progress = Callable[[int, int, str], None]
"""Called before each photo with: photos done, photos in all, name of the next one."""


def measure(
    start: TrialSource | None = None,
    left: TrialSource | Sequence[TrialSource] | None = None,
    right: TrialSource | Sequence[TrialSource] | None = None,
    *,
    breadth_mm: tuple[float, float] | None = None,
    finders: Sequence[LandmarkFinder] | None = None,
    limits: PhotoLimits = DEFAULT_LIMITS,
    progress: Progress | None = None,
) -> Measurement:
    """Measure a round from its photos.

    Parameters
    ----------
    start
        The start photo (several viewpoints of it as a sequence), or None.
    left, right
        One photo, or a sequence of trials; a trial is a photo or a sequence of photos of the same effort
        from other viewpoints: ``left=["a.jpg", ["b1.jpg", "b2.jpg"]]`` are two trials.
    breadth_mm
        Tape-measured shoulder breadth (acromion to acromion) and its standard deviation, millimetres.
    finders
        Landmark finders; :func:`default_finders` if None.
    limits
        Limits on the files.
    progress
        Called before each photo.

    Returns
    -------
    Measurement
        Always; what could not be measured says why in its findings.

    Examples
    --------
    >>> from vision import measure
    >>> result = measure("start.jpg", left="left.jpg", right="right.jpg")  # doctest: +SKIP
    >>> result.comparison.difference_deg  # doctest: +SKIP

    """
    if finders is None:
        finders = default_finders()
    trials = [
        (side, number, views)
        for side, given in (
            (Side.START, [] if start is None else [start]),
            (Side.LEFT, _as_trials(left)),
            (Side.RIGHT, _as_trials(right)),
        )
        for number, views in enumerate((_as_views(trial) for trial in given), 1)
    ]
    total = sum(len(views) for _, _, views in trials)
    done = 0
    examined: list[ExaminedTrial] = []
    for side, number, views in trials:
        photos = []
        for source in views:
            name = _name(source, side, number)
            if progress is not None:
                progress(done, total, name)
            photos.append(examine(name, source, side, finders, limits))
            done += 1
        examined.append(ExaminedTrial(side, number, tuple(photos)))
    if progress is not None:
        progress(total, total, "")
    return _round(measure_trials(_tell_repeated(examined), breadth_mm=breadth_mm))


def examine(
    name: str,
    source: Source,
    side: Side,
    finders: Sequence[LandmarkFinder],
    limits: PhotoLimits = DEFAULT_LIMITS,
) -> MeasuredPhoto:
    """Decode one photo and find its landmarks; whatever is wrong with it becomes a finding."""
    nobody = Landmarks({}, finder="none")
    try:
        photo = decode(_bytes(source), limits)
    except PhotoError as error:
        return MeasuredPhoto(name, None, nobody, {}, (as_finding(error),))
    try:
        landmarks = find_landmarks(photo, side, finders)
    except Exception:  # a fault of ours in one photo must not lose the others
        log.exception("looking at a photo broke down")
        return MeasuredPhoto(name, photo, nobody, {}, (finding("measuring-broke"),))
    return MeasuredPhoto(name, photo, landmarks, {}, landmarks.findings)


def find_landmarks(photo: Photo, side: Side, finders: Sequence[LandmarkFinder]) -> Landmarks:
    """Return what the first finder that finds somebody says, with the findings about the photo itself.

    Where nobody is found, all reasons are told.
    """
    found = _first_found(photo, side, finders)
    return replace(found, findings=(*found.findings, *quality.photo_findings(photo, found)))


def _first_found(photo: Photo, side: Side, finders: Sequence[LandmarkFinder]) -> Landmarks:
    looks: list[Landmarks] = []
    for finder in finders:
        looks.append(finder.find(photo, side))
        if looks[-1].points:
            return looks[-1]
    return Landmarks({}, " + ".join(look.finder for look in looks) or "none", findings=all_findings(looks))


def measure_trials(
    trials: Sequence[ExaminedTrial], *, breadth_mm: tuple[float, float] | None = None
) -> list[MeasuredTrial]:
    """Fit the trials of one person together, each from those of its photos that show somebody."""
    all_views = (
        [
            view_of(p.landmarks, p.photo.width, p.photo.height, p.photo.focal_px)
            for p in trial.photos
            if p.photo is not None and p.landmarks.measurable
        ]
        for trial in trials
    )
    usable = {i: views for i, views in enumerate(all_views) if views}
    fits = fit_declared([Trial(views, trials[i].side) for i, views in usable.items()], breadth_mm=breadth_mm)
    by_trial = dict(zip(usable, fits, strict=True))
    return [_measured(trial, by_trial.get(i)) for i, trial in enumerate(trials)]


def _measured(trial: ExaminedTrial, fit: TorsoFit | FitError | None) -> MeasuredTrial:
    if fit is None:
        reasons = tuple(f for p in trial.photos for f in p.findings if f.withholds)
        return MeasuredTrial(trial.side, trial.number, trial.photos, _withheld(trial.side, reasons), None)
    if isinstance(fit, FitError):
        return MeasuredTrial(trial.side, trial.number, trial.photos, _withheld(trial.side, (as_finding(fit),)), None)
    projected = iter(fit.projected_views)
    photos = tuple(
        replace(p, projected=next(projected)) if p.photo is not None and p.landmarks.measurable else p
        for p in trial.photos
    )
    return MeasuredTrial(trial.side, trial.number, photos, fit.rotation, fit)


def fit_declared(
    trials: Sequence[Trial], *, breadth_mm: tuple[float, float] | None = None
) -> list[TorsoFit | FitError]:
    """Fit trials of one person whose declared side may be wrong; a trial that cannot be fitted gives its error.

    Where the photos are far better explained by the chest opening to the other side, they are measured so: the
    rotation keeps the declared side, its magnitude is negative, and a finding says so. Nothing is exchanged silently.
    """
    results: dict[int, TorsoFit | FitError] = {}
    fitted: dict[int, Trial] = {}
    for i, trial in enumerate(trials):
        try:
            fitted[i] = _as_it_looks(trial, breadth_mm)
        except FitError as error:
            results[i] = error
        except np.linalg.LinAlgError:
            log.exception("fitting a trial broke down")
            results[i] = FitError.of(finding("measuring-broke"))
    joint = fit_person(list(fitted.values()), breadth_mm=breadth_mm) if fitted else ()
    for i, fit in zip(fitted, joint, strict=True):
        results[i] = _under(trials[i].side, fit)
    return [results[i] for i in range(len(trials))]


def _under(declared: Side, fit: TorsoFit) -> TorsoFit:
    """Report a fit under the declared side, with a finding if the chest opens the other way."""
    rotation = replace(fit.rotation, side=declared)
    if fit.rotation.side is declared and not quality.opposite(rotation):
        return fit
    told = finding("opens-other-way", declared=declared, other=declared.other)
    rotation = replace(rotation, findings=(told, *rotation.findings))
    return replace(fit, rotation=rotation, findings=rotation.findings)


def _as_it_looks(trial: Trial, breadth_mm: tuple[float, float] | None) -> Trial:
    """Return the trial with the side that its photos show, if they show it beyond doubt."""
    declared = fit_trial(trial.views, trial.side, breadth_mm=breadth_mm)
    if trial.side is Side.START:
        return trial
    other = fit_trial(trial.views, trial.side.other, breadth_mm=breadth_mm)
    beyond_doubt = other.log_evidence - declared.log_evidence > LOG_ODDS_OF_OTHER_SIDE
    return Trial(trial.views, trial.side.other) if beyond_doubt else trial


def view_of(landmarks: Landmarks, width: int, height: int, focal_px: float | None) -> View:
    """Return a photo as the fit needs it; one that lies on its side says so by its roll."""
    turns = turns_to_upright(landmarks)
    # turned counter-clockwise to stand upright: the camera was rolled counter-clockwise, which is negative roll
    roll = None if turns == 0 else (math.remainder(-turns * math.pi / 2, 2 * math.pi), SIDEWAYS_ROLL_SD)
    return View(landmarks, width, height, focal_px, roll)


def as_finding(error: PhotoError | FitError) -> Finding:
    """Return an error about a photo as the finding that is kept with the photo."""
    return Finding(error.code, error.message, error.advice, withholds=True)


def _round(trials: Sequence[MeasuredTrial]) -> Measurement:
    start = next((t for t in trials if t.side is Side.START), None)
    left = tuple(t for t in trials if t.side is Side.LEFT)
    right = tuple(t for t in trials if t.side is Side.RIGHT)
    comparison = compare_sides([t.rotation for t in left], [t.rotation for t in right])
    exchanged = quality.sides_exchanged(*([t.rotation for t in side if t.fit] for side in (left, right)))
    return Measurement(start, left, right, comparison, (*comparison.findings, *exchanged))


def _tell_repeated(trials: Sequence[ExaminedTrial]) -> list[ExaminedTrial]:
    """Add a finding to each photo that was given before."""
    shown = [p.photo for t in trials for p in t.photos if p.photo is not None]
    repeated = {id(photo) for photo in quality.repeated_photos(shown)}
    return [
        replace(
            trial,
            photos=tuple(
                replace(p, findings=(*p.findings, finding("photo-twice"))) if id(p.photo) in repeated else p
                for p in trial.photos
            ),
        )
        for trial in trials
    ]


def _withheld(side: Side, findings: tuple[Finding, ...]) -> Rotation:
    return Rotation(side, None, None, None, None, "automatic", findings)


def _bytes(source: Source) -> bytes:
    if isinstance(source, bytes):
        return source
    if isinstance(source, PhotoFile):
        return source.data
    try:
        return Path(source).read_bytes()
    except OSError as error:
        raise PhotoError.of(finding("photo-missing", reason=error.strerror or str(error))) from error


def _name(source: Source, side: Side, number: int) -> str:
    if isinstance(source, PhotoFile):
        return source.name
    return f"{side} {number}" if isinstance(source, bytes) else os.fspath(source)


def _is_source(given: object) -> TypeIs[Source]:
    return isinstance(given, str | os.PathLike | bytes | PhotoFile)


def _as_trials(given: TrialSource | Sequence[TrialSource] | None) -> list[TrialSource]:
    if given is None:
        return []
    return [given] if _is_source(given) else list(given)


def _as_views(given: TrialSource) -> list[Source]:
    return [given] if _is_source(given) else list(given)
