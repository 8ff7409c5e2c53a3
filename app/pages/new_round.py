"""Begin a round: whose it is, and the tape-measured shoulder breadth if there is one."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care.consent import NEEDED
from app.errors import NotAllowedError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, consents, people, rounds, visits
from app.security.members import SignedIn
from app.services import services

router = APIRouter()

# acromion to acromion of adults with room to spare; ANSUR II spans about 300 to 490 mm
BREADTH_MM = (200.0, 600.0)


@template("new_round.html")
@dataclass(frozen=True, slots=True)
class NewRoundPage:
    """The form, filled again with what was typed when something in it cannot be used."""

    codes: tuple[str, ...]
    code: str
    breadth: str
    problem: str


@router.get("/rounds/new")
def form(request: Request, member: SignedIn) -> Response:
    """Show the empty form."""
    return _form(request, member, "", "", "", 200)


def _form(request: Request, member: SignedIn, code: str, breadth: str, problem: str, status: int) -> Response:
    with services(request).database.begin() as session:
        codes = tuple(a.code for a in people.athletes(session, member.practice_id))
    return render(request, NewRoundPage(codes=codes, code=code, breadth=breadth, problem=problem), status)


@router.post("/rounds/new")
def begin(request: Request, member: SignedIn, sent: SentForm) -> Response:
    """Make the round, and the athlete if the code is new, and go on to the photos."""
    code, breadth = " ".join(sent.text("code").split()), sent.text("breadth")
    if not 1 <= len(code) <= 100:
        return _form(request, member, code, breadth, "Enter a code for the athlete, at most 100 characters.", 422)
    breadth_mm = None
    if breadth:
        try:
            breadth_mm = float(breadth.replace(",", "."))
        except ValueError:
            breadth_mm = -1.0
        if not BREADTH_MM[0] <= breadth_mm <= BREADTH_MM[1]:
            low, high = BREADTH_MM
            problem = (
                f"The shoulder breadth must be a number of millimetres between {low:.0f} and {high:.0f}, or empty."
            )
            return _form(request, member, code, breadth, problem, 422)
    with services(request).database.begin() as session:
        athlete = people.athlete_by_code(session, member.practice_id, code)
        consents.refuse_if_taken_back(session, member.practice_id, athlete.id, NEEDED)
        screen = visits.newest_screen_of(session, athlete.id)
        if screen is not None and not screen.test_allowed:
            raise NotAllowedError(
                f"The newest safety answers of {code} speak against a test: {screen.verdict.headline}",
                "Start a visit from the athlete's page and ask again.",
            )
        if breadth_mm is not None:
            people.set_breadth(session, member.practice_id, athlete.id, breadth_mm)
        visit_id = rounds.add_visit(session, member.practice_id, athlete.id)
        round_id = rounds.add_round(session, member.practice_id, visit_id)
        audit.note(session, member.practice_id, member.member_id, "begin", "round", round_id, athlete_id=athlete.id)
    return RedirectResponse(f"/rounds/{round_id}/photos", 303)
