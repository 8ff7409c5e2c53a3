"""How a round is set up, suggested as last time, and beginning it."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care import position
from app.care.consent import NEEDED
from app.care.position import Choice
from app.errors import NotAllowedError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, consents, rounds, visits
from app.security.members import SignedIn
from app.services import services

router = APIRouter()

PARTS: Mapping[str, tuple[str, tuple[Choice, ...]]] = {
    "hand": ("Upper hand", position.HANDS),
    "hips": ("Hips", position.HIPS),
    "camera": ("Phone", position.CAMERAS),
    "warm_up": ("Warm-up before", position.WARM_UPS),
    "first_side": ("First side", (Choice("left", "Left first"), Choice("right", "Right first"))),
}


def in_words(setup: Mapping[str, object]) -> tuple[str, ...]:
    """Return how a round was set up, e.g. ``("Upper hand: Hand on the low back", ...)``."""
    said = []
    for name, (words, choices) in PARTS.items():
        if name in setup:
            said.append(f"{words}: {position.words_for(choices, str(setup[name]))}")
    if "cushion_mm" in setup:
        said.append(f"Cushion: {setup['cushion_mm']} mm")
    return tuple(said)


def differences(earlier: Mapping[str, object], later: Mapping[str, object]) -> tuple[str, ...]:
    """Return what was set up differently in two rounds; what was not written down counts as the same."""
    said = []
    for name, (words, choices) in PARTS.items():
        if name in earlier and name in later and earlier[name] != later[name]:
            then, now = (position.words_for(choices, str(s[name])) for s in (earlier, later))
            said.append(f"{words}: then “{then}”, now “{now}”")
    if earlier.get("hips") == later.get("hips") == "cushion" and earlier.get("cushion_mm") != later.get("cushion_mm"):
        said.append(f"Cushion: then {earlier.get('cushion_mm', '?')} mm, now {later.get('cushion_mm', '?')} mm")
    return tuple(said)


@template("set_up.html")
@dataclass(frozen=True, slots=True)
class SetUpPage:
    """The choices, with those of the last round picked."""

    visit: visits.VisitRecord
    parts: Mapping[str, tuple[str, tuple[Choice, ...]]]
    picked: Mapping[str, str]
    cushion_mm: str
    repeats: bool
    why: str
    why_source: str
    order: str
    trials_source: str
    order_source: str


@router.get("/visits/{visit_id}/set-up")
def set_up(request: Request, member: SignedIn, visit_id: str) -> Response:
    """Show the choices."""
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        last = visits.last_setup(session, member.practice_id, found.athlete.id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "set-up", visit_id, athlete_id=found.athlete.id
        )
    first = {name: choices[0].key for name, (_, choices) in PARTS.items()}
    picked = first | {k: v for k, v in last.items() if k in PARTS}
    page = SetUpPage(
        visit=found,
        parts=PARTS,
        picked=picked,
        cushion_mm=last.get("cushion_mm", ""),
        repeats=bool(last),
        why=position.SETUP_WHY,
        why_source=str(position.SETUP_SOURCE),
        order=", ".join(position.suggested_order(picked["first_side"])),
        trials_source=str(position.TRIALS_SOURCE),
        order_source=str(position.ORDER_SOURCE),
    )
    return render(request, page)


@router.post("/visits/{visit_id}/set-up")
def begin_round(request: Request, member: SignedIn, visit_id: str, form: SentForm) -> Response:
    """Begin a round with this set-up, unless the safety answers speak against it."""
    setup = {name: form.one_of(name, [c.key for c in choices], words) for name, (words, choices) in PARTS.items()}
    cushion_mm = form.whole("cushion_mm", 0, 400, "Height of the cushion in millimetres")
    if setup["hips"] == "cushion" and cushion_mm is not None:
        setup["cushion_mm"] = str(cushion_mm)
    with services(request).database.begin() as session:
        found = visits.visit(session, member.practice_id, visit_id)
        if found.screen is None or not found.screen.test_allowed:
            raise NotAllowedError(
                "The safety questions come first, and they must not speak against the test.",
                "Open the visit and answer them.",
            )
        consents.refuse_if_taken_back(session, member.practice_id, found.athlete.id, NEEDED)
        round_id = rounds.add_round(session, member.practice_id, visit_id, setup)
        audit.note(
            session, member.practice_id, member.member_id, "added", "round", round_id, athlete_id=found.athlete.id
        )
    return RedirectResponse(f"/rounds/{round_id}/photos", 303)
