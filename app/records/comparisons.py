"""Left against right of a stored round, always computed from what holds now."""

from app.records.people import PracticeRecord
from app.records.rounds import RoundRecord
from vision.compare import Comparison, Sem, compare_sides
from vision.findings import Finding
from vision.quality import sides_exchanged
from vision.rotation import Rotation
from vision.sides import Side


def counted_rotations(record: RoundRecord, side: Side) -> list[Rotation]:
    """Return the rotations that count for the mean of ``side``: measured or typed, and not left out."""
    return [t.current.rotation for t in record.of_side(side) if t.current is not None and not t.left_out]


def own_sem(practice: PracticeRecord) -> Sem | None:
    """Return the standard error of measurement of the practice's own agreement study, if it has one."""
    if practice.own_sem_deg is None:
        return None
    return Sem(practice.own_sem_deg, "this practice's own agreement study")


def round_findings(record: RoundRecord) -> tuple[Finding, ...]:
    """Return what was noticed about the round as a whole beyond the comparison: exchanged sides."""
    return sides_exchanged(counted_rotations(record, Side.LEFT), counted_rotations(record, Side.RIGHT))


def compared(record: RoundRecord, practice: PracticeRecord) -> Comparison:
    """Compare the sides of a round, with the practice's own standard error of measurement if it has one."""
    return compare_sides(
        counted_rotations(record, Side.LEFT), counted_rotations(record, Side.RIGHT), sem=own_sem(practice)
    )
