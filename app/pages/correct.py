"""Correct a measurement by hand: move points on the photo, or type the angle; nothing automatic is lost."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session
from starlette.responses import JSONResponse, RedirectResponse

from app.errors import InputError
from app.pages import words
from app.pages.form import Form, SentForm
from app.pages.overlays import Dial, Overlay, dial, overlay
from app.pages.rendering import angle_words, degree_band, degrees, moment, render, template
from app.pages.results import automatic_points, origin_words, points_in_force, trial_name
from app.photos.fitting import fit_round_again, try_by_hand
from app.photos.jobs import FIT_ROUND
from app.records import audit, corrections, people, photos, rounds
from app.records.corrections import CorrectionRecord, in_force
from app.security.members import MemberContext, SignedIn
from app.services import services
from vision.by_hand import DECIDING
from vision.landmark_names import NAMES
from vision.landmarks import Landmark
from vision.rotation import Rotation
from vision.sides import Side

router = APIRouter()

# where the four points wait to be placed when nobody was found: shares of the picture, head at the left
UNPLACED = {
    "acromion_left": (0.38, 0.42),
    "acromion_right": (0.37, 0.58),
    "hip_joint_left": (0.62, 0.54),
    "hip_joint_right": (0.61, 0.62),
}
SAME_PX = 0.06  # a point this close to its automatic place was not moved; fields show one decimal


@dataclass(frozen=True, slots=True)
class PointField:
    """The numbers of one point; the automatic ones are None where the program did not find it."""

    name: str
    words: str
    x: float
    y: float
    automatic_x: float | None
    automatic_y: float | None
    main: bool


@dataclass(frozen=True, slots=True)
class HistoryLine:
    """One correction in words."""

    id: str
    when: str
    what: str
    reason: str
    reverted: str
    in_force: bool


@template("correct.html")
@dataclass(frozen=True, slots=True)
class CorrectPage:
    """A photo with its points, and the values that follow.

    Attributes
    ----------
    picture
        None when the file could not be decoded: then only an angle can be typed.
    found
        Whether the program placed points by itself.
    typed_angle, typed_half_band, typed_reason
        What stands in the form of the typed angle.

    """

    photo_id: str
    trial_id: str
    round_id: str
    name: str
    side: str
    picture: Overlay | None
    fields: tuple[PointField, ...]
    found: bool
    reasons: tuple[str, ...]
    automatic: Rotation | None
    current: Rotation | None
    current_dial: Dial | None
    origin: str
    history: tuple[HistoryLine, ...]
    problem: str
    typed_angle: str
    typed_half_band: str
    typed_reason: str


def _placed(
    photo: photos.PhotoRecord, trial: rounds.TrialRecord, moved: Mapping[str, CorrectionRecord]
) -> dict[str, Landmark]:
    """Return the points to show: those in force, and the four main ones where they are missing."""
    points = points_in_force(photo, trial.automatic, moved)
    width, height = photo.width or 1, photo.height or 1
    for name, (share_x, share_y) in UNPLACED.items():
        if name not in points:
            x = share_x if trial.side is not Side.RIGHT else 1 - share_x
            points[name] = Landmark.round_(round(x * width, 1), round(share_y * height, 1), 0.0, True, "hand")
    order = {name: i for i, name in enumerate((*DECIDING, *(n for n in NAMES if n not in DECIDING)))}
    return dict(sorted(points.items(), key=lambda item: order[item[0]]))


def _history(trial: rounds.TrialRecord, names: dict[str, str]) -> tuple[HistoryLine, ...]:
    typed, moved = in_force(trial.corrections)
    holding = {typed.id} if typed is not None else {c.id for c in moved.values()}
    lines = []
    for c in reversed(trial.corrections):
        who = names.get(c.member_id or "", "A former member")
        if c.blind:
            what = f"{who} measured blind, without seeing the first result"
        elif c.kind == "typed":
            what = f"{who} typed {degrees(c.angle_deg, 1)}, give or take {degrees(c.half_band_deg, 1)}"
        else:
            view = next((p.viewpoint for p in trial.photos if p.id == c.photo_id), 1)
            where = f" in viewpoint {view}" if len(trial.photos) > 1 else ""
            what = f"{who} moved {', '.join(words.landmark_words(n) for n in c.moved)}{where}"
        reverted = ""
        if c.reverted_at is not None:
            reverted = f"taken back by {names.get(c.reverted_by or '', 'a former member')}, {moment(c.reverted_at)}"
        lines.append(HistoryLine(c.id, moment(c.made_at), what, c.reason, reverted, c.id in holding))
    return tuple(lines)


def _page(
    request: Request,
    member: MemberContext,
    photo_id: str,
    *,
    problem: str = "",
    typed: tuple[str, str, str] | None = None,
    status: int = 200,
) -> Response:
    with services(request).database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
        record = rounds.load_round(session, member.practice_id, trial.round_id)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "photo", photo_id, athlete_id=record.athlete.id
        )
    _typed, moved = in_force(trial.corrections)
    points = _placed(photo, trial, moved)
    found = automatic_points(photo, trial.automatic)
    picture = None
    name = trial_name(record.trials, trial) + (f", viewpoint {photo.viewpoint}" if photo.viewpoint > 1 else "")
    if photo.width is not None and photo.height is not None:
        description = f"{name}: photo with points that can be moved"
        picture = overlay(photo_id, photo.width, photo.height, points, description, cropped=len(found) >= 4)
    fields = tuple(
        PointField(
            name=point,
            words=words.landmark_words(point),
            x=round(p.x, 1),
            y=round(p.y, 1),
            automatic_x=round(found[point].x, 1) if point in found else None,
            automatic_y=round(found[point].y, 1) if point in found else None,
            main=point in DECIDING,
        )
        for point, p in points.items()
    )
    current = trial.current.rotation if trial.current else None
    page = CorrectPage(
        photo_id=photo_id,
        trial_id=trial.id,
        round_id=trial.round_id,
        name=name,
        side=trial.side.value,
        picture=picture,
        fields=fields,
        found=bool(found),
        reasons=_reasons(current),
        automatic=trial.automatic.rotation if trial.automatic else None,
        current=current,
        current_dial=dial(current),
        origin=origin_words(trial, names),
        history=_history(trial, names),
        problem=problem,
        typed_angle=typed[0] if typed else "",
        typed_half_band=typed[1] if typed else "5",
        typed_reason=typed[2] if typed else "",
    )
    return render(request, page, status)


@router.get("/photos/{photo_id}/correct")
def show(request: Request, member: SignedIn, photo_id: str) -> Response:
    """Show the photo with its points."""
    return _page(request, member, photo_id)


def _number(text: str) -> float | None:
    try:
        value = float(text.strip().replace(",", ".").replace("−", "-"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def read_points(form: Form, photo: photos.PhotoRecord, trial: rounds.TrialRecord) -> dict[str, tuple[float, float]]:
    """Return the points of the form that a person placed: moved ones, and all four deciding ones if checked.

    Raises
    ------
    InputError
        If a number cannot be read or lies far outside of the photo.

    """
    if photo.width is None or photo.height is None:
        raise InputError("There is no picture to place points on.", "Type the angle instead.")
    automatic = automatic_points(photo, trial.automatic)
    moved = {}
    for name in NAMES:
        given = form.text(f"x-{name}"), form.text(f"y-{name}")
        if given == ("", ""):
            continue  # left empty: the automatic place holds
        x, y = (_number(text) for text in given)
        if x is None or y is None:
            raise InputError(f"The place of the {words.landmark_words(name)} must be two numbers.")
        if not (-photo.width <= x <= 2 * photo.width and -photo.height <= y <= 2 * photo.height):
            raise InputError(f"The {words.landmark_words(name)} lies far outside of the photo.", "Correct its numbers.")
        was = automatic.get(name)
        checked = name in DECIDING and form.text("checked") == "yes"
        if checked or was is None or abs(was.x - x) > SAME_PX or abs(was.y - y) > SAME_PX:
            moved[name] = (x, y)
    return moved


@router.post("/photos/{photo_id}/points")
def move_points(request: Request, member: SignedIn, photo_id: str, form: SentForm) -> Response:
    """Store moved points as a correction and fit the trial again."""
    parts = services(request)
    with parts.database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
    try:
        moved = read_points(form, photo, trial)
        reason = form.text("reason", longest=1000)
        if not moved:
            raise InputError("No point was moved.", "Move a point on the picture, or change its numbers.")
    except InputError as error:
        return _page(request, member, photo_id, problem=str(error), status=422)
    with parts.database.begin() as session:
        corrections.add_moved(
            session, member.practice_id, photo.trial_id, photo_id, member.member_id, moved, reason=reason
        )
        round_id = _changed(session, request, member, photo.trial_id, "move-points")
    return _recomputed(request, member, photo_id, round_id)


@router.post("/photos/{photo_id}/points/try")
def try_points(request: Request, member: SignedIn, photo_id: str, form: SentForm) -> Response:
    """Return the angle that the points of the form would give, as JSON; stores nothing."""
    parts = services(request)
    with parts.database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
        record = rounds.load_round(session, member.practice_id, trial.round_id)
    rotation = try_by_hand(record, trial.id, {photo_id: read_points(form, photo, trial)}, parts.measurer)
    if rotation:
        band = f"band {degree_band(rotation.band_deg)}"
    else:
        band = " ".join(_reasons(rotation)) or "Place both shoulder tips and both hips."
    return JSONResponse({"angle": angle_words(rotation), "band": band})


def _reasons(rotation: Rotation | None) -> tuple[str, ...]:
    """Return why an angle is withheld, with what to do about it."""
    if rotation is None or rotation:
        return ()
    return tuple(dict.fromkeys(f"{f.message} {f.advice}" for f in rotation.findings if f.withholds))


@router.post("/photos/{photo_id}/angle")
def type_angle(request: Request, member: SignedIn, photo_id: str, form: SentForm) -> Response:
    """Store a typed angle for the trial of a photo."""
    parts = services(request)
    typed = (form.text("angle"), form.text("half_band"), form.text("reason"))
    angle, half_band = _number(typed[0]), _number(typed[1])
    problem = ""
    if angle is None or not -120 <= angle <= 120:
        problem = "The angle must be a number of degrees between -120 and 120."
    elif half_band is None or not 0.5 <= half_band <= 60:
        problem = "Give or take must be a number of degrees between 0.5 and 60."
    elif not 3 <= len(typed[2]) <= 1000:
        problem = "Say in a few words how the angle was found: it stays in the history."
    if problem or angle is None or half_band is None:
        return _page(request, member, photo_id, problem=problem, typed=typed, status=422)
    with parts.database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        corrections.add_typed(
            session, member.practice_id, photo.trial_id, member.member_id, angle, half_band, reason=typed[2]
        )
        round_id = _changed(session, request, member, photo.trial_id, "type-angle")
    return _recomputed(request, member, photo_id, round_id)


@router.post("/photos/{photo_id}/corrections/{correction_id}/revert")
def revert(request: Request, member: SignedIn, photo_id: str, correction_id: str) -> Response:
    """Take a correction back; it stays in the history."""
    parts = services(request)
    with parts.database.begin() as session:
        photos.photo(session, member.practice_id, photo_id)
        trial_id = corrections.revert(session, member.practice_id, correction_id, member.member_id)
        round_id = _changed(session, request, member, trial_id, "revert-correction")
    return _recomputed(request, member, photo_id, round_id)


def _changed(session: Session, request: Request, member: MemberContext, trial_id: str, action: str) -> str:
    """Note a correction and ask for the fit that follows, in the correction's own transaction; returns the round."""
    round_id = rounds.round_of_trial(session, member.practice_id, trial_id)
    athlete_id = rounds.athlete_of_trial(session, member.practice_id, trial_id)
    audit.note(session, member.practice_id, member.member_id, action, "trial", trial_id, athlete_id=athlete_id)
    # done at once below; the job is there for the case that this process ends before that
    services(request).queue.enqueue(session, FIT_ROUND, round_id)
    return round_id


def _recomputed(request: Request, member: MemberContext, photo_id: str, round_id: str) -> Response:
    """Fit the round now, so that the page shows what follows, and go back to it."""
    parts = services(request)
    fit_round_again(parts.database, member.practice_id, round_id, parts.measurer)
    return RedirectResponse(f"/photos/{photo_id}/correct#values", 303)
