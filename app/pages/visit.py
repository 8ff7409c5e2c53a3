"""One visit: its steps in order, and which of them are done."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from app.care.position import SITES, words_for
from app.care.safety import CAUTION
from app.pages.rendering import render, template
from app.records import audit, people, visits
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("visit.html")
@dataclass(frozen=True, slots=True)
class VisitPage:
    """The steps of a visit."""

    visit: visits.VisitRecord
    sites: tuple[str, ...]
    member_names: dict[str, str]
    caution: str


@router.get("/visits/{visit_id}")
def visit(request: Request, member: SignedIn, visit_id: str) -> Response:
    """Show the steps of a visit."""
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        names = people.member_names(session, member.practice_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "visit", visit_id, athlete_id=found.athlete.id
        )
    sites = found.complaint.sites if found.complaint else ()
    return render(request, VisitPage(found, tuple(words_for(SITES, s) for s in sites), names, CAUTION))
