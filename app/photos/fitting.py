"""Fits the trials of a round again whenever something they rest on has changed.

The trials of a round are fitted together, because one person has one body. What a person corrected enters as
points placed by hand, or as an angle of its own kind; the automatic result of a corrected trial is kept beside it.
"""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version

from app.photos.measurer import Measurer, TrialViews, Viewed
from app.records import measurements, models, rounds
from app.records.corrections import in_force
from app.records.database import Database
from app.records.locks import lock_row
from app.records.photos import PhotoRecord
from app.records.stored import Projected
from vision.rotation import Rotation
from vision.sides import Side

Z95 = 1.959963984540054  # half width of a central 95 % interval in standard deviations

Moved = Mapping[str, Mapping[str, tuple[float, float]]]
"""Photo id to the points placed by hand: name to ``(x, y)`` in pixels."""


def software() -> str:
    """Return name and version of this program, as stored with each result."""
    try:
        return f"kneelturn {version('kneelturn')}"
    except PackageNotFoundError:
        return "kneelturn (not installed)"


_one_at_a_time = threading.Lock()


def fit_round_again(
    database: Database, practice_id: str, round_id: str, measurer: Measurer, *, only: str | None = None
) -> None:
    """Fit a round with the corrections in force and store what changed; safe to repeat.

    Trials of which no photo was looked at yet are left as they are. ``only`` names a trial to be fitted alone, for
    a quick answer while other photos of the round still wait. Nothing in the database is held while the fit is
    computed. What was computed is stored only if the round still is what it was computed from, else it is computed
    anew: another process may have stored a correction meanwhile, and an earlier state never replaces a later one.

    Raises
    ------
    NotFoundError
        If the practice has no such round.

    """
    with _one_at_a_time:  # threads of one process need not compute the same twice
        while not _fitted_as_it_is(database, practice_id, round_id, measurer, only):
            pass


def _fitted_as_it_is(database: Database, practice_id: str, round_id: str, measurer: Measurer, only: str | None) -> bool:
    """Fit and store; False, and nothing stored, if the round was changed while it was fitted."""
    with database.begin() as session:
        before = rounds.load_round(session, practice_id, round_id)
    trials = _chosen(before, only)
    fits = _fits_to_store(trials, before.athlete.breadth_mm, measurer)
    with database.begin() as session:
        lock_row(session, models.Round, round_id)
        present = rounds.load_round(session, practice_id, round_id)
        if _rests_on(before, trials) != _rests_on(present, _chosen(present, only)):
            return False
        for trial_id, rotation, projected in fits:
            measurements.add_fit(session, practice_id, trial_id, rotation, software(), projected)
    return True


def _chosen(record: rounds.RoundRecord, only: str | None) -> list[rounds.TrialRecord]:
    return [t for t in record.trials if only is None or t.id == only]


def _rests_on(record: rounds.RoundRecord, trials: Sequence[rounds.TrialRecord]) -> tuple[object, ...]:
    """Return what the fits of these trials follow from, to see whether it has changed."""
    return record.athlete.breadth_mm, *(
        (
            trial.id,
            trial.side,
            tuple((p.id, p.measurement.id if p.measurement else None) for p in trial.photos),
            tuple(c.id for c in trial.corrections if c.reverted_at is None),
        )
        for trial in trials
    )


def _fits_to_store(
    trials: Sequence[rounds.TrialRecord], breadth_mm: float | None, measurer: Measurer
) -> list[tuple[str, Rotation, Projected]]:
    """Return trial id, rotation and places: the automatic fit of each trial, then what a person's correction gives."""
    moved = _moved(trials)
    automatic = _fit(trials, {}, breadth_mm, measurer)
    held = _fit(trials, moved, breadth_mm, measurer) if moved else automatic
    fits: list[tuple[str, Rotation, Projected]] = []
    for trial in trials:
        by_hand = {p.id for p in trial.photos} & moved.keys()
        if trial.id in automatic:
            # a trial that nobody corrected gains from the points placed on the others
            fits.append((trial.id, *(automatic if by_hand else held)[trial.id]))
        typed, _ = in_force(trial.corrections)
        if typed is not None:
            fits.append((trial.id, typed_rotation(trial.side, typed.angle_deg or 0.0, typed.half_band_deg or 0.0), {}))
        elif by_hand and trial.id in held:
            rotation, projected = held[trial.id]
            fits.append((trial.id, replace(rotation, origin="moved"), projected))
    return fits


