"""Blind re-measuring: a second person places the points without seeing the first result; then both are compared."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.errors import InputError
from app.pages import words
from app.pages.correct import UNPLACED, read_points
from app.pages.form import SentForm
from app.pages.overlays import Overlay, overlay
from app.pages.rendering import moment, render, template
from app.pages.results import origin_words, trial_name
from app.photos.measurer import TrialViews, Viewed
from app.records import audit, corrections, people, photos, rounds
from app.records.corrections import CorrectionRecord
from app.records.photos import PhotoRecord
from app.security.members import SignedIn
from app.services import Services, services
from vision.landmarks import Landmark, Landmarks
from vision.rotation import Rotation
from vision.sides import Side

router = APIRouter()


@template("blind.html")
@dataclass(frozen=True, slots=True)
class BlindPage:
    """The photo with four points at places that tell nothing; ``names`` are theirs in words."""

    photo_id: str
    name: str
    side: str
    picture: Overlay
    names: tuple[tuple[str, str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One blind reading beside the value that holds."""

    who: str
    when: str
    rotation: Rotation
    apart_deg: float | None


@template("blind_result.html")
@dataclass(frozen=True, slots=True)
class BlindResultPage:
    """Every blind reading of a photo beside the value that holds."""

    photo_id: str
    name: str
    side: str
    first: Rotation | None
    first_origin: str
    readings: tuple[Reading, ...]


def _start_places(photo: PhotoRecord, side: Side) -> dict[str, tuple[float, float]]:
    if photo.width is None or photo.height is None or photo.erased_at is not None:
        raise InputError("There is no picture to measure on.", "Open another photo.")
    mirrored = side is Side.RIGHT
    return {
        name: (round((1 - x if mirrored else x) * photo.width, 1), round(y * photo.height, 1))
        for name, (x, y) in UNPLACED.items()
    }


@router.get("/photos/{photo_id}/blind")
def measure_blind(request: Request, member: SignedIn, photo_id: str) -> Response:
    """Show the photo without any result."""
    with services(request).database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
        record = rounds.load_round(session, member.practice_id, trial.round_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "photo", photo_id, athlete_id=record.athlete.id
        )
    places = _start_places(photo, trial.side)
    points = {name: Landmark.round_(x, y, 0.0, True, "hand") for name, (x, y) in places.items()}
    name = trial_name(record.trials, trial)
    picture = overlay(photo_id, photo.width or 1, photo.height or 1, points, f"{name}: photo to measure", cropped=False)
    fields = tuple((key, words.landmark_words(key), x, y) for key, (x, y) in places.items())
    return render(request, BlindPage(photo_id, name, trial.side.value, picture, fields))


@router.post("/photos/{photo_id}/blind")
def save_blind(request: Request, member: SignedIn, photo_id: str, form: SentForm) -> Response:
    """Store the points as a blind reading; the value that holds stays as it is."""
    with services(request).database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
        record = rounds.load_round(session, member.practice_id, trial.round_id)
        places = _start_places(photo, trial.side)
        sent = read_points(form, photo, trial)
        placed = {name: sent[name] for name in places if name in sent}
        untouched = [words.landmark_words(name) for name, at in places.items() if placed.get(name, at) == at]
        if len(placed) < len(places) or untouched:
            left = ", ".join(untouched) or "some points"
            raise InputError(f"Not placed yet: {left}.", "Go back and place all four points.")
        corrections.add_moved(session, member.practice_id, trial.id, photo_id, member.member_id, placed, blind=True)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "measured blind",
            "trial",
            trial.id,
            athlete_id=record.athlete.id,
        )
    return RedirectResponse(f"/photos/{photo_id}/blind/result", 303)


def _rotation(parts: Services, photo: PhotoRecord, side: Side, reading: CorrectionRecord) -> Rotation:
    """Return the rotation from the points of a blind reading alone."""
    alone = parts.measurer.move(Landmarks({}, "hand"), reading.moved)
    view = Viewed(alone, photo.width or 1, photo.height or 1, photo.focal_px, photo.roll_deg)
    (fitted,) = parts.measurer.fit([TrialViews((view,), side)], None)
    return fitted.rotation


@router.get("/photos/{photo_id}/blind/result")
def blind_result(request: Request, member: SignedIn, photo_id: str) -> Response:
    """Compare every blind reading with the value that holds."""
    parts = services(request)
    with parts.database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        trial = rounds.load_trial(session, member.practice_id, photo.trial_id)
        record = rounds.load_round(session, member.practice_id, trial.round_id)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "photo", photo_id, athlete_id=record.athlete.id
        )
    first = trial.current.rotation if trial.current else None
    readings = []
    for c in trial.corrections:
        if c.blind and c.photo_id == photo_id and c.reverted_at is None:
            rotation = _rotation(parts, photo, trial.side, c)
            both = (rotation.magnitude_deg, first.magnitude_deg if first else None)
            apart = both[0] - both[1] if both[0] is not None and both[1] is not None else None
            who = names.get(c.member_id or "", "A former member")
            readings.append(Reading(who, moment(c.made_at), rotation, apart))
    page = BlindResultPage(
        photo_id=photo_id,
        name=trial_name(record.trials, trial),
        side=trial.side.value,
        first=first,
        first_origin=origin_words(trial, names),
        readings=tuple(readings),
    )
    return render(request, page)
