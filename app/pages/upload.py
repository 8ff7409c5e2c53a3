"""Send the photos of a round: from camera or library, a side at a time, and see how far they are."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from sqlalchemy.orm import Session
from starlette.responses import JSONResponse, RedirectResponse

from app.care.consent import NEEDED
from app.errors import InputError
from app.pages import words
from app.pages.form import MemberPhotos
from app.pages.rendering import render, template
from app.photos.intake import Upload, read_file, take_in
from app.photos.jobs import MEASURE_PHOTO
from app.records import audit, consents, photos, rounds, visits
from app.records.columns import new_id
from app.security.members import MemberContext, SignedIn
from app.services import services
from vision.errors import KneelturnError
from vision.findings import Finding
from vision.nextview import STANDING_ADVICE
from vision.rotation import Rotation
from vision.sides import Side

router = APIRouter()


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A photo in its list: its picture, how far it is, and what can be done with it."""

    id: str
    trial_id: str
    name: str
    viewpoint: int
    state: str
    state_words: str
    shown: bool
    rotation: Rotation | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class SideCard:
    """Everything about one side: what to do, and the photos that are there."""

    side: str
    heading: str
    hint: str
    camera: str
    rows: tuple[PhotoRow, ...]


@template("upload.html")
@dataclass(frozen=True, slots=True)
class UploadPage:
    """A round's photos by side.

    Attributes
    ----------
    upload_key
        Makes a repeated sending of this very form harmless.
    open_count
        Photos that are still to be measured.
    not_asked
        What should come before photos and was not asked at this visit, in words.
    standing_advice
        Where the phone stands best, whoever is photographed.

    """

    round_id: str
    visit_id: str
    athlete_id: str
    not_asked: tuple[str, ...]
    athlete_code: str
    round_number: int
    cards: tuple[SideCard, ...]
    upload_key: str
    open_count: int
    max_bytes: int
    problems: tuple[str, ...]
    standing_advice: tuple[str, ...] = STANDING_ADVICE


@template("upload_progress.html")
@dataclass(frozen=True, slots=True)
class UploadProgress:
    """The lists of photos alone, fetched while photos are being measured."""

    cards: tuple[SideCard, ...]
    open_count: int
    photo_count: int
    round_id: str


def _rows(trials: Iterable[rounds.TrialRecord]) -> tuple[PhotoRow, ...]:
    rows = []
    for count, trial in enumerate(trials, 1):
        for photo in trial.photos:
            found = photo.measurement.landmarks.findings if photo.measurement else ()
            rotation = trial.current.rotation if trial.current else None
            words_now = words.STATE[photo.state]
            if photo.state == "measured" and rotation is not None and not rotation:
                words_now, found = "No angle yet", (*found, *rotation.findings)
            name = f"Trial {count}" if trial.side is not Side.START else f"Start photo {count}"
            rows.append(
                PhotoRow(
                    id=photo.id,
                    trial_id=trial.id,
                    name=name if photo.viewpoint == 1 else f"{name}, viewpoint {photo.viewpoint}",
                    viewpoint=photo.viewpoint,
                    state=photo.state,
                    state_words=words_now,
                    shown=photo.shown,
                    rotation=rotation if photo.viewpoint == 1 else None,
                    findings=tuple(dict.fromkeys(f for f in found if f.withholds or f.code == "photo-twice")),
                )
            )
    return tuple(rows)


def _cards(record: rounds.RoundRecord) -> tuple[SideCard, ...]:
    return tuple(
        SideCard(side.value, words.SIDE_HEADING[side], words.SIDE_HINT[side], words.CAMERA_HINT[side], rows)
        for side in Side
        for rows in [_rows(record.of_side(side))]
    )


def _counts(cards: Iterable[SideCard]) -> tuple[int, int]:
    states = [row.state for card in cards for row in card.rows]
    return sum(s in ("waiting", "measuring") for s in states), len(states)


def _page(
    request: Request, member: SignedIn, round_id: str, problems: tuple[str, ...] = (), status: int = 200
) -> Response:
    with services(request).database.begin() as session:
        record = rounds.load_round(session, member.practice_id, round_id)
        visit = visits.visit(session, member.practice_id, record.visit_id)
        agreed = consents.in_force(consents.consents_of(session, member.practice_id, record.athlete.id))
        audit.note(
            session, member.practice_id, member.member_id, "read", "photos", round_id, athlete_id=record.athlete.id
        )
    not_asked = []
    if visit.screen is None:
        not_asked.append("the safety questions of this visit")
    if not agreed >= NEEDED:
        not_asked.append("consent to photos and records")
    cards = _cards(record)
    open_count, _count = _counts(cards)
    page = UploadPage(
        round_id=round_id,
        visit_id=record.visit_id,
        athlete_id=record.athlete.id,
        not_asked=tuple(not_asked),
        athlete_code=record.athlete.code,
        round_number=record.number,
        cards=cards,
        upload_key=new_id(),
        open_count=open_count,
        max_bytes=services(request).settings.max_photo_bytes,
        problems=problems,
    )
    return render(request, page, status)


