"""What the decision of a round may lead to: options for the practitioner, never an instruction."""

from app.care.safety import SEE_A_PRACTITIONER
from vision.compare import Change, Decision
from vision.sides import Side


def after_round(decision: Decision, larger_side: Side | None, pain: int | None) -> tuple[str, ...]:
    """Return options after left was compared with right.

    Parameters
    ----------
    decision
        What the comparison says.
    larger_side
        The side that turns farther, when a difference was called.
    pain
        Pain now, 0 to 10, or the strongest pain during a trial; None if not asked.

    """
    if decision is Decision.DIFFERENT and larger_side is not None:
        steps = [
            f"The {larger_side.other} side turns less, by more than measurement error. Drills for the "
            f"{larger_side.other} side are one option; retest in the same visit and again at four weeks.",
            "A difference alone is not a disorder: athletes of turning sports often have one without pain.",
        ]
    elif decision is Decision.POSSIBLE:
        steps = [
            "There may be a difference, but measurement error alone could explain it. Photos from the same "
            "place would largely repeat that error: before anything rests on it, add a second photo of the same turn "
            "from another place, such as the foot end."
        ]
    elif decision is Decision.NONE_SHOWN:
        steps = [
            "This test shows no difference between the sides. That does not prove that there is none: the band says "
            "how large one could be.",
            "If there is pain all the same, look for its cause elsewhere.",
        ]
    else:
        steps = ["One side has no angle yet. Take another photo of it, or type the angle you measured otherwise."]
    if pain:
        steps.append(SEE_A_PRACTITIONER[0])
    return tuple(steps)


def of_change(change: Change, *, larger_is: str) -> str:
    """Return one honest sentence about a change between two rounds.

    Parameters
    ----------
    change
        The change, later minus earlier.
    larger_is
        What the change is of, e.g. ``left rotation``.

    """
    if change.change_deg is None or change.threshold_deg is None:
        return f"{larger_is.capitalize()}: cannot be compared, an angle is missing."
    size = f"{abs(change.change_deg):.0f}°"
    if round(abs(change.change_deg)) == 0:
        return f"{larger_is.capitalize()}: no change shown."
    direction = "more" if change.change_deg > 0 else "less"
    needed = f"{change.threshold_deg:.0f}°"
    if change.decision is Decision.DIFFERENT:
        return f"{larger_is.capitalize()}: {size} {direction}, larger than measurement error ({needed})."
    if change.decision is Decision.POSSIBLE:
        return (
            f"{larger_is.capitalize()}: {size} {direction}, at the edge of measurement error ({needed}): "
            "measure again before relying on it."
        )
    return (
        f"{larger_is.capitalize()}: {size} {direction}, inside measurement error: a change of less than {needed} "
        "cannot be told from none."
    )
