"""The athlete's side of a self-screen: consent, safety questions, photos, sending it off. No sign-in, no name.

A link that was never made, is expired, revoked or used up is answered in one and the same way.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Annotated, Any, cast, get_args

from fastapi import APIRouter, File, Form, Request, Response, UploadFile
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile as StarletteUpload
from starlette.responses import FileResponse, JSONResponse, RedirectResponse

from app.care import consent, safety
from app.care.position import Choice, words_for
from app.care.safety import Answer, Group, Precaution, Verdict, WarningSign
from app.errors import InputError
from app.pages import words
from app.pages.form import SentForm
from app.pages.problem import answer as problem
from app.pages.rendering import STATIC, render, template
from app.photos.intake import Upload, keys_of, read_file, received_digest, take_in
from app.photos.self_screens import FINISH_PHOTO
from app.records import audit, consents, rounds, self_screens, visits
from app.records.columns import new_id, now
from app.records.self_screen_steps import progress_of, settle
from app.records.self_screens import InvitationRecord, SubmissionRecord
from app.remote.purposes import PURPOSES
from app.remote.steps import TRIES, Camera, State, Step, StepProgress
from app.security.tokens import digest
from app.services import services
from vision.sides import Side

router = APIRouter()

MOST_PHOTOS = 60
"""Photos of one submission; far above what the steps and requests need, so that nobody fills the disk."""

CAPTURE_PERMISSIONS = "camera=(self), accelerometer=(self), gyroscope=(self), microphone=(), geolocation=()"

CLOSED = "This link cannot be used."
CLOSED_ADVICE = (
    "Check that the whole address was copied. A link also ends by time, by use, or because it was taken back. If you "
    "have sent your photos already, nothing more is needed. Otherwise ask your practitioner for a new link."
)


@template("self_screen_closed.html")
@dataclass(frozen=True, slots=True)
class ClosedPage:
    """The one answer to every link that opens nothing."""

    message: str
    advice: str


@template("self_screen_consent.html")
@dataclass(frozen=True, slots=True)
class ConsentPage:
    """What will happen, and what the athlete has to agree to."""

    purpose: str
    purposes: tuple[Choice, ...]
    withdrawing: str
    problem: str


@template("self_screen_safety.html")
@dataclass(frozen=True, slots=True)
class SafetyPage:
    """The safety questions, read by the athlete alone, and pain."""

    groups: Mapping[Group, tuple[WarningSign, ...]]
    precautions: tuple[Precaution, ...]
    answers: Mapping[str, str]
    pains: Mapping[str, int | None]
    problem: str


@template("self_screen_stopped.html")
@dataclass(frozen=True, slots=True)
class StoppedPage:
    """Why the self-screen stops here, and what to do."""

    verdict: Verdict
    see_a_practitioner: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class StepCard:
    """One photo as the page needs it, in words.

    Attributes
    ----------
    heading
        E.g. ``Left rotation, photo 2 of 3``.
    place, do
        Where the phone stands, and what the athlete does.
    again
        Why the practitioner asked for this photo; empty if it is of the first asking.

    """

    key: str
    side: str
    camera: str
    heading: str
    place: str
    do: str
    state: str
    state_words: str
    remedy: str
    why: str
    tries: int
    again: str


@template("self_screen_capture.html")
@dataclass(frozen=True, slots=True)
class CapturePage:
    """The photos, one after the other.

    Attributes
    ----------
    state
        What the page's script begins with; it fetches the same again from ``state`` below this address.
    current
        The step to be taken next, for browsers without script.

    """

    submission_id: str
    steps: tuple[StepCard, ...]
    current: StepCard | None
    asked: bool
    state: str
    upload_key: str
    all_done: bool
    problem: str


@template("self_screen_thanks.html")
@dataclass(frozen=True, slots=True)
class ThanksPage:
    """The self-screen was sent."""

    stop_rules: tuple[str, ...]
    see_a_practitioner: tuple[str, ...]


_PLACE = {
    (Side.START, Camera.SIDE): "Phone on the floor at your left side, two to three metres away, upright on its long "
    "edge, leaning against something.",
    (Side.LEFT, Camera.SIDE): "The phone stays at your left side.",
    (Side.RIGHT, Camera.SIDE): "Carry the phone over to your right side: the same distance, the same height.",
    (Side.LEFT, Camera.FOOT_END): "Put the phone behind your feet, two metres away, looking along your back.",
    (Side.RIGHT, Camera.FOOT_END): "The phone stays behind your feet.",
}
_DO = {
    Side.START: "Kneel, sit back on your heels, one forearm on the floor with the elbow between your knees. Shoulders "
    "level, do not turn yet.",
    Side.LEFT: "Left hand on your low back, right forearm on the floor. Turn your chest open to your own left as far "
    "as it goes without pain, and hold.",
    Side.RIGHT: "Right hand on your low back, left forearm on the floor. Turn your chest open to your own right as far "
    "as it goes without pain, and hold.",
}
_STATE = {
    State.OPEN: "to be taken",
    State.LOOKING: "being looked at",
    State.AGAIN: "to be taken again",
    State.DONE: "good",
}


def heading(step: Step) -> str:
    """Return the name of a step, e.g. ``Left rotation, photo 2 of 3``."""
    name = words.SIDE_HEADING[step.side]
    if step.side is Side.START:
        return name
    if step.camera is Camera.FOOT_END:
        return f"{name}, from the foot end"
    return f"{name}, photo {step.number} of 3"


def _card(progress: StepProgress, reasons: Mapping[str, str]) -> StepCard:
    newest = progress.newest if progress.state in (State.AGAIN, State.DONE) else None
    return StepCard(
        key=progress.step.key,
        side=progress.step.side.value,
        camera=progress.step.camera.value,
        heading=heading(progress.step),
        place=_PLACE[progress.step.side, progress.step.camera],
        do=_DO[progress.step.side],
        state=progress.state.value,
        state_words="kept, your practitioner will look at it" if progress.marked else _STATE[progress.state],
        remedy=newest.remedy if newest else "",
        why=newest.why if newest else "",
        tries=len(progress.tries),
        again=reasons.get(progress.step.key, ""),
    )


@dataclass(frozen=True, slots=True)
class _Opened:
    """What a working link leads to."""

    invitation: InvitationRecord
    submission: SubmissionRecord | None
    screen: visits.ScreenRecord | None
    agreed: bool

    @property
    def goes_on(self) -> bool:
        """Whether photos may be taken."""
        return self.agreed and self.screen is not None and may_go_on_alone(self.screen)


def may_go_on_alone(screen: visits.ScreenRecord) -> bool:
    """Return whether somebody alone may take the test.

    Nobody is there to adapt the position or to decide, so every precaution stops it, unless a clinician decided.
    """
    return screen.clearance is not None or (screen.verdict.may_test and not screen.verdict.precautions)


def _open(request: Request, session: Session, secret: str) -> _Opened | None:
    """Return what the link opens, or None; tries of links that open nothing are counted by address."""
    parts = services(request)
    invitation = self_screens.open_link(session, secret, now())
    if invitation is None:
        parts.link_limit.spend(f"link {request.client.host if request.client else ''}")
        return None
    parts.self_screen_limit.spend(f"link {digest(secret)}")
    submission_id = invitation.standing.submission_id
    if submission_id is None:
        return _Opened(invitation, None, None, agreed=False)
    record = self_screens.submission(session, invitation.practice_id, submission_id)
    held = consents.in_force(consents.consents_of(session, invitation.practice_id, invitation.athlete_id))
    screen = visits.newest_screen(session, record.visit_id)
    return _Opened(invitation, record, screen, agreed=held >= consent.NEEDED)


def _closed(request: Request) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return problem(request, 404, "link-closed", CLOSED, CLOSED_ADVICE)
    return render(request, ClosedPage(CLOSED, CLOSED_ADVICE), 404)


def _steps(session: Session, record: SubmissionRecord) -> tuple[StepProgress, ...]:
    taken = rounds.load_round(session, record.practice_id, record.round_id) if record.round_id else None
    return progress_of(record, taken)


def _cards(session: Session, record: SubmissionRecord) -> tuple[StepCard, ...]:
    reasons = {r.step: r.reason for r in record.open_requests}
    return tuple(_card(p, reasons) for p in _steps(session, record))


def _state(record: SubmissionRecord, cards: tuple[StepCard, ...]) -> dict[str, Any]:
    return {
        "submission": record.id,
        "asked": bool(record.open_requests),
        "steps": [asdict(c) for c in cards],
        "open": sum(c.state in ("open", "again") for c in cards),
        "looking": sum(c.state == "looking" for c in cards),
    }


@router.get("/self-screen/worker.js")
def worker() -> Response:
    """Return the script that opens the kept page where there is no network; it may speak for this folder only."""
    path = STATIC / "js" / "self-screen" / "worker.js"
    return FileResponse(path, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/self-screen/sent")
def thanks(request: Request) -> Response:
    """Say that everything has arrived; the same page for everybody."""
    return render(request, ThanksPage(safety.STOP_RULES, safety.SEE_A_PRACTITIONER))


@router.get("/self-screen/{secret}")
def show(request: Request, secret: str) -> Response:
    """Show the step at which this self-screen is. Changes nothing: messengers open links to show a preview."""
    with services(request).database.begin() as session:
        opened = _open(request, session, secret)
        if opened is None:
            return _closed(request)
        if opened.submission is None or not opened.agreed:
            return _consent_page(request, opened)
        if opened.screen is None:
            return _safety_page(request, {}, {"pain_now": None, "pain_worst": None})
        if not opened.goes_on:
            return _stopped_page(request, opened.screen.verdict)
        return _capture_page(request, opened.submission, _cards(session, opened.submission))


def _consent_page(request: Request, opened: _Opened, said: str = "", status: int = 200) -> Response:
    purpose = words_for(PURPOSES, opened.invitation.purpose)
    needed = tuple(p for p in consent.PURPOSES if p.key in consent.NEEDED)
    return render(request, ConsentPage(purpose, needed, consent.WITHDRAWING, said), status)


def _safety_page(
    request: Request, answers: Mapping[str, str], pains: Mapping[str, int | None], said: str = "", status: int = 200
) -> Response:
    page = SafetyPage(
        groups={group: tuple(s for s in safety.WARNING_SIGNS if s.group is group) for group in Group},
        precautions=safety.PRECAUTIONS,
        answers=answers,
        pains=pains,
        problem=said,
    )
    return render(request, page, status)


def _stopped_page(request: Request, verdict: Verdict) -> Response:
    return render(request, StoppedPage(verdict, safety.SEE_A_PRACTITIONER, str(safety.WHOM_AND_WHEN_SOURCE)))


def _capture_page(
    request: Request, record: SubmissionRecord, cards: tuple[StepCard, ...], said: str = "", status: int = 200
) -> Response:
    page = CapturePage(
        submission_id=record.id,
        steps=cards,
        current=next((c for c in cards if c.state in ("open", "again")), None),
        asked=bool(record.open_requests),
        state=json.dumps(_state(record, cards)),
        upload_key=new_id(),
        all_done=all(c.state == "done" for c in cards),
        problem=said,
    )
    response = render(request, page, status)
    response.headers["Permissions-Policy"] = CAPTURE_PERMISSIONS
    return response


@router.post("/self-screen/{secret}/consent")
def agree(request: Request, secret: str, form: SentForm) -> Response:
    """Store what the athlete agrees to and begin the submission."""
    given = form.many_of("consent", [p.key for p in consent.PURPOSES])
    with services(request).database.begin() as session:
        opened = _open(request, session, secret)
        if opened is None:
            return _closed(request)
        if opened.submission is None or not opened.agreed:
            if not set(given) >= consent.NEEDED:
                return _consent_page(request, opened, "Without your agreement nothing can be sent.", 422)
            practice_id, athlete_id = opened.invitation.practice_id, opened.invitation.athlete_id
            before = consents.in_force(consents.consents_of(session, practice_id, athlete_id))
            consents.set_consents(session, practice_id, athlete_id, before | set(given), None)
            if opened.submission is None:
                begun = self_screens.begin(session, opened.invitation)
                audit.note(session, practice_id, None, "begun by link", "self-screen", begun, athlete_id=athlete_id)
            else:
                audit.note(session, practice_id, None, "agreed by link", "consent", athlete_id, athlete_id=athlete_id)
    return RedirectResponse(f"/self-screen/{secret}", 303)


@router.post("/self-screen/{secret}/safety")
def answer_questions(request: Request, secret: str, form: SentForm) -> Response:
    """Store the answers; go on to the photos, or stop and say what to do."""
    sent = {key: form.text(key) for key in safety.KEYS}
    answers = {key: Answer(value) for key, value in sent.items() if value in set(Answer)}
    pains = {name: form.whole(name, 0, 10, "Pain") for name in ("pain_now", "pain_worst")}
    with services(request).database.begin() as session:
        opened = _open(request, session, secret)
        if opened is None:
            return _closed(request)
        record = opened.submission
        if record is not None and opened.agreed and opened.screen is None:
            open_count = len(safety.KEYS) - len(answers) + sum(p is None for p in pains.values())
            if open_count:
                said = f"{open_count} {'question is' if open_count == 1 else 'questions are'} not answered yet."
                return _safety_page(request, sent, pains, said, 422)
            visits.add_screen(session, record.practice_id, record.visit_id, answers, None)
            visits.add_complaint(
                session,
                record.practice_id,
                record.visit_id,
                words=form.text("words", longest=1000),
                pain_now=pains["pain_now"],
                pain_worst=pains["pain_worst"],
                sites=(),
                written_by=None,
            )
            audit.note(
                session,
                record.practice_id,
                None,
                "answered by link",
                "safety answers",
                record.visit_id,
                athlete_id=record.athlete_id,
            )
    return RedirectResponse(f"/self-screen/{secret}", 303)


@router.get("/self-screen/{secret}/state")
def state(request: Request, secret: str) -> Response:
    """Return how far each photo is, for the page's script."""
    with services(request).database.begin() as session:
        opened = _open(request, session, secret)
        if opened is None or opened.submission is None or not opened.goes_on:
            return _closed(request)
        return JSONResponse(_state(opened.submission, _cards(session, opened.submission)))


