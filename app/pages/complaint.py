"""What the athlete complains of: words, pain, and where on the body sketch."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from starlette.responses import RedirectResponse

from app.care import drawings
from app.care.position import SITES, Choice
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, visits
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("complaint.html")
@dataclass(frozen=True, slots=True)
class ComplaintPage:
    """The newest complaint of the visit, to be changed."""

    visit: visits.VisitRecord
    sites: tuple[Choice, ...]
    marked: tuple[str, ...]
    sketch: Markup


@router.get("/visits/{visit_id}/complaint")
def complaint(request: Request, member: SignedIn, visit_id: str) -> Response:
    """Show the form."""
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "complaint", visit_id, athlete_id=found.athlete.id
        )
    marked = found.complaint.sites if found.complaint else ()
    sketch = Markup(drawings.body_sketch(marked))  # noqa: S704 - our own drawing, words in it are escaped
    return render(request, ComplaintPage(found, SITES, marked, sketch))


@router.post("/visits/{visit_id}/complaint")
def save_complaint(request: Request, member: SignedIn, visit_id: str, form: SentForm) -> Response:
    """Store the complaint and go on to the round, or back to the visit if there is one already."""
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        visits.add_complaint(
            session,
            member.practice_id,
            visit_id,
            words=form.text("words"),
            pain_now=form.whole("pain_now", 0, 10, "Pain now"),
            pain_worst=form.whole("pain_worst", 0, 10, "Worst pain"),
            sites=form.many_of("site", [s.key for s in SITES]),
            written_by=member.member_id,
        )
        audit.note(
            session, member.practice_id, member.member_id, "changed", "complaint", visit_id, athlete_id=found.athlete.id
        )
    first = not found.round_ids and found.screen is not None and found.screen.test_allowed
    return RedirectResponse(f"/visits/{visit_id}/set-up" if first else f"/visits/{visit_id}", 303)
