"""The start page: the newest rounds of the practice."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from app.pages.rendering import render, template
from app.records import audit, rounds
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("home.html")
@dataclass(frozen=True, slots=True)
class HomePage:
    """The newest rounds first."""

    rounds: tuple[rounds.RoundLine, ...]


@router.get("/")
def home(request: Request, member: SignedIn) -> Response:
    """Show the newest rounds."""
    with services(request).database.begin() as session:
        lines = rounds.recent_rounds(session, member.practice_id)
        audit.note(session, member.practice_id, member.member_id, "read", "round list", member.practice_id)
    return render(request, HomePage(rounds=tuple(lines)))
