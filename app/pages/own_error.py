"""The practice's own standard error of measurement: from its agreement study to the figure that decisions use."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, people
from app.security.members import Manager, MemberContext
from app.services import services
from app.study import FEW_PEOPLE, StudyLine, read_study, standard_errors, study_of
from vision.agreement import AgreementStudy
from vision.compare import PUBLISHED_SEM, TRIALS_OF_PROTOCOL

router = APIRouter()

LONGEST = 400_000  # characters: several hundred people with every reading


@template("own_error.html")
@dataclass(frozen=True, slots=True)
class OwnErrorPage:
    """The figure in use, and what a study gives; ``readings`` is the table as it was pasted."""

    own_sem_deg: float | None
    published_deg: float
    published_origin: str
    readings: str
    problem: str
    study: AgreementStudy | None
    lines: tuple[StudyLine, ...]
    trials: int
    few: int


def _page(
    request: Request,
    member: MemberContext,
    *,
    readings: str = "",
    problem: str = "",
    study: AgreementStudy | None = None,
    status: int = 200,
) -> Response:
    with services(request).database.begin() as session:
        own = people.practice(session, member.practice_id).own_sem_deg
    page = OwnErrorPage(
        own_sem_deg=own,
        published_deg=PUBLISHED_SEM.value_deg,
        published_origin=PUBLISHED_SEM.origin,
        readings=readings,
        problem=problem,
        study=study,
        lines=standard_errors(study) if study else (),
        trials=TRIALS_OF_PROTOCOL,
        few=FEW_PEOPLE,
    )
    return render(request, page, status)


@router.get("/practice/own-error")
def own_error(request: Request, member: Manager) -> Response:
    """Show the figure in use and the form."""
    return _page(request, member)


@router.post("/practice/own-error")
def compute(request: Request, member: Manager, form: SentForm) -> Response:
    """Compute from the pasted readings; with ``use`` also make one of the figures the practice's own."""
    readings = form.text("readings", longest=LONGEST)
    try:
        study = study_of(read_study(readings), TRIALS_OF_PROTOCOL)
    except InputError as error:
        return _page(request, member, readings=readings, problem=str(error), status=422)
    chosen = form.whole("use", 0, 9, "The figure")
    if chosen is None:
        return _page(request, member, readings=readings, study=study)
    lines = standard_errors(study)
    if chosen >= len(lines):
        raise InputError("This figure does not exist.", "Go back and choose one of the table.")
    _set(request, member, lines[chosen].error.sem_deg)
    return RedirectResponse("/practice/own-error", 303)


@router.post("/practice/own-error/forget")
def forget(request: Request, member: Manager) -> Response:
    """Go back to the published figure."""
    _set(request, member, None)
    return RedirectResponse("/practice/own-error", 303)


def _set(request: Request, member: MemberContext, sem_deg: float | None) -> None:
    with services(request).database.begin() as session:
        people.set_own_sem(session, member.practice_id, sem_deg)
        audit.note(session, member.practice_id, member.member_id, "changed own error", "practice", member.practice_id)