@router.get("/rounds/{round_id}/photos")
def show(request: Request, member: SignedIn, round_id: str) -> Response:
    """Show the page."""
    return _page(request, member, round_id)


@router.get("/rounds/{round_id}/photos/progress")
def progress(request: Request, member: SignedIn, round_id: str) -> Response:
    """Return the lists of photos alone."""
    with services(request).database.begin() as session:
        cards = _cards(rounds.load_round(session, member.practice_id, round_id))
    open_count, photo_count = _counts(cards)
    return render(
        request, UploadProgress(cards=cards, open_count=open_count, photo_count=photo_count, round_id=round_id)
    )


@router.post("/rounds/{round_id}/photos")
def send(request: Request, member: SignedIn, round_id: str, form: MemberPhotos) -> Response:
    """Take photos in; each is stored by itself, so that one that is refused spoils no other."""
    parts = services(request)
    side = Side(form.one_of("side", list(Side), "The side"))
    upload_key, trial_id = form.text("upload_key"), form.text("trial_id") or None
    sent = form.files("photos")
    with parts.database.begin() as session:
        athlete_id = rounds.load_round(session, member.practice_id, round_id).athlete.id
        consents.refuse_if_taken_back(session, member.practice_id, athlete_id, NEEDED)
    stored, problems = [], []
    if len(sent) > parts.settings.max_photos_per_upload:
        problems.append(f"At most {parts.settings.max_photos_per_upload} photos can be sent at once.")
        sent = []
    elif not sent:
        problems.append("No photo was chosen.")
    for i, file in enumerate(sent):
        try:
            data = read_file(file, parts.settings.max_photo_bytes)
            upload = Upload(data, file.filename or "", f"{upload_key}-{i}", side, trial_id)
            stored.append(take_in(parts.database, parts.store, parts.queue, member.practice_id, round_id, upload))
        except InputError:
            raise
        except KneelturnError as error:
            problems.append(f"{file.filename}: {error}")
    with parts.database.begin() as session:
        for photo in stored:
            audit.note(session, member.practice_id, member.member_id, "add", "photo", photo.id, athlete_id=athlete_id)
    if "application/json" in request.headers.get("accept", ""):
        body = {"photos": [{"id": p.id, "state": p.state} for p in stored], "problems": problems}
        return JSONResponse(body, 422 if problems else 201)
    if problems:
        return _page(request, member, round_id, tuple(problems), 422)
    return RedirectResponse(f"/rounds/{round_id}/photos#{side}", 303)


@router.post("/trials/{trial_id}/side")
def declare_side(request: Request, member: SignedIn, trial_id: str, side: Annotated[Side, Form()]) -> Response:
    """Declare another side for a trial and measure its photos again with it."""
    with services(request).database.begin() as session:
        round_id = rounds.round_of_trial(session, member.practice_id, trial_id)
        _declare(session, request, member, trial_id, side)
    services(request).queue.wake()
    return RedirectResponse(f"/rounds/{round_id}/photos#{side}", 303)


@router.post("/rounds/{round_id}/exchange")
def exchange_sides(request: Request, member: SignedIn, round_id: str) -> Response:
    """Declare every left trial right and every right trial left, and measure all of them again."""
    with services(request).database.begin() as session:
        for trial in rounds.load_round(session, member.practice_id, round_id).trials:
            if trial.side is not Side.START:
                _declare(session, request, member, trial.id, trial.side.other)
    services(request).queue.wake()
    return RedirectResponse(f"/rounds/{round_id}", 303)


def _declare(session: Session, request: Request, member: MemberContext, trial_id: str, side: Side) -> None:
    rounds.set_side(session, member.practice_id, trial_id, side)
    for photo in rounds.load_trial(session, member.practice_id, trial_id).photos:
        photos.set_state(session, member.practice_id, photo.id, "waiting")
        services(request).queue.enqueue(session, MEASURE_PHOTO, photo.id)
    athlete_id = rounds.athlete_of_trial(session, member.practice_id, trial_id)
    audit.note(session, member.practice_id, member.member_id, "declare-side", "trial", trial_id, athlete_id=athlete_id)


@router.post("/trials/{trial_id}/remove")
def remove(request: Request, member: SignedIn, trial_id: str) -> Response:
    """Remove a trial with its photos and everything measured on them: files first, as when an athlete is erased."""
    parts = services(request)
    with parts.database.begin() as session:
        trial = rounds.load_trial(session, member.practice_id, trial_id)
    for photo in trial.photos:
        parts.store.erase(photo.id)
    with parts.database.begin() as session:
        athlete_id = rounds.athlete_of_trial(session, member.practice_id, trial_id)
        photo_ids = rounds.remove_trial(session, member.practice_id, trial_id)
        audit.note(session, member.practice_id, member.member_id, "remove", "trial", trial_id, athlete_id=athlete_id)
    for photo_id in photo_ids:
        parts.store.erase(photo_id)  # what a measuring job or an upload wrote in between
    parts.database.forget_erased()
    return RedirectResponse(f"/rounds/{trial.round_id}/photos", 303)
