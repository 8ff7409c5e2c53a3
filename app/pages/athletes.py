"""The athletes of the practice, and adding one."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care import consent
from app.care.position import Choice
from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, consents, people
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("athletes.html")
@dataclass(frozen=True, slots=True)
class AthletesPage:
    """All athletes by code, and the form for a new one."""

    athletes: tuple[people.AthleteRecord, ...]
    purposes: tuple[Choice, ...]
    needed: frozenset[str]
    withdrawing: str


@router.get("/athletes")
def athletes(request: Request, member: SignedIn) -> Response:
    """Show the athletes."""
    with services(request).database.begin() as session:
        found = people.athletes(session, member.practice_id)
        audit.note(session, member.practice_id, member.member_id, "read", "athlete list", member.practice_id)
    return render(request, AthletesPage(tuple(found), consent.PURPOSES, consent.NEEDED, consent.WITHDRAWING))


@router.post("/athletes")
def add_athlete(request: Request, member: SignedIn, form: SentForm) -> Response:
    """Add an athlete, with what they agreed to."""
    code = form.text("code", longest=100, needed="The code")
    purposes = form.many_of("consent", [p.key for p in consent.PURPOSES])
    with services(request).database.begin() as session:
        if any(a.code == code for a in people.athletes(session, member.practice_id)):
            raise InputError(f"There is already an athlete {code}.", "Open that one, or choose another code.")
        athlete = people.athlete_by_code(session, member.practice_id, code)
        consents.set_consents(session, member.practice_id, athlete.id, purposes, member.member_id)
        audit.note(session, member.practice_id, member.member_id, "added", "athlete", athlete.id, athlete_id=athlete.id)
    return RedirectResponse(f"/athletes/{athlete.id}", 303)
