"""The words of the report for each of its three readers, from what was found; no diagnosis, no advice to treat."""

from enum import StrEnum

from vision.compare import Comparison, Decision
from vision.sides import Side


class Reader(StrEnum):
    """Whom a report is for."""

    COACH = "coach"
    DOCTOR = "doctor"
    ATHLETE = "athlete"


TITLES = {
    Reader.COACH: "Report for the coach",
    Reader.DOCTOR: "Report for the doctor",
    Reader.ATHLETE: "Your report",
}

_TEST = {
    Reader.COACH: (
        "The athlete kneels, sits back on the heels with one forearm on the floor, and turns the chest open as far as "
        "possible, first to one side, then to the other. Photos are measured. The question: is one side really "
        "different from the other?"
    ),
    Reader.DOCTOR: (
        "Active trunk rotation in heel-sit kneeling with one forearm on the floor and the other hand placed as stated "
        "below, end range. Angle of the acromion line against the hip-joint line in the plane normal to the trunk "
        "axis, from photos by a fitted torso model; 95 % bands. It is shoulder-girdle and trunk rotation in this "
        "position, not segmental thoracic rotation."
    ),
    Reader.ATHLETE: (
        "You knelt, sat back on your heels with one forearm on the floor, and turned your chest open as far as you "
        "could, to one side and then to the other. Photos were measured. The question was whether one side really "
        "differs from the other."
    ),
}

_HOW_TO_READ = {
    Reader.COACH: (
        "Each angle comes with a band: the true value lies in it with 95 % probability. A difference or a change "
        "counts only if it is larger than measurement error. Many healthy athletes have a difference between sides; "
        "it is not an injury and not a reason to stop training by itself."
    ),
    Reader.DOCTOR: (
        "A difference is called larger than measurement error when it exceeds the minimal detectable change at 95 % "
        "and its band excludes zero. No validated cut-off for a difference between sides in this test is published. "
        "This is a measurement, not a diagnosis."
    ),
    Reader.ATHLETE: (
        "No measurement is exact, so each number comes with a range. A difference or a change counts only if it is "
        "larger than what measuring twice can differ by. A difference between sides is common in healthy people."
    ),
}


def test_words(reader: Reader) -> str:
    """Return what was done, for this reader."""
    return _TEST[reader]


def how_to_read(reader: Reader) -> str:
    """Return how the numbers are to be read, for this reader."""
    return _HOW_TO_READ[reader]


def answer(reader: Reader, comparison: Comparison) -> str:
    """Return the result in one or two sentences for this reader."""
    difference = comparison.difference_deg
    if difference is None:
        return "One side could not be measured, so the sides cannot be compared."
    size = f"{abs(difference):.0f}°"
    farther = Side.LEFT if difference > 0 else Side.RIGHT
    your = "You turned" if reader is Reader.ATHLETE else "The athlete turned"
    if comparison.decision is Decision.DIFFERENT:
        return (
            f"{your} {size} farther to the {farther} than to the {farther.other}. "
            "That is larger than measurement error."
        )
    if comparison.decision is Decision.POSSIBLE:
        return (
            f"{your} {size} farther to the {farther} than to the {farther.other}. That may be a real difference or "
            "measurement error: photos from another place can make it clearer."
        )
    return f"No difference between left and right was shown (they were {size} apart, inside measurement error)."
