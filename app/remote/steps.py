"""The photos of a self-screen, step by step, and which of them is to be taken next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from app.care.position import TRIALS_A_SIDE
from app.remote.feedback import Feedback
from vision.compare import SideMean
from vision.nextview import VIEWPOINTS, WORTH_ASKING_DEG, expected_widths_deg
from vision.sides import Side

TRIES = 2
"""A photo that still has a fault after this many tries is kept and marked: nobody is held up for ever."""


class Camera(StrEnum):
    """Where the phone stands."""

    SIDE = "side"
    FOOT_END = "foot-end"


@dataclass(frozen=True, slots=True)
class Step:
    """One photo that belongs to a self-screen; ``number`` counts the photos of its side and camera place."""

    key: str
    side: Side
    camera: Camera
    number: int


STEPS: tuple[Step, ...] = (
    Step("start", Side.START, Camera.SIDE, 1),
    # all of one side before the other: the phone is moved only once
    *(
        Step(f"{side.value}-{n}", side, Camera.SIDE, n)
        for side in (Side.LEFT, Side.RIGHT)
        for n in range(1, TRIALS_A_SIDE + 1)
    ),
    *(Step(f"{side.value}-foot", side, Camera.FOOT_END, 1) for side in (Side.LEFT, Side.RIGHT)),
)
BY_KEY: Mapping[str, Step] = {s.key: s for s in STEPS}


class State(StrEnum):
    """How far a step is."""

    OPEN = "open"  # no photo yet
    LOOKING = "looking"  # the newest photo is being measured
    AGAIN = "again"  # the newest photo has a fault that another try may put right
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Try:
    """One photo sent for a step.

    Attributes
    ----------
    feedback
        None as long as it is being measured.
    measured
        Whether it gave an angle.
    request_id
        The request that it answers; None for the first asking.

    """

    photo_id: str
    trial_id: str
    feedback: Feedback | None
    measured: bool = False
    request_id: str | None = None


@dataclass(frozen=True, slots=True)
class StepProgress:
    """A step and its photos.

    Attributes
    ----------
    used
        How many tries of the present asking were made.
    marked
        The photo was kept although it has a fault.

    """

    step: Step
    state: State
    tries: tuple[Try, ...]
    used: int
    marked: bool

    @property
    def newest(self) -> Feedback | None:
        """What was said about the newest photo."""
        return self.tries[-1].feedback if self.tries else None


def step_progress(step: Step, tries: Sequence[Try], open_request_id: str | None = None) -> StepProgress:
    """Return how far a step is; only the tries that answer the open request count, if there is one."""
    counted = tuple(t for t in tries if open_request_id is None or t.request_id == open_request_id)
    newest = counted[-1].feedback if counted else None
    if not counted:
        state = State.OPEN
    elif any(t.feedback and t.feedback.good for t in counted):
        state = State.DONE
    elif newest is None:
        state = State.LOOKING
    else:
        state = State.DONE if len(counted) >= TRIES else State.AGAIN
    marked = state is State.DONE and not any(t.feedback and t.feedback.good for t in counted)
    return StepProgress(step, state, tuple(tries), len(counted), marked)


def steps_asked_for(wide: Mapping[Side, bool]) -> tuple[Step, ...]:
    """Return the steps of a self-screen: those of every one, and the foot end of each side whose band is wide."""
    return tuple(s for s in STEPS if s.camera is Camera.SIDE or wide.get(s.side, False))


def foot_end_helps(mean: SideMean | None, side: Side) -> bool:
    """Return whether a photo from the foot end would tell more than the photos of a side that there are.

    It is a turn of its own (nobody alone can hold one and carry the phone), so it helps where its own band is expected
    to be narrower than the band of the mean; a side without any angle always asks for it.
    """
    if mean is None:
        return True
    low, high = mean.band_deg
    return high - low > foot_end_width_deg(round(mean.mean_deg), side) + WORTH_ASKING_DEG


@cache
def foot_end_width_deg(angle_deg: int, side: Side) -> float:
    """Return the width of the 95 % band that one photo from the foot end is expected to give."""
    place = next(v for v in VIEWPOINTS if v.code == Camera.FOOT_END)
    return expected_widths_deg(float(angle_deg), side, [place])[place.code]


def counting_try(tries: Sequence[Try]) -> Try | None:
    """Return the photo of a step that counts: measured before others, of the newest asking, good, the newest.

    The others are kept beside it, left out of the mean. None as long as no photo was looked at.
    """
    looked_at = [t for t in tries if t.feedback is not None]
    asking = {t.request_id: i for i, t in enumerate(tries)}

    def worth(t: Try) -> tuple[bool, int, bool, int]:
        fault = t.feedback.code if t.feedback else ""
        good = t.feedback is not None and t.feedback.good
        return t.measured and fault not in NEVER_COUNT, asking[t.request_id], good, tries.index(t)

    return max(looked_at, key=worth, default=None)


NEVER_COUNT = frozenset({"photo-twice"})
"""Faults of photos that must not enter a mean beside another photo."""
