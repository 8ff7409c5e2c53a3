"""Which further photo, or a tape measure, would make a round's answer clearer; worked out when asked for."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from app.pages.rendering import render, template
from app.pages.results import trial_name
from app.photos import fitting
from app.records import audit, rounds
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@template("clearer.html")
@dataclass(frozen=True, slots=True)
class ClearerPage:
    """Trial name, side and sentences, for the trial with the widest band on each side."""

    record: rounds.RoundRecord
    found: tuple[tuple[str, str, tuple[str, ...]], ...]


@router.get("/rounds/{round_id}/clearer")
def clearer(request: Request, member: SignedIn, round_id: str) -> Response:
    """Work it out and show it."""
    parts = services(request)
    with parts.database.begin() as session:
        record = rounds.load_round(session, member.practice_id, round_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "round", round_id, athlete_id=record.athlete.id
        )
    said = fitting.advice(record, parts.measurer)
    found = tuple((trial_name(record.trials, t), t.side.value, said[t.id]) for t in record.trials if t.id in said)
    return render(request, ClearerPage(record, found))