@router.post("/self-screen/{secret}/photos")
def take_photo(
    request: Request,
    secret: str,
    step: Annotated[str, Form(max_length=20)],
    key: Annotated[str, Form(min_length=8, max_length=60, pattern="^[0-9A-Za-z-]*$")],
    photo: Annotated[UploadFile | str, File()],  # an empty file field arrives as text
    source: Annotated[str, Form()] = "file",
    face: Annotated[str, Form()] = "shown",
    roll_deg: Annotated[float | None, Form(ge=-180, le=180)] = None,
) -> Response:
    """Take one photo in; the same key again changes nothing, so a phone repeats until it knows that it arrived."""
    parts = services(request)
    wants_json = "application/json" in request.headers.get("accept", "")
    chosen = isinstance(photo, StarletteUpload) and bool(photo.filename)
    data = read_file(cast("StarletteUpload", photo), parts.settings.max_photo_bytes) if chosen else b""
    with parts.database.begin() as session:
        opened = _open(request, session, secret)
        if opened is None or opened.submission is None or not opened.goes_on:
            return _closed(request)
        record = opened.submission
        upload_key = f"{record.id}-{key}"
        received = received_digest(data)
        keys = keys_of(upload_key, received)
        again = self_screens.photo_sent_before(session, record, keys, received) if chosen else None
        if again is None:
            refusal = _refusal(_steps(session, record), record, step, chosen=chosen)
            if refusal:
                if wants_json:
                    return problem(request, 422, "photo-not-taken", refusal, "")
                return _capture_page(request, record, _cards(session, record), refusal, 422)
            round_id = self_screens.round_for(session, record)
    if again is None:
        file = cast("StarletteUpload", photo)
        side = Side(step.partition("-")[0])
        sending = Upload(data, file.filename or "", upload_key, side, roll_deg=roll_deg)
        again = take_in(parts.database, parts.store, parts.queue, record.practice_id, round_id, sending).id
    with parts.database.begin() as session:
        new = self_screens.add_capture(
            session,
            record,
            again,
            step=step,
            source="camera" if source == "camera" else "file",
            face=cast("self_screens.Face", face) if face in get_args(self_screens.Face) else "shown",
        )
        if new:
            parts.queue.enqueue(session, FINISH_PHOTO, again)
            audit.note(session, record.practice_id, None, "sent by link", "photo", again, athlete_id=record.athlete_id)
    parts.queue.wake()
    if wants_json:
        return JSONResponse({"key": key, "stored": True}, 201)
    return RedirectResponse(f"/self-screen/{secret}", 303)


