"""Self-screens that wait for a person: what needs eyes first, the result, and what to do with it."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session
from starlette.responses import RedirectResponse

from app.care.position import Choice, words_for
from app.errors import InputError
from app.pages import words
from app.pages.axis import AngleAxis, angle_axis
from app.pages.form import SentForm
from app.pages.overlays import Overlay, overlay
from app.pages.rendering import moment, render, template
from app.pages.results import origin_words, points_in_force
from app.pages.self_screen import heading
from app.records import audit, people, rounds, self_screens, visits
from app.records.comparisons import compared, counted_rotations
from app.records.corrections import in_force
from app.records.self_screen_steps import progress_of
from app.records.self_screens import CaptureRecord, SubmissionRecord
from app.remote import attention
from app.remote.attention import Reason
from app.remote.purposes import PURPOSES, REASONS
from app.remote.steps import BY_KEY, STEPS, State, StepProgress
from app.security.members import SignedIn
from app.services import services
from vision.compare import Comparison
from vision.findings import Finding
from vision.rotation import Rotation
from vision.sides import Side

router = APIRouter()

DISAGREE = frozenset({"finders-disagree", "evidence-disagrees", "two-angles", "opens-other-way", "sides-exchanged"})
"""Findings that say that two readings of a photo do not fit together."""

FACE_WORDS = {
    "shown": "",
    "blurred-on-phone": "Face blurred by the athlete.",
    "to-be-blurred": "The face is to be blurred; that is not done yet.",
    "blurred-on-arrival": "Face blurred on arrival.",
    "head-not-found": "The athlete asked for a blurred face, but the head was not found: treat this photo with care.",
}


@dataclass(frozen=True, slots=True)
class QueueLine:
    """One submission in the list, with what holds now."""

    id: str
    athlete_code: str
    purpose: str
    when: str
    comparison: Comparison | None
    reasons: tuple[Reason, ...]
    still: str


@template("review_queue.html")
@dataclass(frozen=True, slots=True)
class QueuePage:
    """What waits here, most pressing first; below it what waits for the athlete."""

    waiting: tuple[QueueLine, ...]
    at_athlete: tuple[QueueLine, ...]


@dataclass(frozen=True, slots=True)
class PhotoCard:
    """One photo of a step."""

    id: str
    trial_id: str
    name: str
    side: str
    counts: bool
    state_words: str
    rotation: Rotation | None
    origin: str
    findings: tuple[Finding, ...]
    face_words: str
    overlay: Overlay | None


@template("review.html")
@dataclass(frozen=True, slots=True)
class ReviewPage:
    """One submission: answers, result, photos, and what can be done."""

    submission: SubmissionRecord
    purpose: str
    when: str
    reasons: tuple[Reason, ...]
    screen: visits.ScreenRecord | None
    complaint: visits.ComplaintRecord | None
    comparison: Comparison | None
    axis: AngleAxis | None
    photos: tuple[PhotoCard, ...]
    still: str
    steps: tuple[Choice, ...]
    request_reasons: tuple[Choice, ...]
    requests: tuple[tuple[str, str, str], ...]
    decided_words: str


@dataclass(frozen=True, slots=True)
class _Looked:
    """A submission with everything read that says how pressing it is."""

    record: SubmissionRecord
    visit: visits.VisitRecord
    taken: rounds.RoundRecord | None
    steps: tuple[StepProgress, ...]
    comparison: Comparison | None
    reasons: tuple[Reason, ...]

    @property
    def stopped(self) -> bool:
        """Whether the answers stopped the self-screen."""
        return self.visit.screen is not None and not self.visit.screen.test_allowed

    @property
    def still(self) -> str:
        """Say what is still missing, or return an empty text."""
        if self.record.open_requests:
            return "One more photo was asked for."
        looking = sum(p.state is State.LOOKING for p in self.steps)
        if looking:
            return f"{looking} {'photo is' if looking == 1 else 'photos are'} still being measured."
        if self.record.sent_at is None and not self.stopped:
            return "Begun, not sent off by the athlete yet."
        return ""


def _look(session: Session, record: SubmissionRecord) -> _Looked:
    visit = visits.visit(session, record.practice_id, record.visit_id)
    practice = people.practice(session, record.practice_id)
    taken = rounds.load_round(session, record.practice_id, record.round_id) if record.round_id else None
    steps = progress_of(record, taken)
    comparison = compared(taken, practice) if taken else None
    return _Looked(record, visit, taken, steps, comparison, _reasons(record, visit, taken, steps, comparison))


def _reasons(
    record: SubmissionRecord,
    visit: visits.VisitRecord,
    taken: rounds.RoundRecord | None,
    steps: tuple[StepProgress, ...],
    comparison: Comparison | None,
) -> tuple[Reason, ...]:
    complaint = visit.complaint
    pains = [("now", complaint.pain_now), ("at its worst in seven days", complaint.pain_worst)] if complaint else []
    for side in (Side.LEFT, Side.RIGHT):
        while_turning = [t.pain for t in taken.of_side(side) if t.pain is not None] if taken else []
        pains.append((f"while turning to the {side.value}", max(while_turning, default=None)))
    counted = [t for t in taken.trials if not t.left_out] if taken else []
    names = _names(record)
    submitted = attention.Submitted(
        verdict=visit.screen.verdict if visit.screen else None,
        pains=[(what, pain) for what, pain in pains if pain is not None],
        trials_deg=[
            (side.value, [m for r in counted_rotations(taken, side) if (m := r.magnitude_deg) is not None])
            for side in (Side.LEFT, Side.RIGHT)
        ]
        if taken
        else [],
        comparison=comparison,
        marked=[heading(p.step) for p in steps if p.marked],
        unmeasured=[
            names.get(p.id, "a photo")
            for t in counted
            for p in t.photos
            if not t.waiting and not (t.current and t.current.rotation)
        ],
        missing=[heading(p.step) for p in steps if not p.tries] if record.sent_at is not None else [],
        disagreements=[
            f.message
            for t in counted
            if t.current is not None and t.current.rotation.origin == "automatic"
            for f in (
                *t.current.rotation.findings,
                *(f for p in t.photos if p.measurement for f in p.measurement.landmarks.findings),
            )
            if f.code in DISAGREE
        ],
    )
    return attention.reasons(submitted)


def _names(record: SubmissionRecord) -> dict[str, str]:
    """Return photo id to its name, e.g. ``Left rotation, photo 2 of 3, second try``."""
    result = {}
    seen: dict[str, int] = {}
    for capture in record.captures:
        seen[capture.step] = seen.get(capture.step, 0) + 1
        name = heading(BY_KEY[capture.step])
        result[capture.photo_id] = name if seen[capture.step] == 1 else f"{name}, try {seen[capture.step]}"
    return result


def _when(record: SubmissionRecord) -> str:
    return f"{'sent' if record.sent_at else 'begun'} {moment(record.sent_at or record.begun_at)}"


@router.get("/review-queue")
def queue(request: Request, member: SignedIn) -> Response:
    """Show what waits."""
    with services(request).database.begin() as session:
        looked = [_look(session, r) for r in self_screens.undecided(session, member.practice_id)]
        for one in looked:
            audit.note(
                session,
                member.practice_id,
                member.member_id,
                "listed",
                "self-screen",
                one.record.id,
                athlete_id=one.record.athlete_id,
            )
    here = [one for one in looked if one.stopped or (one.record.sent_at and not one.record.open_requests)]
    here.sort(key=lambda one: (attention.order_key(one.reasons), one.record.sent_at or one.record.begun_at))
    there = [one for one in looked if one not in here]
    return render(request, QueuePage(tuple(_line(o) for o in here), tuple(_line(o) for o in there)))


def _line(one: _Looked) -> QueueLine:
    return QueueLine(
        id=one.record.id,
        athlete_code=one.record.athlete_code,
        purpose=words_for(PURPOSES, one.record.purpose),
        when=_when(one.record),
        comparison=one.comparison,
        reasons=one.reasons,
        still=one.still,
    )


def _photo_card(
    name: str, capture: CaptureRecord, trial: rounds.TrialRecord, names: dict[str, str]
) -> PhotoCard | None:
    photo = next((p for p in trial.photos if p.id == capture.photo_id), None)
    if photo is None:
        return None
    _typed, moved = in_force(trial.corrections)
    rotation = trial.current.rotation if trial.current else None
    placed = None
    if photo.width is not None and photo.height is not None:
        placed = overlay(
            photo.id,
            photo.width,
            photo.height,
            points_in_force(photo, trial.drawn, moved),
            f"{name}: photo with hip line, shoulder line and trunk line",
        )
    found = [
        *(photo.measurement.landmarks.findings if photo.measurement else ()),
        *(rotation.findings if rotation is not None else ()),
    ]
    return PhotoCard(
        id=photo.id,
        trial_id=trial.id,
        name=name,
        side=trial.side.value,
        counts=not trial.left_out,
        state_words=words.STATE[photo.state],
        rotation=rotation,
        origin=origin_words(trial, names),
        findings=tuple(dict.fromkeys(found)),
        face_words=FACE_WORDS[capture.face],
        overlay=placed,
    )


@router.get("/review-queue/{submission_id}")
def review(request: Request, member: SignedIn, submission_id: str) -> Response:
    """Show one submission."""
    with services(request).database.begin() as session:
        record = self_screens.submission(session, member.practice_id, submission_id)
        one = _look(session, record)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "read",
            "self-screen",
            submission_id,
            athlete_id=record.athlete_id,
        )
    trial_of = {p.id: t for t in (one.taken.trials if one.taken else ()) for p in t.photos}
    photo_names = _names(record)
    order = {step.key: i for i, step in enumerate(STEPS)}
    cards = [
        card
        for capture in sorted(record.captures, key=lambda c: order.get(c.step, 0))
        if capture.photo_id in trial_of
        and (card := _photo_card(photo_names[capture.photo_id], capture, trial_of[capture.photo_id], names))
    ]
    axis = None
    if one.taken is not None and one.comparison is not None:
        axis = angle_axis(
            one.comparison, counted_rotations(one.taken, Side.LEFT), counted_rotations(one.taken, Side.RIGHT)
        )
    page = ReviewPage(
        submission=record,
        purpose=words_for(PURPOSES, record.purpose),
        when=_when(record),
        reasons=one.reasons,
        screen=one.visit.screen,
        complaint=one.visit.complaint,
        comparison=one.comparison,
        axis=axis,
        photos=tuple(cards),
        still=one.still,
        steps=tuple(Choice(s.key, heading(s)) for s in STEPS),
        request_reasons=REASONS,
        requests=tuple(
            (
                heading(BY_KEY[r.step]),
                r.reason,
                "answered" if r.answered_at else "waiting for the athlete",
            )
            for r in record.requests
        ),
        decided_words=_decided_words(record, names),
    )
    return render(request, page)


def _decided_words(record: SubmissionRecord, names: Mapping[str, str]) -> str:
    if record.decision is None or record.decided_at is None:
        return ""
    who = names.get(record.decided_by or "", "a former member")
    what = "Accepted" if record.decision == "accepted" else "Set aside"
    return f"{what} by {who}, {moment(record.decided_at)}.{' ' + record.note if record.note else ''}"


@router.post("/review-queue/{submission_id}/accept")
def accept(request: Request, member: SignedIn, submission_id: str, form: SentForm) -> Response:
    """Let the submission enter the trend."""
    with services(request).database.begin() as session:
        record = self_screens.submission(session, member.practice_id, submission_id)
        if record.round_id is None:
            raise InputError("There is no photo to accept.", "Set the self-screen aside, or wait for its photos.")
        self_screens.decide(session, member.practice_id, submission_id, member.member_id, "accepted", form.text("note"))
        _note(session, member, "accepted", record)
    return RedirectResponse("/review-queue", 303)


@router.post("/review-queue/{submission_id}/set-aside")
def set_aside(request: Request, member: SignedIn, submission_id: str, form: SentForm) -> Response:
    """Keep the submission out of the trend, with the reason; nothing is deleted."""
    note = form.text("note", needed="The reason")
    with services(request).database.begin() as session:
        record = self_screens.submission(session, member.practice_id, submission_id)
        self_screens.decide(session, member.practice_id, submission_id, member.member_id, "set-aside", note)
        _note(session, member, "set aside", record)
    return RedirectResponse("/review-queue", 303)


@router.post("/review-queue/{submission_id}/ask")
def ask(request: Request, member: SignedIn, submission_id: str, form: SentForm) -> Response:
    """Ask the athlete for one more photo, which opens the link again at that step."""
    step = form.one_of("step", list(BY_KEY), "Photo")
    reason = words_for(REASONS, form.one_of("reason", [r.key for r in REASONS], "Reason"))
    more = form.text("more", longest=300)
    with services(request).database.begin() as session:
        record = self_screens.submission(session, member.practice_id, submission_id)
        self_screens.ask_for_photo(
            session,
            member.practice_id,
            submission_id,
            member.member_id,
            step=step,
            reason=f"{reason}. {more}".strip(),
        )
        _note(session, member, "asked for a photo of", record)
    return RedirectResponse(f"/review-queue/{submission_id}", 303)


def _note(session: Session, member: SignedIn, action: str, record: SubmissionRecord) -> None:
    audit.note(
        session,
        member.practice_id,
        member.member_id,
        action,
        "self-screen",
        record.id,
        athlete_id=record.athlete_id,
    )
