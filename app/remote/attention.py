"""What in a submission needs a person's eyes, strongest first; it orders the review queue."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from app.care.safety import Tier, Verdict
from vision.compare import Comparison, Decision

STRONG_PAIN = 4
"""Pain of 10 from which a turn is looked at first; the stop rule of the drills is 'above 3' (common practice)."""
SPREAD_DEG = 10.0
"""Trials of one side that lie farther apart than this disagree (judgement: twice the published detectable change)."""


class Weight(IntEnum):
    """How pressing a reason is; a higher one comes first."""

    NOTE = 1
    QUALITY = 2
    DISAGREEMENT = 3
    PAIN = 4
    WARNING_SIGN = 5


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason to look closely, in words."""

    weight: Weight
    words: str


@dataclass(frozen=True, slots=True)
class Submitted:
    """What is known of a submission.

    Attributes
    ----------
    pains
        What hurt and how much, 0 to 10: ``("now", 3)``.
    trials_deg
        Side word to the angles of its counted trials, degrees in the side's direction.
    marked
        Names of photos that were kept although they have a fault.
    unmeasured
        Names of photos without an angle.
    missing
        Names of photos that were not taken.
    disagreements
        Messages of findings that say that two ways of measuring disagree.

    """

    verdict: Verdict | None
    pains: Sequence[tuple[str, int]]
    trials_deg: Sequence[tuple[str, Sequence[float]]]
    comparison: Comparison | None
    marked: Sequence[str]
    unmeasured: Sequence[str]
    missing: Sequence[str]
    disagreements: Sequence[str]


def reasons(submitted: Submitted) -> tuple[Reason, ...]:
    """Return the reasons to look closely, strongest first."""
    found: list[Reason] = []
    verdict = submitted.verdict
    if verdict is not None and (verdict.signs or verdict.precautions):
        weight = Weight.WARNING_SIGN if verdict.tier >= Tier.URGENT or verdict.precautions else Weight.PAIN
        found.append(Reason(weight, verdict.headline))
    for what, pain in submitted.pains:
        if pain > 0:
            found.append(Reason(Weight.PAIN if pain >= STRONG_PAIN else Weight.NOTE, f"Pain {what}: {pain} of 10."))
    for side, angles in submitted.trials_deg:
        if len(angles) > 1 and max(angles) - min(angles) > SPREAD_DEG:
            spread = max(angles) - min(angles)
            found.append(Reason(Weight.DISAGREEMENT, f"The trials of the {side} side lie {spread:.0f}° apart."))
    found.extend(Reason(Weight.DISAGREEMENT, words) for words in dict.fromkeys(submitted.disagreements))
    if submitted.unmeasured:
        found.append(Reason(Weight.QUALITY, f"No angle: {'; '.join(submitted.unmeasured)}."))
    if submitted.marked:
        found.append(Reason(Weight.QUALITY, f"Kept with a fault after two tries: {'; '.join(submitted.marked)}."))
    if submitted.missing:
        found.append(Reason(Weight.QUALITY, f"Not taken: {'; '.join(submitted.missing)}."))
    if submitted.comparison is not None and submitted.comparison.decision is Decision.POSSIBLE:
        found.append(Reason(Weight.NOTE, "The difference between the sides is near the measurement error."))
    return tuple(sorted(found, key=lambda r: -r.weight))


def order_key(found: Sequence[Reason]) -> tuple[int, int]:
    """Return the sort key of a submission: the most pressing first, then the one with more such reasons."""
    top = max((r.weight for r in found), default=0)
    return -top, -sum(r.weight == top for r in found)
