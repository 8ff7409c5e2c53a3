"""What a round says: left against right with the reason, context, what would make it clearer, and the change."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from app.care import clearer, next_steps, population
from app.care.clearer import Clearer
from app.care.drills import EXPECTATION, EXPECTATION_SOURCE
from app.care.population import GroupMean
from app.care.safety import CAUTION
from app.pages import set_up
from app.pages.axis import AngleAxis, DifferenceAxis, angle_axis, difference_axis
from app.pages.rendering import day, render, template
from app.records import audit, history
from app.records import rounds as round_records
from app.records.comparisons import counted_rotations
from app.records.history import HistoryRound
from app.security.members import SignedIn
from app.services import services
from vision.compare import Comparison, compare_rounds
from vision.sides import Side

router = APIRouter()


@dataclass(frozen=True, slots=True)
class ChangeSince:
    """The change since an earlier round, in sentences.

    Attributes
    ----------
    since
        Which round it is compared with.
    sentences
        Per side, then of the difference, each with its own threshold.
    set_up_differs
        What was set up differently, in words; such rounds compare badly.

    """

    since: str
    sentences: tuple[str, ...]
    set_up_differs: tuple[str, ...]


@template("decision.html")
@dataclass(frozen=True, slots=True)
class DecisionPage:
    """The decision of one round."""

    current: HistoryRound
    comparison: Comparison
    axis: AngleAxis
    difference: DifferenceAxis | None
    clearer: tuple[Clearer, ...]
    changes: tuple[ChangeSince, ...]
    steps: tuple[str, ...]
    pain: int | None
    groups: tuple[GroupMean, ...]
    context: str
    age: str
    measured_note: str
    measured_sources: str
    expectation: str
    expectation_source: str
    caution: str


def change_since(earlier: HistoryRound, later: HistoryRound) -> ChangeSince:
    """Put the change between two rounds into sentences."""
    change = compare_rounds(earlier.comparison, later.comparison, sem=later.sem)
    same_visit = earlier.visit.id == later.visit.id
    when = "of this visit" if same_visit else f"on {day(earlier.record.started_at)}"
    return ChangeSince(
        since=f"{earlier.name} {when}",
        sentences=(
            next_steps.of_change(change.left, larger_is="left rotation"),
            next_steps.of_change(change.right, larger_is="right rotation"),
            next_steps.of_change(change.difference, larger_is="left minus right"),
        ),
        set_up_differs=set_up.differences(earlier.record.setup, later.record.setup),
    )


def worst_pain(current: HistoryRound) -> int | None:
    """Return the strongest pain told at the visit or during a trial; None if it was never asked."""
    told = [t.pain for t in current.record.trials if t.pain is not None]
    if current.visit.complaint is not None and current.visit.complaint.pain_now is not None:
        told.append(current.visit.complaint.pain_now)
    return max(told, default=None)


def compared_with(found: list[HistoryRound], current: HistoryRound) -> list[HistoryRound]:
    """Return the rounds that ``current`` is compared with: the visit's first, the last before, the very first."""
    before = history.measured(found[: [h.record.id for h in found].index(current.record.id)])
    chosen = [h for h in before if h.visit.id == current.visit.id][:1]
    chosen += [h for h in before if h.visit.id != current.visit.id][-1:]
    chosen += before[:1]
    return list({h.record.id: h for h in chosen}.values())


@router.get("/rounds/{round_id}/decision")
def decision(request: Request, member: SignedIn, round_id: str) -> Response:
    """Show the decision."""
    with services(request).database.begin() as session:
        record = round_records.load_round(session, member.practice_id, round_id)
        found = history.history(session, member.practice_id, record.athlete.id, also_visit=record.visit_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "decision", round_id, athlete_id=record.athlete.id
        )
    current = next(h for h in found if h.record.id == round_id)
    left, right = counted_rotations(record, Side.LEFT), counted_rotations(record, Side.RIGHT)
    options = (clearer.another_trial(left, right, current.sem),)
    pain = worst_pain(current)
    page = DecisionPage(
        current=current,
        comparison=current.comparison,
        axis=angle_axis(current.comparison, left, right),
        difference=difference_axis(current.comparison),
        clearer=tuple(o for o in options if o is not None),
        changes=tuple(change_since(h, current) for h in compared_with(found, current)),
        steps=next_steps.after_round(current.comparison.decision, current.comparison.larger_side, pain),
        pain=pain,
        groups=population.GROUP_MEANS,
        context=population.CONTEXT,
        age=f"{population.AGE} ({population.AGE_SOURCE})",
        measured_note=population.WHAT_IS_MEASURED,
        measured_sources="; ".join(str(s) for s in population.WHAT_IS_MEASURED_SOURCES),
        expectation=EXPECTATION,
        expectation_source=str(EXPECTATION_SOURCE),
        caution=CAUTION,
    )
    return render(request, page)
