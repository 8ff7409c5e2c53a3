"""What was felt and seen at each trial: pain, end feel, faults, and whether it counts."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care import position
from app.care.position import Choice
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.pages.results import trial_name
from app.records import audit, rounds
from app.security.members import SignedIn
from app.services import services
from vision.sides import Side

router = APIRouter()


@template("trial_notes.html")
@dataclass(frozen=True, slots=True)
class TrialNotesPage:
    """The trials of a round with what is noted so far."""

    record: rounds.RoundRecord
    names: Mapping[str, str]
    end_feels: tuple[Choice, ...]
    end_feel_source: str
    faults: tuple[Choice, ...]
    faults_source: str


@router.get("/rounds/{round_id}/notes")
def trial_notes(request: Request, member: SignedIn, round_id: str) -> Response:
    """Show the form."""
    with services(request).database.begin() as session:
        record = rounds.load_round(session, member.practice_id, round_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "trial notes", round_id, athlete_id=record.athlete.id
        )
    page = TrialNotesPage(
        record=record,
        names={t.id: trial_name(record.trials, t) for t in record.trials},
        end_feels=position.END_FEELS,
        end_feel_source=str(position.END_FEEL_SOURCE),
        faults=position.FAULTS,
        faults_source=str(position.FAULTS_SOURCE),
    )
    return render(request, page)


@router.post("/rounds/{round_id}/notes")
def save_notes(request: Request, member: SignedIn, round_id: str, form: SentForm) -> Response:
    """Store the notes of every trial of the round."""
    feels = [c.key for c in position.END_FEELS]
    with services(request).database.begin() as session:
        record = rounds.load_round(session, member.practice_id, round_id)
        on_the_form = form.many_of("trial", [t.id for t in record.trials if t.side is not Side.START])
        for trial in record.trials:
            if trial.id not in on_the_form:
                continue  # taken after the form was opened: what somebody noted of it stays
            feel = form.text(f"end-feel-{trial.id}")
            rounds.describe_trial(
                session,
                member.practice_id,
                trial.id,
                pain=form.whole(f"pain-{trial.id}", 0, 10, "Pain"),
                end_feel=feel if feel in feels else None,
                faults=form.many_of(f"fault-{trial.id}", [c.key for c in position.FAULTS]),
                left_out=bool(form.many_of(f"left-out-{trial.id}", ["yes"])),
            )
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "changed",
            "trial notes",
            round_id,
            athlete_id=record.athlete.id,
        )
    return RedirectResponse(f"/rounds/{round_id}/decision", 303)