def _refusal(steps: tuple[StepProgress, ...], record: SubmissionRecord, step: str, *, chosen: bool) -> str:
    """Say why a photo cannot be taken in, or return an empty text."""
    if not chosen:
        return "No photo was chosen."
    if len(record.captures) >= MOST_PHOTOS:
        return "There are enough photos. Send the self-screen off."
    progress = next((p for p in steps if p.step.key == step), None)
    if progress is None:
        return "This photo is not asked for any more."
    if progress.state is State.DONE or progress.used >= TRIES:
        return "This photo is there already."
    return ""


@router.post("/self-screen/{secret}/send")
def send(request: Request, secret: str, form: SentForm) -> Response:
    """Send the self-screen off, or the photos asked for; sending twice is harmless."""
    submission_id = form.text("submission")
    pains = {side: form.whole(f"pain_{side}", 0, 10, "Pain") for side in ("left", "right")}
    with services(request).database.begin() as session:
        if self_screens.invitation_of_submission(session, secret, submission_id):
            opened = _open(request, session, secret)
            if opened is None or opened.submission is None or opened.submission.id != submission_id:
                return RedirectResponse("/self-screen/sent", 303)  # it was sent before
        else:
            opened = _open(request, session, secret)
            if opened is None or opened.submission is None:
                return _closed(request)
        record = opened.submission
        if not opened.agreed:
            return RedirectResponse(f"/self-screen/{secret}", 303)  # where it can be given again
        if not opened.goes_on or record.round_id is None:
            raise InputError("There is no photo yet.", "Go back and take the photos.")
        for side, pain in pains.items():
            if pain is not None:
                self_screens.set_pain(session, record.practice_id, record.round_id, side, pain)
        settle(session, record)
        self_screens.send(session, record.practice_id, record.id)
        audit.note(
            session, record.practice_id, None, "sent by link", "self-screen", record.id, athlete_id=record.athlete_id
        )
    return RedirectResponse("/self-screen/sent", 303)
