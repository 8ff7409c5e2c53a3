"""An athlete's measured rounds in the order of time, each with its visit and its comparison."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from app.records import people, rounds, visits
from app.records.comparisons import compared, own_sem
from app.records.rounds import RoundRecord
from app.records.visits import VisitRecord
from vision.compare import Comparison, Sem


@dataclass(frozen=True, slots=True)
class HistoryRound:
    """One round; ``comparison`` is always computed from what holds now."""

    visit: VisitRecord
    record: RoundRecord
    comparison: Comparison
    sem: Sem | None  # of the practice's own study, if it has one

    @property
    def name(self) -> str:
        """What it is called in lists: first round or which retest of its visit."""
        return "First round" if self.record.number == 1 else f"Retest {self.record.number - 1}"


def history(
    session: Session, practice_id: str, athlete_id: str, *, also_visit: str | None = None
) -> list[HistoryRound]:
    """Return every round of the athlete, oldest first; self-screens only once a member accepted them.

    The rounds of the visit ``also_visit`` are returned in any case.
    """
    practice = people.practice(session, practice_id)
    result = []
    for visit in visits.visits_of(session, practice_id, athlete_id):
        if not visit.counts and visit.id != also_visit:
            continue
        for round_id in visit.round_ids:
            record = rounds.load_round(session, practice_id, round_id)
            result.append(HistoryRound(visit, record, compared(record, practice), own_sem(practice)))
    return result


def measured(found: Sequence[HistoryRound]) -> list[HistoryRound]:
    """Return the rounds in which at least one side has an angle."""
    return [h for h in found if h.comparison.left is not None or h.comparison.right is not None]
