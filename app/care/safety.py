"""Questions before a first round, and how the answers are judged together.

Single warning signs say little on their own, so the answers are weighed together in the manner of
Finucane 2020: a sign that is strong alone decides alone; of the others one asks for watching and two
or more ask for a doctor first. An answer "not sure" never counts as "no". The program informs; a
licensed practitioner decides, and local rules come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from app.care.sources import BONE_EXERCISE, DEVON, DOWNIE, FINUCANE, UNCONFIRMED, Source


class Answer(StrEnum):
    """What the athlete answered."""

    YES = "yes"
    NO = "no"
    UNSURE = "unsure"


class Tier(IntEnum):
    """How much concern the answers together raise; the order is the order of concern."""

    CLEAR = 0
    WATCHFUL = 1
    URGENT = 2
    EMERGENCY = 3

    @property
    def stops_test(self) -> bool:
        """Whether no test and no drill may follow until a doctor has cleared the athlete."""
        return self >= Tier.URGENT

    @property
    def clearable(self) -> bool:
        """Whether a clinician may decide to go on; never in an emergency, which is asked again another day."""
        return self is not Tier.EMERGENCY


class Group(StrEnum):
    """What a warning sign may point to."""

    CORD = "spinal cord or cauda equina"
    FRACTURE = "fracture"
    MALIGNANCY = "malignancy"
    INFECTION = "infection"
    VISCERAL = "heart, vessels or inner organs"
    INFLAMMATORY = "inflammatory disease"


class Effect(StrEnum):
    """What a precaution asks for."""

    NOT_THIS_TEST = "do not use this test"
    CLINICIAN_DECIDES = "a clinician decides whether to test"
    ADAPT = "adapt the position"


@dataclass(frozen=True, slots=True)
class WarningSign:
    """One question about a warning sign.

    Attributes
    ----------
    key
        Stable name under which the answer is stored.
    text
        The question, put to the athlete.
    group
        What the sign may point to.
    alone
        The tier when this is the only sign reported.
    source
        Where the sign is listed.

    """

    key: str
    text: str
    group: Group
    alone: Tier
    source: Source


@dataclass(frozen=True, slots=True)
class Precaution:
    """One question about a precaution: what it asks for if answered yes or not sure."""

    key: str
    text: str
    effect: Effect
    advice: str
    source: Source


WARNING_SIGNS: tuple[WarningSign, ...] = (
    WarningSign(
        "bladder_bowel",
        "New trouble passing or holding urine, or losing control of the bowel?",
        Group.CORD,
        Tier.EMERGENCY,
        FINUCANE,
    ),
    WarningSign(
        "saddle", "Numbness between the legs, in the area that touches a saddle?", Group.CORD, Tier.EMERGENCY, FINUCANE
    ),
    WarningSign(
        "legs",
        "New weakness or numbness in the legs, or unsteadiness when walking?",
        Group.CORD,
        Tier.EMERGENCY,
        DEVON,
    ),
    WarningSign("trunk_feeling", "Changed feeling around the chest or belly?", Group.CORD, Tier.URGENT, DEVON),
    WarningSign(
        "chest",
        "Chest pain or tightness, breathlessness or light-headedness together with the back pain?",
        Group.VISCERAL,
        Tier.EMERGENCY,
        DEVON,
    ),
    WarningSign(
        "organs",
        "Does the pain change with eating or swallowing rather than with movement?",
        Group.VISCERAL,
        Tier.WATCHFUL,
        DEVON,
    ),
    WarningSign(
        "heavy_blow",
        "Did the pain start with a heavy fall, a collision or a hard blow?",
        Group.FRACTURE,
        Tier.URGENT,
        DOWNIE,
    ),
    WarningSign(
        "small_blow_weak_bone",
        "Did it start with a small knock or a strenuous lift, and are the bones thin (osteoporosis) "
        "or has cortisone been taken for months?",
        Group.FRACTURE,
        Tier.URGENT,
        DOWNIE,
    ),
    WarningSign(
        "bone_tender",
        "A bruise or graze over the spine, or one bone that hurts to touch?",
        Group.FRACTURE,
        Tier.WATCHFUL,
        DOWNIE,
    ),
    WarningSign("older", "Older than 65 (men) or 75 (women)?", Group.FRACTURE, Tier.WATCHFUL, DOWNIE),
    WarningSign("cancer", "Cancer now or at any time before?", Group.MALIGNANCY, Tier.URGENT, DOWNIE),
    WarningSign("weight_loss", "Weight lost without trying?", Group.MALIGNANCY, Tier.WATCHFUL, DOWNIE),
    WarningSign(
        "unremitting",
        "Constant pain that keeps getting worse, does not change with position, or wakes you every night?",
        Group.MALIGNANCY,
        Tier.WATCHFUL,
        DOWNIE,
    ),
    WarningSign(
        "age_first_pain",
        "Is this new pain, and are you younger than 20 or older than 50?",
        Group.MALIGNANCY,
        Tier.WATCHFUL,
        DEVON,
    ),
    WarningSign("fever", "Fever, shivering or night sweats with the pain?", Group.INFECTION, Tier.URGENT, DEVON),
    WarningSign(
        "infection_risk",
        "A recent bacterial infection, tuberculosis, HIV, injected drugs, or medicine that weakens the immune system?",
        Group.INFECTION,
        Tier.WATCHFUL,
        DEVON,
    ),
    WarningSign("rash", "A painful rash or blisters in a band around one side?", Group.INFECTION, Tier.URGENT, DEVON),
    WarningSign(
        "inflammatory",
        "A known inflammatory disease of the spine or joints?",
        Group.INFLAMMATORY,
        Tier.WATCHFUL,
        DEVON,
    ),
)

PRECAUTIONS: tuple[Precaution, ...] = (
    Precaution(
        "kneeling",
        "Knees, ankles or hips that cannot take sitting back on the heels?",
        Effect.NOT_THIS_TEST,
        "Do not force the position. A folded towel behind the knees may help; if it still hurts, "
        "examine rotation in another position.",
        UNCONFIRMED,
    ),
    Precaution(
        "osteoporosis",
        "Thin bones (osteoporosis) or a vertebral fracture at any time?",
        Effect.CLINICIAN_DECIDES,
        "Turning the spine to its end range is among the riskiest movements with thin bones: a clinician "
        "decides first, and drills are adapted. After a vertebral fracture a physiotherapist is consulted.",
        BONE_EXERCISE,
    ),
    Precaution(
        "recent_surgery",
        "Surgery on or a fracture of spine, ribs or shoulder in the last months?",
        Effect.CLINICIAN_DECIDES,
        "A clinician decides whether the tissue can take an end-range turn yet.",
        UNCONFIRMED,
    ),
    Precaution(
        "radicular",
        "Pain shooting into an arm, a leg or around the ribs at present?",
        Effect.CLINICIAN_DECIDES,
        "A clinician examines first; an end-range turn may provoke it.",
        UNCONFIRMED,
    ),
    Precaution(
        "pregnancy",
        "Pregnant?",
        Effect.CLINICIAN_DECIDES,
        "Sitting back on the heels and leaning forward may be uncomfortable or unsuitable; a clinician decides.",
        UNCONFIRMED,
    ),
    Precaution(
        "shoulder",
        "A shoulder that has been out of joint, or that hurts with the hand behind the back?",
        Effect.ADAPT,
        "Choose the hand position that does not hurt, record it, and keep it at every retest.",
        UNCONFIRMED,
    ),
    Precaution(
        "head_low",
        "Dizziness or high blood pressure that is not under control with the head low?",
        Effect.CLINICIAN_DECIDES,
        "The head is low in this position; a clinician decides, and the athlete comes up slowly.",
        UNCONFIRMED,
    ),
)

KEYS: frozenset[str] = frozenset([s.key for s in WARNING_SIGNS] + [p.key for p in PRECAUTIONS])

STOP_RULES: tuple[str, ...] = (
    "Stop at once on sharp pain, or on pain that spreads into an arm, a leg or around the chest.",
    "Stop at once on pins and needles, numbness or weakness.",
    "Stop at once on dizziness, nausea or shortness of breath. Come up slowly.",
    "A gentle stretch is fine; pain above 3 of 10, or pain that stays longer than a day, means do less and tell "
    "your practitioner.",
)
STOP_RULES_SOURCE = UNCONFIRMED

SEE_A_PRACTITIONER: tuple[str, ...] = (
    "Pain that stays after the drill plan is finished: see a practitioner for a full examination.",
    "New weakness or numbness, trouble with bladder or bowel, chest pain or breathlessness: emergency care, now.",
    "Fever, weight loss without trying, constant or nightly pain, or a fall or blow: see a doctor first.",
)

CAUTION = (
    "The program measures and informs. A licensed practitioner decides what it means for this person, "
    "and local rules come first."
)

_WHOM: Mapping[Tier, str] = {
    Tier.EMERGENCY: "Emergency department or the local emergency number",
    Tier.URGENT: "A doctor, before any test or exercise",
    Tier.WATCHFUL: "A licensed practitioner keeps watch; a doctor if it does not settle",
    Tier.CLEAR: "",
}
_HOW_SOON: Mapping[Tier, str] = {
    Tier.EMERGENCY: "now",
    Tier.URGENT: "today or tomorrow",
    Tier.WATCHFUL: "asked again at every visit",
    Tier.CLEAR: "",
}
WHOM_AND_WHEN_SOURCE = UNCONFIRMED  # referral routes and times are set locally


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the answers together mean.

    Attributes
    ----------
    tier
        Level of concern.
    signs
        The warning signs answered yes or not sure, strongest first.
    precautions
        The precautions answered yes or not sure.
    whom, how_soon
        Whom to see and how soon; empty when nothing was reported.

    """

    tier: Tier
    signs: tuple[WarningSign, ...]
    precautions: tuple[Precaution, ...]
    whom: str
    how_soon: str

    @property
    def may_test(self) -> bool:
        """Whether nothing reported forbids the test (a clinician's decision may still be needed)."""
        return not self.tier.stops_test and all(p.effect is not Effect.NOT_THIS_TEST for p in self.precautions)

    @property
    def needs_clinician(self) -> bool:
        """Whether a clinician has to decide before a test."""
        return any(p.effect is Effect.CLINICIAN_DECIDES for p in self.precautions)

    @property
    def headline(self) -> str:
        """The verdict in one sentence."""
        if self.tier is Tier.EMERGENCY:
            return f"Do not test. {self.whom}, {self.how_soon}."
        if self.tier is Tier.URGENT:
            return f"Do not test yet. {self.whom}: {self.how_soon}."
        if not self.may_test:
            return "Do not use this test: the position cannot be taken."
        if self.needs_clinician:
            return "A clinician decides whether to test."
        if self.tier is Tier.WATCHFUL:
            return "One sign to keep in mind: test with care and ask again at every visit."
        if self.precautions:
            return "Test with the position adapted."
        return "Nothing reported that speaks against the test."


def judge(answers: Mapping[str, Answer]) -> Verdict:
    """Weigh all answers together.

    Parameters
    ----------
    answers
        Key of every question to its answer; every question must be answered.

    Raises
    ------
    KeyError
        If a question is not answered, so that a forgotten one never counts as "no".

    """
    missing = sorted(KEYS - answers.keys())
    if missing:
        raise KeyError(missing[0])
    signs: list[tuple[Tier, WarningSign]] = []
    for sign in WARNING_SIGNS:
        answer = answers[sign.key]
        if answer is Answer.NO:
            continue
        # not sure about a sign that would be an emergency still needs a doctor first
        tier = Tier.URGENT if answer is Answer.UNSURE and sign.alone is Tier.EMERGENCY else sign.alone
        signs.append((tier, sign))
    signs.sort(key=lambda pair: -pair[0])
    tier = signs[0][0] if signs else Tier.CLEAR
    if len(signs) >= 2:
        tier = max(tier, Tier.URGENT)
    return Verdict(
        tier,
        tuple(sign for _, sign in signs),
        tuple(p for p in PRECAUTIONS if answers[p.key] is not Answer.NO),
        _WHOM[tier],
        _HOW_SOON[tier],
    )
