"""Everything about one athlete as it leaves the program: frozen dataclasses, the schema of the JSON API.

The exports (FHIR, CSV, archive) are pure functions of these, so that all of them tell the same story.
Angles are degrees in the stated side's direction; the difference is left minus right.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

SideWord = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class CorrectionContent:
    """A person's change of the automatic result of a trial."""

    id: str
    kind: Literal["moved", "typed"]
    made_at: datetime
    by: str
    reason: str
    angle_deg: float | None
    moved_landmarks: tuple[str, ...]
    blind: bool
    reverted_at: datetime | None


@dataclass(frozen=True, slots=True)
class TrialContent:
    """One measured effort. ``rotation_deg`` is what holds now, ``automatic_deg`` what the program found."""

    id: str
    number: int
    side: Literal["start", "left", "right"]
    rotation_deg: float | None
    band_low_deg: float | None
    band_high_deg: float | None
    automatic_deg: float | None
    origin: Literal["automatic", "moved", "typed"] | None
    left_out: bool
    pain: int | None
    end_feel: str | None
    faults: tuple[str, ...]
    findings: tuple[str, ...]
    photo_ids: tuple[str, ...]
    corrections: tuple[CorrectionContent, ...]


@dataclass(frozen=True, slots=True)
class SideContent:
    """The mean of one side's trials with its 95 % band."""

    side: SideWord
    mean_deg: float
    band_low_deg: float
    band_high_deg: float
    trials: int


@dataclass(frozen=True, slots=True)
class DifferenceContent:
    """Left minus right with its 95 % band, the decision in words, and the SEM that was used."""

    left_minus_right_deg: float
    band_low_deg: float
    band_high_deg: float
    decision: str
    sem_deg: float
    sem_origin: str


@dataclass(frozen=True, slots=True)
class RoundContent:
    """One round."""

    id: str
    number: int
    started_at: datetime
    software: str
    setup: dict[str, str]
    trials: tuple[TrialContent, ...]
    sides: tuple[SideContent, ...]
    difference: DifferenceContent | None


@dataclass(frozen=True, slots=True)
class ClearanceContent:
    """A clinician's decision to go on although the safety answers spoke against a test."""

    reason: str
    made_at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class AskedContent:
    """One asking of the safety questions, with its verdict by today's rules."""

    asked_at: datetime
    safety: str
    answers: dict[str, str]
    clearance: ClearanceContent | None


@dataclass(frozen=True, slots=True)
class ToldContent:
    """What was told once of a complaint; pain 0 to 10."""

    told_at: datetime
    words: str
    pain_now: int | None
    pain_worst: int | None
    pain_sites: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VisitContent:
    """One meeting or one self-screen, with what was asked and said.

    Complaint and answers are the newest; ``asked`` and ``told`` hold them all, newest first. ``decision`` and
    ``decision_note`` are a member's on a self-screen.
    """

    id: str
    kind: Literal["visit", "self-screen"]
    started_at: datetime
    accepted: bool
    complaint: str
    pain_now: int | None
    pain_worst: int | None
    pain_sites: tuple[str, ...]
    safety: str
    safety_answers: dict[str, str]
    rounds: tuple[RoundContent, ...]
    asked: tuple[AskedContent, ...] = ()
    told: tuple[ToldContent, ...] = ()
    decision: Literal["accepted", "set-aside"] | None = None
    decision_note: str = ""


@dataclass(frozen=True, slots=True)
class DoneContent:
    """That a drill was done on a day of the athlete's calendar; pain 0 to 10."""

    day: str
    pain: int | None


@dataclass(frozen=True, slots=True)
class DrillContent:
    """One drill of a plan, with the days on which it was done; ``note`` is the plan's."""

    name: str
    dose: str
    given_at: datetime
    done_on: tuple[str, ...]
    done: tuple[DoneContent, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class ConsentContent:
    """What the athlete agreed to; ``by`` is who wrote it down, empty if it was given through a link."""

    purpose: str
    given_at: datetime
    withdrawn_at: datetime | None
    by: str


@dataclass(frozen=True, slots=True)
class AthleteContent:
    """One athlete, whole."""

    id: str
    code: str
    practice: str
    breadth_mm: float | None
    created_at: datetime
    visits: tuple[VisitContent, ...]
    drills: tuple[DrillContent, ...]
    consents: tuple[ConsentContent, ...] = ()
