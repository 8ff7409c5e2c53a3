"""Drill plans: giving one, printing it, sending it as a link, and noting what was done."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import segno
from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from starlette.responses import RedirectResponse

from app.care import safety
from app.care.drills import BY_KEY, DRILLS, EXPECTATION, EXPECTATION_SOURCE, Dose, Drill
from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, history, people, plans, visits
from app.records.columns import now
from app.records.plans import PlanRecord
from app.security.members import MemberContext, SignedIn
from app.services import services
from vision.compare import Decision
from vision.sides import Side

router = APIRouter()

LINK_DAYS = 60


@dataclass(frozen=True, slots=True)
class PlanSheet:
    """What is printed and what the link shows: drills with their drawings, stop rules, what was done.

    Attributes
    ----------
    done
        Day to the names of the drills done on it, newest first.

    """

    plan: PlanRecord
    drawings: Mapping[str, Markup]
    stop_rules: tuple[str, ...]
    stop_source: str
    see_a_practitioner: tuple[str, ...]
    expectation: str
    expectation_source: str
    caution: str
    done: tuple[tuple[date, tuple[str, ...]], ...]


@template("plan_new.html")
@dataclass(frozen=True, slots=True)
class NewPlanPage:
    """The library, with a dose for each drill to be fitted to the athlete.

    Attributes
    ----------
    stopped
        What the newest safety answers say where they speak against the test; empty otherwise.

    """

    athlete: people.AthleteRecord
    drills: tuple[Drill, ...]
    drawings: Mapping[str, Markup]
    side: str
    why_side: str
    stopped: str


@template("plan.html")
@dataclass(frozen=True, slots=True)
class PlanPage:
    """A plan as the practice sees it; ``link`` and ``qr`` only right after the link was made."""

    athlete: people.AthleteRecord
    sheet: PlanSheet
    link: str
    qr: Markup
    link_days: int


@template("plan_link.html")
@dataclass(frozen=True, slots=True)
class PlanLinkPage:
    """A plan as the link shows it, without a name."""

    sheet: PlanSheet
    secret: str
    today: str
    noted: bool


def drawn(drills: tuple[Drill, ...]) -> dict[str, Markup]:
    """Return the drawings by key."""
    return {d.key: Markup(d.drawing()) for d in drills}  # noqa: S704 - our own drawings


def sheet_of(plan: PlanRecord) -> PlanSheet:
    """Return what is printed of a plan."""
    days: dict[date, list[str]] = {}
    for record in plan.done:
        name = BY_KEY[record.drill].name if record.drill in BY_KEY else record.drill
        pain = "" if record.pain is None else f" (pain {record.pain})"
        days.setdefault(record.day, []).append(name + pain)
    return PlanSheet(
        plan=plan,
        drawings=drawn(tuple(i.drill for i in plan.items)),
        stop_rules=safety.STOP_RULES,
        stop_source=str(safety.STOP_RULES_SOURCE),
        see_a_practitioner=safety.SEE_A_PRACTITIONER,
        expectation=EXPECTATION,
        expectation_source=str(EXPECTATION_SOURCE),
        caution=safety.CAUTION,
        done=tuple((day, tuple(names)) for day, names in days.items()),
    )


@router.get("/athletes/{athlete_id}/plan")
def new_plan(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Show the library; the side that turns less is suggested where a difference was found."""
    with services(request).database.begin() as session:
        athlete = people.athlete(session, member.practice_id, athlete_id)
        found = history.measured(history.history(session, member.practice_id, athlete_id))
        audit.note(
            session, member.practice_id, member.member_id, "read", "drill plan", athlete_id, athlete_id=athlete_id
        )
        screen = visits.newest_screen_of(session, athlete_id)
    decision = found[-1].comparison.decision if found else Decision.CANNOT_TELL
    side, why = "both", "The last round shows no difference beyond measurement error, so both sides are suggested."
    if decision is Decision.CANNOT_TELL:
        why = "The sides were not compared yet, so both sides are suggested."
    elif decision is Decision.DIFFERENT:
        larger = found[-1].comparison.larger_side or Side.LEFT
        side = larger.other.value
        why = f"The {side} side turned less in the last round, so that side is suggested."
    stopped = screen.verdict.headline if screen is not None and not screen.test_allowed else ""
    return render(request, NewPlanPage(athlete, DRILLS, drawn(DRILLS), side, why, stopped))


