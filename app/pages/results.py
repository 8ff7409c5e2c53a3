"""The result of a round: left against right, every trial with its picture, and what to do about findings."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from app.pages import words
from app.pages.axis import AngleAxis, DifferenceAxis, angle_axis, difference_axis
from app.pages.overlays import Dial, Overlay, dial, overlay
from app.pages.rendering import moment, render, template
from app.records import audit, people, rounds
from app.records.comparisons import compared, counted_rotations, round_findings
from app.records.corrections import CorrectionRecord, in_force
from app.records.measurements import FitRecord
from app.records.photos import PhotoRecord
from app.security.members import SignedIn
from app.services import services
from vision.by_hand import DECIDING
from vision.compare import Comparison
from vision.findings import Finding
from vision.landmarks import Landmark
from vision.rotation import Rotation
from vision.sides import Side

router = APIRouter()


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A photo of a trial with its lines; no overlay if there is no picture."""

    id: str
    name: str
    overlay: Overlay | None


@dataclass(frozen=True, slots=True)
class TrialCard:
    """One trial as shown.

    Attributes
    ----------
    origin_words
        Whether it was measured automatically, or who changed it.
    automatic
        The automatic rotation beside a corrected one; None when nothing was corrected.

    """

    id: str
    name: str
    side: str
    state_words: str
    rotation: Rotation | None
    automatic: Rotation | None
    origin_words: str
    left_out: bool
    dial: Dial | None
    photos: tuple[PhotoView, ...]
    findings: tuple[Finding, ...]


@template("results.html")
@dataclass(frozen=True, slots=True)
class ResultsPage:
    """The result of a round.

    Attributes
    ----------
    waiting
        Photos still to be measured.

    """

    round_id: str
    visit_id: str
    athlete_id: str
    athlete_code: str
    round_number: int
    started: str
    waiting: int
    comparison: Comparison
    axis: AngleAxis
    difference: DifferenceAxis | None
    left: tuple[TrialCard, ...]
    right: tuple[TrialCard, ...]
    start: tuple[TrialCard, ...]
    findings: tuple[Finding, ...]


def automatic_points(photo: PhotoRecord, fit: FitRecord | None) -> dict[str, Landmark]:
    """Return where the program has the points of a photo: the deciding ones as fitted, the others as found."""
    points = dict(photo.measurement.landmarks.points) if photo.measurement else {}
    fitted = fit.projected.get(photo.id, {}) if fit is not None else {}
    for name in DECIDING:
        if name in fitted:
            seen = name in points and points[name].seen
            points[name] = Landmark.round_(*fitted[name], 0.0, seen, "fit")
    return points


def points_in_force(
    photo: PhotoRecord, fit: FitRecord | None, moved: Mapping[str, CorrectionRecord]
) -> dict[str, Landmark]:
    """Return the points of a photo as they are now: where the program has them, or where somebody moved them."""
    points = automatic_points(photo, fit)
    if photo.id in moved:
        for name, (x, y) in moved[photo.id].moved.items():
            points[name] = Landmark.round_(x, y, 0.0, True, "hand")
    return points


def trial_name(trials: tuple[rounds.TrialRecord, ...], trial: rounds.TrialRecord) -> str:
    """Return e.g. ``Left rotation, trial 2``."""
    if trial.side is Side.START:
        return "Start position"
    same = [t.id for t in trials if t.side == trial.side]
    return f"{words.SIDE_HEADING[trial.side]}, trial {same.index(trial.id) + 1}"


def origin_words(trial: rounds.TrialRecord, names: dict[str, str]) -> str:
    """Say where the value that holds comes from."""
    typed, moved = in_force(trial.corrections)
    if typed is not None:
        return f"angle typed by {names.get(typed.member_id or '', 'a former member')}"
    if moved:
        newest = max(moved.values(), key=lambda c: c.number)
        return f"points moved by {names.get(newest.member_id or '', 'a former member')}"
    return "measured automatically"


def _card(record: rounds.RoundRecord, trial: rounds.TrialRecord, names: dict[str, str]) -> TrialCard:
    _typed, moved = in_force(trial.corrections)
    rotation = trial.current.rotation if trial.current else None
    name = trial_name(record.trials, trial)
    views = []
    for photo in trial.photos:
        placed = None
        if photo.width is not None and photo.height is not None:
            description = f"{name}: photo with hip line, shoulder line and trunk line"
            placed = overlay(
                photo.id, photo.width, photo.height, points_in_force(photo, trial.drawn, moved), description
            )
        view_name = name if photo.viewpoint == 1 else f"{name}, viewpoint {photo.viewpoint}"
        views.append(PhotoView(photo.id, view_name, placed))
    found = [f for p in trial.photos if p.measurement for f in p.measurement.landmarks.findings]
    if rotation is not None:
        found += rotation.findings
    corrected = rotation is not None and rotation.origin != "automatic"
    return TrialCard(
        id=trial.id,
        name=name,
        side=trial.side.value,
        state_words="Being measured" if trial.waiting else "No angle yet",
        rotation=rotation,
        automatic=trial.automatic.rotation if corrected and trial.automatic else None,
        origin_words=origin_words(trial, names),
        left_out=trial.left_out,
        dial=dial(rotation),
        photos=tuple(views),
        findings=tuple(dict.fromkeys(found)),
    )


@router.get("/rounds/{round_id}")
def show(request: Request, member: SignedIn, round_id: str) -> Response:
    """Show the result."""
    with services(request).database.begin() as session:
        record = rounds.load_round(session, member.practice_id, round_id)
        practice = people.practice(session, member.practice_id)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "round", round_id, athlete_id=record.athlete.id
        )
    comparison = compared(record, practice)

    page = ResultsPage(
        round_id=round_id,
        visit_id=record.visit_id,
        athlete_id=record.athlete.id,
        athlete_code=record.athlete.code,
        round_number=record.number,
        started=moment(record.started_at),
        waiting=sum(p.state in ("waiting", "measuring") for t in record.trials for p in t.photos),
        comparison=comparison,
        axis=angle_axis(comparison, counted_rotations(record, Side.LEFT), counted_rotations(record, Side.RIGHT)),
        difference=difference_axis(comparison),
        left=tuple(_card(record, t, names) for t in record.of_side(Side.LEFT)),
        right=tuple(_card(record, t, names) for t in record.of_side(Side.RIGHT)),
        start=tuple(_card(record, t, names) for t in record.of_side(Side.START)),
        findings=(*round_findings(record), *comparison.findings),
    )
    return render(request, page)
