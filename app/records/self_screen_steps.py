"""How far a stored submission is: every step with its photos and what was said about each."""

from collections.abc import Collection, Mapping

from sqlalchemy.orm import Session

from app.records import self_screens
from app.records.comparisons import counted_rotations
from app.records.photos import PhotoRecord
from app.records.rounds import RoundRecord, TrialRecord, load_round
from app.records.self_screens import SubmissionRecord
from app.remote.feedback import Feedback, feedback
from app.remote.steps import (
    BY_KEY,
    Camera,
    State,
    Step,
    StepProgress,
    Try,
    counting_try,
    foot_end_helps,
    step_progress,
    steps_asked_for,
)
from vision.compare import side_mean
from vision.sides import Side


def photo_feedback(step: Step, trial: TrialRecord, photo: PhotoRecord) -> Feedback | None:
    """Return what to say about a photo by its automatic result, or None as long as it is being measured."""
    if photo.state in ("waiting", "measuring"):
        return None
    rotation = trial.automatic.rotation if trial.automatic else None
    seen = photo.measurement.landmarks if photo.measurement else None
    noticed = [*(seen.findings if seen else ()), *(rotation.findings if rotation is not None else ())]
    found = seen is not None and bool(seen.points) and not any(f.withholds for f in seen.findings)
    return feedback(noticed, found=found, side=step.side, from_foot_end=step.camera is Camera.FOOT_END)


def tries_of(record: SubmissionRecord, taken: RoundRecord | None) -> dict[str, list[Try]]:
    """Return step key to its photos, oldest first."""
    result: dict[str, list[Try]] = {key: [] for key in BY_KEY}
    placed = {photo.id: (trial, photo) for trial in (taken.trials if taken else ()) for photo in trial.photos}
    for capture in record.captures:
        if capture.photo_id in placed and capture.step in BY_KEY:
            trial, photo = placed[capture.photo_id]
            said = photo_feedback(BY_KEY[capture.step], trial, photo)
            measured = trial.automatic is not None and bool(trial.automatic.rotation)
            result[capture.step].append(Try(photo.id, trial.id, said, measured, capture.request_id))
    return result


def progress_of(record: SubmissionRecord, taken: RoundRecord | None) -> tuple[StepProgress, ...]:
    """Return how far each step is: those asked for again if there are open requests, else all of them."""
    tries = tries_of(record, taken)
    if record.open_requests:
        asked = {r.step: r.id for r in record.open_requests}
        return tuple(step_progress(BY_KEY[key], tries[key], asked[key]) for key in BY_KEY if key in asked)
    steps = [step_progress(s, tries[s.key]) for s in steps_asked_for(wide_sides(record, taken, tries))]
    return tuple(steps)


def wide_sides(
    record: SubmissionRecord, taken: RoundRecord | None, tries: Mapping[str, Collection[Try]]
) -> dict[Side, bool]:
    """Return which sides a photo from the foot end is asked of: decided when all other photos of the side are there."""
    result = {}
    for side in (Side.LEFT, Side.RIGHT):
        side_on = [step_progress(s, list(tries[s.key])) for s in steps_asked_for({}) if s.side is side]
        if tries[f"{side.value}-foot"]:
            result[side] = True
        elif record.sent_at is not None or taken is None or any(p.state is not State.DONE for p in side_on):
            result[side] = False
        else:
            result[side] = foot_end_helps(side_mean(counted_rotations(taken, side)), side)
    return result


def settle(session: Session, record: SubmissionRecord, keys: Collection[str] = tuple(BY_KEY)) -> None:
    """Let one photo of each of these steps count and leave its other tries out of the mean."""
    if record.round_id is None or record.decision is not None:
        return
    tries = tries_of(record, load_round(session, record.practice_id, record.round_id))
    for key in keys:
        best = counting_try(tries[key])
        if best is not None:
            self_screens.count_only(session, [t.trial_id for t in tries[key]], best.trial_id)
