"""One athlete: visits, consent, and starting a visit."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care import consent
from app.care.position import Choice
from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, consents, people, plans, rounds, visits
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("athlete.html")
@dataclass(frozen=True, slots=True)
class AthletePage:
    """One athlete; visits newest first, and the plan that holds (empty if none was given)."""

    athlete: people.AthleteRecord
    visits: tuple[visits.VisitRecord, ...]
    purposes: tuple[Choice, ...]
    agreed: frozenset[str]
    may_visit: bool
    withdrawing: str
    plan_id: str


@router.get("/athletes/{athlete_id}")
def athlete(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Show one athlete."""
    with services(request).database.begin() as session:
        found = people.athlete(session, member.practice_id, athlete_id)
        held = visits.visits_of(session, member.practice_id, athlete_id)
        agreed = consents.in_force(consents.consents_of(session, member.practice_id, athlete_id))
        given = plans.plans_of(session, member.practice_id, athlete_id)
        audit.note(session, member.practice_id, member.member_id, "read", "athlete", athlete_id, athlete_id=athlete_id)
    page = AthletePage(
        athlete=found,
        visits=tuple(reversed(held)),
        purposes=consent.PURPOSES,
        agreed=agreed,
        may_visit=agreed >= consent.NEEDED,
        withdrawing=consent.WITHDRAWING,
        plan_id=given[-1].id if given else "",
    )
    return render(request, page)


@router.post("/athletes/{athlete_id}/consent")
def set_consent(request: Request, member: SignedIn, athlete_id: str, form: SentForm) -> Response:
    """Write down what the athlete agrees to now."""
    purposes = form.many_of("consent", [p.key for p in consent.PURPOSES])
    with services(request).database.begin() as session:
        consents.set_consents(session, member.practice_id, athlete_id, purposes, member.member_id)
        audit.note(
            session, member.practice_id, member.member_id, "changed", "consent", athlete_id, athlete_id=athlete_id
        )
    return RedirectResponse(f"/athletes/{athlete_id}", 303)


@router.post("/athletes/{athlete_id}/breadth")
def set_breadth(request: Request, member: SignedIn, athlete_id: str, form: SentForm) -> Response:
    """Write down the tape-measured shoulder breadth, or forget it."""
    breadth_mm = form.whole("breadth_mm", 250, 550, "Shoulder breadth in millimetres")
    with services(request).database.begin() as session:
        people.set_breadth(session, member.practice_id, athlete_id, None if breadth_mm is None else float(breadth_mm))
        audit.note(
            session, member.practice_id, member.member_id, "changed", "athlete", athlete_id, athlete_id=athlete_id
        )
    return RedirectResponse(f"/athletes/{athlete_id}", 303)


@router.post("/athletes/{athlete_id}/visits")
def start_visit(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Begin a visit, if the athlete agreed to what a visit needs."""
    with services(request).database.begin() as session:
        agreed = consents.in_force(consents.consents_of(session, member.practice_id, athlete_id))
        if not agreed >= consent.NEEDED:
            raise InputError(
                "The athlete has not agreed to photos and records.",
                "Ask, tick what was agreed to, then start the visit.",
            )
        visit_id = rounds.add_visit(session, member.practice_id, athlete_id)
        audit.note(session, member.practice_id, member.member_id, "added", "visit", visit_id, athlete_id=athlete_id)
    return RedirectResponse(f"/visits/{visit_id}/safety", 303)