@router.post("/athletes/{athlete_id}/plan")
def give_plan(request: Request, member: SignedIn, athlete_id: str, form: SentForm) -> Response:
    """Store the plan."""
    items = []
    for key in form.many_of("drill", BY_KEY):
        numbers = {
            name: form.whole(f"{name}-{key}", 0, 99, name.replace("_", " ")) or 0
            for name in ("sets", "repetitions", "hold_s", "days_a_week", "weeks")
        }
        side = form.one_of(f"side-{key}", ("left", "right", "both"), "The side")
        items.append((key, Dose(side=side, **numbers)))  # type: ignore[arg-type]  # one_of allows these three only
    if not items:
        raise InputError("No drill was chosen.", "Go back and tick at least one.")
    with services(request).database.begin() as session:
        plan = plans.add_plan(
            session, member.practice_id, athlete_id, items, form.text("note", longest=1000), member.member_id
        )
        audit.note(session, member.practice_id, member.member_id, "added", "drill plan", plan.id, athlete_id=athlete_id)
    return RedirectResponse(f"/plans/{plan.id}", 303)


@router.get("/plans/{plan_id}")
def show_plan(request: Request, member: SignedIn, plan_id: str) -> Response:
    """Show a plan."""
    return _plan_page(request, member, plan_id, "read", "")


def _plan_page(request: Request, member: MemberContext, plan_id: str, action: str, secret: str) -> Response:
    parts = services(request)
    with parts.database.begin() as session:
        plan = plans.plan(session, member.practice_id, plan_id)
        athlete = people.athlete(session, member.practice_id, plan.athlete_id)
        audit.note(session, member.practice_id, member.member_id, action, "drill plan", plan_id, athlete_id=athlete.id)
    link, qr = "", Markup()
    if secret:
        link = f"{parts.settings.public_url.rstrip('/') or str(request.base_url).rstrip('/')}/p/{secret}"
        code = segno.make(link, error="m").svg_inline(scale=5, border=2, svgclass=None, lineclass=None, omitsize=False)
        qr = Markup(code)  # noqa: S704 - made by the library from our own address
    return render(request, PlanPage(athlete, sheet_of(plan), link, qr, LINK_DAYS))


@router.post("/plans/{plan_id}/link")
def make_link(request: Request, member: SignedIn, plan_id: str) -> Response:
    """Make a link and show it once; only its digest is stored."""
    with services(request).database.begin() as session:
        secret = plans.make_link(session, member.practice_id, plan_id, now() + timedelta(days=LINK_DAYS))
    return _plan_page(request, member, plan_id, "made a link to", secret)


@router.post("/plans/{plan_id}/link/end")
def end_link(request: Request, member: SignedIn, plan_id: str) -> Response:
    """End the link."""
    with services(request).database.begin() as session:
        plans.end_link(session, member.practice_id, plan_id)
        plan = plans.plan(session, member.practice_id, plan_id)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "ended the link to",
            "drill plan",
            plan_id,
            athlete_id=plan.athlete_id,
        )
    return RedirectResponse(f"/plans/{plan_id}", 303)


@router.get("/p/{secret}")
def open_link(request: Request, secret: str, noted: bool = False) -> Response:
    """Show the plan to whoever has the link."""
    parts = services(request)
    parts.link_limit.spend(request.client.host if request.client else "")
    with parts.database.begin() as session:
        plan = plans.plan_of_link(session, secret, now())
        audit.note(session, plan.practice_id, None, "read", "drill plan", plan.id, athlete_id=plan.athlete_id)
    return render(request, PlanLinkPage(sheet_of(plan), secret, now().astimezone().date().isoformat(), noted))


@router.post("/p/{secret}/done")
def note_done(request: Request, secret: str, form: SentForm) -> Response:
    """Write down what was done on a day of the last week."""
    parts = services(request)
    parts.link_limit.spend(request.client.host if request.client else "")
    with parts.database.begin() as session:
        plan = plans.plan_of_link(session, secret, now())
        keys = form.many_of("drill", [i.drill.key for i in plan.items])
        if not keys:
            raise InputError("No drill was ticked.", "Go back and tick what you did.")
        try:
            day = date.fromisoformat(form.text("day"))
        except ValueError:
            raise InputError("The day is missing.", "Go back and choose the day.") from None
        today = now().date()
        # one day ahead: the athlete's calendar may be a day further than UTC
        if not today - timedelta(days=7) <= day <= today + timedelta(days=1):
            raise InputError("The day must be one of the last seven.", "Go back and choose another.")
        pain = form.whole("pain", 0, 10, "Pain")
        for key in keys:
            plans.note_done(session, plan, key, day, pain)
        audit.note(session, plan.practice_id, None, "changed", "drill log", plan.id, athlete_id=plan.athlete_id)
    return RedirectResponse(f"/p/{secret}?noted=1", 303)
