"""The safety questions before the first round, and what the answers mean."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care import safety
from app.care.safety import Answer, Group, Precaution, WarningSign
from app.errors import InputError, NotAllowedError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, people, visits
from app.security.members import SignedIn
from app.security.rights import Right, may
from app.services import services

router = APIRouter()


@template("safety.html")
@dataclass(frozen=True, slots=True)
class SafetyPage:
    """The questions in groups, the newest answers and the verdict on them."""

    visit: visits.VisitRecord
    groups: Mapping[Group, tuple[WarningSign, ...]]
    precautions: tuple[Precaution, ...]
    answers: Mapping[str, Answer]
    may_clear: bool
    caution: str
    referral_source: str
    member_names: dict[str, str]


def _groups() -> dict[Group, tuple[WarningSign, ...]]:
    return {group: tuple(s for s in safety.WARNING_SIGNS if s.group is group) for group in Group}


@router.get("/visits/{visit_id}/safety")
def safety_questions(request: Request, member: SignedIn, visit_id: str) -> Response:
    """Show the questions."""
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "read",
            "safety answers",
            visit_id,
            athlete_id=found.athlete.id,
        )
    page = SafetyPage(
        visit=found,
        groups=_groups(),
        precautions=safety.PRECAUTIONS,
        answers=found.screen.answers if found.screen else {},
        may_clear=may(member.role, Right.CLEAR_FLAGS),
        caution=safety.CAUTION,
        referral_source=str(safety.WHOM_AND_WHEN_SOURCE),
        member_names=names,
    )
    return render(request, page)


@router.post("/visits/{visit_id}/safety")
def answer_questions(request: Request, member: SignedIn, visit_id: str, form: SentForm) -> Response:
    """Store the answers; go on to the complaint, or stay if they speak against a test."""
    rest_is_no = form.text("rest") == "no"
    answers: dict[str, Answer] = {}
    unanswered = 0
    for key in safety.KEYS:
        sent = form.text(key)
        if sent in set(Answer):
            answers[key] = Answer(sent)
        elif rest_is_no:
            answers[key] = Answer.NO
        else:
            unanswered += 1
    if unanswered:
        raise InputError(
            f"{unanswered} {'question is' if unanswered == 1 else 'questions are'} not answered.",
            "Go back: ask them all, or choose “All others were asked: no”.",
        )
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        verdict = visits.add_screen(session, member.practice_id, visit_id, answers, member.member_id)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "added",
            "safety answers",
            visit_id,
            athlete_id=found.athlete.id,
        )
    goes_on = verdict.may_test and not verdict.needs_clinician and not verdict.signs and not verdict.precautions
    return RedirectResponse(f"/visits/{visit_id}/complaint" if goes_on else f"/visits/{visit_id}/safety", 303)


@router.post("/visits/{visit_id}/clearance")
def clear(request: Request, member: SignedIn, visit_id: str, form: SentForm) -> Response:
    """Store a clinician's decision to go on."""
    if not may(member.role, Right.CLEAR_FLAGS):
        raise NotAllowedError("Only a clinician or an owner decides to go on.", "Ask one of them to sign in.")
    reason = form.text("reason", needed="The reason")
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        # what is decided on are the answers that were on the page
        visits.clear(
            session, member.practice_id, visit_id, member.member_id, reason, screen_id=form.text("screen", longest=32)
        )
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "cleared",
            "safety answers",
            visit_id,
            athlete_id=found.athlete.id,
        )
    return RedirectResponse(f"/visits/{visit_id}/complaint", 303)
