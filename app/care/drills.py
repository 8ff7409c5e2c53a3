"""The library of drills, and the dose of one drill in an athlete's plan."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from app.care import drawings
from app.care.sources import HENEGHAN, PRACTICE, SELF_STRETCH, TRACTION_SESSION, Source
from vision.errors import KneelturnError

DrillSide = Literal["left", "right", "both"]


class DoseError(KneelturnError):
    """A dose that nobody should be given."""

    code = "dose-unusable"


@dataclass(frozen=True, slots=True)
class Dose:
    """How much of a drill.

    Attributes
    ----------
    side
        The side the chest opens to; ``both`` alternates.
    sets, repetitions
        Sets, and repetitions a side in each.
    hold_s
        Seconds held or taken to come down; 0 when the drill flows.
    days_a_week
        On how many days.
    weeks
        For how many weeks, until the retest.

    Raises
    ------
    DoseError
        If a number is outside what a plan may hold.

    """

    side: DrillSide
    sets: int
    repetitions: int
    hold_s: int
    days_a_week: int
    weeks: int

    def __post_init__(self) -> None:
        limits = (
            ("sets", self.sets, 1, 10),
            ("repetitions", self.repetitions, 1, 30),
            ("hold, seconds", self.hold_s, 0, 60),
            ("days a week", self.days_a_week, 1, 7),
            ("weeks", self.weeks, 1, 26),
        )
        for name, value, low, high in limits:
            if not low <= value <= high:
                raise DoseError(f"{name}: {value} is not between {low} and {high}.", "Correct the number.")
        if self.side not in ("left", "right", "both"):
            raise DoseError("The side is missing.", "Choose left, right or both.")

    @property
    def words(self) -> str:
        """The dose as a sentence fragment."""
        side = "both sides, in turn" if self.side == "both" else f"chest opens to the {self.side}"
        sets = "1 set" if self.sets == 1 else f"{self.sets} sets"
        hold = f", {self.hold_s} s each" if self.hold_s else ""
        days = "every day" if self.days_a_week == 7 else f"{self.days_a_week} days a week"
        weeks = "1 week" if self.weeks == 1 else f"{self.weeks} weeks"
        return f"{sets} of {self.repetitions}{hold}, {side}; {days}, for {weeks}"


@dataclass(frozen=True, slots=True)
class Drill:
    """One drill, in our own words, with a drawing.

    Attributes
    ----------
    key
        Stable name under which plans store it.
    name, kind, purpose
        What it is called; ``mobility`` or ``control``; what it is for.
    set_up, movement
        Steps, in order.
    faults
        What commonly goes wrong and what to do instead.
    dose
        The dose suggested, before it is fitted to a person.
    dose_words
        The same with its range, as written in the library.
    evidence, sources
        Level of evidence in words, and where that is from.
    drawing
        Returns the drawing as SVG text.

    """

    key: str
    name: str
    kind: Literal["mobility", "control"]
    purpose: str
    set_up: tuple[str, ...]
    movement: tuple[str, ...]
    faults: tuple[str, ...]
    dose: Dose
    dose_words: str
    evidence: str
    sources: tuple[Source, ...]
    drawing: Callable[[], str]


_EXPERT = "Expert opinion: no trial shows that it prevents or treats pain."

DRILLS: tuple[Drill, ...] = (
    Drill(
        "seated-roller",
        "Seated rotation with side-bend",
        "mobility",
        "More turn on the stiffer side. Squeezing the roller keeps the pelvis still, so that the turn comes from "
        "above it.",
        (
            "Sit upright on a stool or bench, feet flat and apart.",
            "Put a foam roller or a rolled towel between the knees and squeeze it throughout.",
            "Cross the arms on the chest.",
        ),
        (
            "Turn the chest as far as it goes without the knees moving.",
            "Stay turned and bend sideways to the same side.",
            "Breathe out slowly at the end range; let each breath take you a little farther.",
            "Come back upright. That is one pass.",
        ),
        (
            "One knee slides forward: squeeze harder and turn less.",
            "The head turns more than the chest: look at the breastbone.",
            "The back rounds: sit taller before you turn.",
        ),
        Dose("both", 2, 4, 0, 5, 4),
        "3 to 5 passes a side, breathing out at the end range",
        f"{_EXPERT} A single session of stretching raised trunk rotation for a short time in one trial.",
        (HENEGHAN, SELF_STRETCH),
        drawings.seated_rotation_with_roller,
    ),
    Drill(
        "kneeling-band",
        "Kneeling rotation pulled by a band",
        "mobility",
        "More turn in the very position that is measured. The band helps to open; coming down slowly against it loads "
        "the new range.",
        (
            "Fix a light band above and behind you. Sit back on the heels, one forearm on the floor with the elbow "
            "between the knees.",
            "Hold the band with the other hand, so that it pulls that arm and the chest open.",
        ),
        (
            "Breathe out and let the band open the chest to its first firm stop.",
            "Come down slowly, taking 3 to 5 seconds, against the pull.",
            "Let the band open you again.",
        ),
        (
            "The hips leave the heels: use a lighter band.",
            "Only the arm moves: keep the breastbone and the hand turning together.",
            "The band snaps you open: step it closer, so that it pulls softly.",
        ),
        Dose("both", 2, 6, 4, 5, 4),
        "3 to 5 s on the way down, 5 to 8 repetitions a side",
        _EXPERT,
        (HENEGHAN,),
        drawings.kneeling_rotation_with_band,
    ),
    Drill(
        "active-return",
        "Active return with the shoulder blade drawn back",
        "control",
        "To own the range: hold it and leave it by muscle alone, with the trunk stiff.",
        (
            "Take the position of the test: buttocks on the heels, one forearm on the floor, the other hand on the "
            "low back.",
            "Make the trunk stiff, as before lifting something heavy, and go on breathing.",
        ),
        (
            "Draw the shoulder blade of the upper arm back and turn the chest open. Hold 3 to 5 seconds.",
            "Return with trunk stiff and blade drawn back. Hold 3 to 5 seconds with the chest down.",
            "That is one repetition.",
        ),
        (
            "The trunk lets go on the way down: go slower and turn less far.",
            "The shoulder creeps up to the ear: draw the blade back and down.",
            "The breath is held: count aloud.",
        ),
        Dose("both", 2, 10, 4, 4, 4),
        "10 repetitions, 3 to 5 s holds in both positions",
        _EXPERT,
        (HENEGHAN, PRACTICE),
        drawings.active_return,
    ),
)
BY_KEY: dict[str, Drill] = {drill.key: drill for drill in DRILLS}

EXPECTATION = (
    "One session changes rotation by 3 to 5 degrees on average, which is inside measurement error for one person. "
    "Judge at four weeks or later, set up the same way, on the mean of three trials."
)
EXPECTATION_SOURCE: Source = TRACTION_SESSION