def try_by_hand(record: rounds.RoundRecord, trial_id: str, moved: Moved, measurer: Measurer) -> Rotation | None:
    """Return the rotation a trial would have with some points placed by hand; stores nothing."""
    everything = {**_moved(record.trials), **moved}
    fits = _fit(record.trials, everything, record.athlete.breadth_mm, measurer)
    return replace(fits[trial_id][0], origin="moved") if trial_id in fits else None


def advice(record: rounds.RoundRecord, measurer: Measurer) -> dict[str, tuple[str, ...]]:
    """Return trial id to what would narrow its band, for the trial with the widest band of each side.

    Takes about a second a side; stores nothing.
    """
    moved = _moved(record.trials)
    result = {}
    for side in (Side.LEFT, Side.RIGHT):
        widest, width = None, 0.0
        for trial in record.of_side(side):
            band = trial.current.rotation.band_deg if trial.current else None
            if band is not None and not trial.left_out and band[1] - band[0] > width:
                widest, width = trial, band[1] - band[0]
        if widest is None:
            continue
        views = tuple(view for p in widest.photos if (view := _view(p, moved, measurer)) is not None)
        if views:
            result[widest.id] = measurer.advise(TrialViews(views, side), record.athlete.breadth_mm)
    return result


def typed_rotation(side: Side, angle_deg: float, half_band_deg: float) -> Rotation:
    """Return the rotation of a typed angle, degrees in the direction of ``side``."""
    right_deg = angle_deg * (side.sign or 1)
    return Rotation(
        side=side,
        right_deg=right_deg,
        band_right_deg=(right_deg - half_band_deg, right_deg + half_band_deg),
        sd_deg=half_band_deg / Z95,
        posterior=None,
        origin="typed",
    )


def _moved(trials: Sequence[rounds.TrialRecord]) -> Moved:
    """Return the points placed by hand that are in force in ``trials``."""
    result = {}
    for trial in trials:
        typed, moved = in_force(trial.corrections)
        if typed is None:
            result.update({photo_id: correction.moved for photo_id, correction in moved.items()})
    return result


def _fit(
    trials: Sequence[rounds.TrialRecord], moved: Moved, breadth_mm: float | None, measurer: Measurer
) -> dict[str, tuple[Rotation, Projected]]:
    """Return trial id to its fit, for every trial with a photo that was looked at."""
    views: dict[str, dict[str, Viewed]] = {}
    result: dict[str, tuple[Rotation, Projected]] = {}
    for trial in trials:
        seen = {p.id: view for p in trial.photos if (view := _view(p, moved, measurer)) is not None}
        if seen:
            views[trial.id] = seen
        elif any(p.measurement for p in trial.photos):
            reasons = tuple(f for p in trial.photos if p.measurement for f in p.measurement.landmarks.findings)
            result[trial.id] = Rotation(trial.side, None, None, None, None, "automatic", reasons), {}
    sides = {t.id: t.side for t in trials}
    fits = measurer.fit([TrialViews(tuple(seen.values()), sides[i]) for i, seen in views.items()], breadth_mm)
    for (trial_id, seen), fitted in zip(views.items(), fits, strict=True):
        result[trial_id] = fitted.rotation, dict(zip(seen, fitted.projected, strict=True))
    return result


def _view(photo: PhotoRecord, moved: Moved, measurer: Measurer) -> Viewed | None:
    """Return what the fit sees of a photo; None as long as nobody looked at it or if it could not be decoded."""
    if photo.measurement is None or photo.width is None or photo.height is None:
        return None
    landmarks = photo.measurement.landmarks
    if photo.id in moved:
        landmarks = measurer.move(landmarks, moved[photo.id])
    return Viewed(landmarks, photo.width, photo.height, photo.focal_px, photo.roll_deg)
