"""The position and what is written down about it: set-up, faults, end feel, order of trials, pain sites."""

from dataclasses import dataclass

from app.care.sources import JOHNSON, UNCONFIRMED, Source, published


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that can be tapped: stored key, words shown, and a longer explanation."""

    key: str
    words: str
    hint: str = ""


HANDS: tuple[Choice, ...] = (
    Choice("low-back", "Hand on the low back", "the usual position"),
    Choice("neck", "Hand behind the neck", "never compare with the hand on the low back"),
    Choice("chest", "Hand on the opposite shoulder", "never compare with the hand on the low back"),
)
HIPS: tuple[Choice, ...] = (
    Choice("on-heels", "Buttocks on the heels"),
    Choice("cushion", "Cushion between buttocks and heels", "note its height"),
)
CAMERAS: tuple[Choice, ...] = (
    Choice("opening", "On the side the chest opens to, moved over for the other side"),
    Choice("one-side", "On one side for both turns"),
    Choice("foot-end", "At the foot end"),
    Choice("head-end", "At the head end"),
)
WARM_UPS: tuple[Choice, ...] = (
    Choice("none", "None"),
    Choice("usual", "The athlete's usual warm-up"),
    Choice("trials", "Two practice turns a side"),
)
END_FEELS: tuple[Choice, ...] = (
    Choice("firm", "Firm stretch", "as usual for joint capsule and ligaments"),
    Choice("soft", "Soft, muscles hold back"),
    Choice("hard", "Hard, bony stop"),
    Choice("empty", "Stopped by pain before a stop was felt"),
)
FAULTS: tuple[Choice, ...] = (
    Choice("hips-lifted", "Hips lifted off the heels", "repeat the trial with the buttocks kept down"),
    Choice("side-bend", "Trunk bent to the side", "some side-bend belongs to turning; mark what is clearly seen"),
    Choice("elbow-slid", "Support elbow slid or straightened", "repeat with the forearm still"),
    Choice("shoulder-blade", "Shoulder blade drawn back", "moves the shoulder line without turning the spine"),
    Choice("head-only", "Head turned farther than the chest"),
    Choice("breath-held", "Breath held"),
)

SETUP_WHY = (
    "Set it up the same way at every retest: leaning and bending the trunk change rotation by 2 to 6 degrees, and a "
    "short warm-up adds some too."
)
SETUP_SOURCE: Source = published("Montgomery 2011, Clin Biomech 26:707-712")
TRIALS_A_SIDE = 3
TRIALS_SOURCE: Source = JOHNSON
ORDER_SOURCE: Source = published("alternating sides: Feijen 2020, J Sport Rehabil 29:855")
END_FEEL_SOURCE: Source = published("joint-range measurement course, University of Scranton (secondary page)")
FAULTS_SOURCE: Source = UNCONFIRMED


def suggested_order(first: str) -> tuple[str, ...]:
    """Return the suggested order of trials, alternating, starting with ``first`` (``left`` or ``right``)."""
    other = {"left": "right", "right": "left"}[first]
    return (first, other) * TRIALS_A_SIDE


# Sites of the body sketch; "left" and "right" are the person's own.
SITES: tuple[Choice, ...] = (
    Choice("back-neck", "Neck, back"),
    *(
        Choice(f"back-{key}-{side}", f"{words}, {side}")
        for key, words in (
            ("shoulder", "Back of the shoulder"),
            ("upper", "Upper back, beside the shoulder blade"),
            ("middle", "Middle back, below the shoulder blade"),
            ("low", "Low back"),
            ("buttock", "Buttock"),
        )
        for side in ("left", "right")
    ),
    *(
        Choice(f"front-{key}-{side}", f"{words}, {side}")
        for key, words in (
            ("shoulder", "Front of the shoulder"),
            ("chest", "Chest"),
            ("ribs", "Lower ribs"),
            ("belly", "Belly"),
        )
        for side in ("left", "right")
    ),
    *(
        Choice(f"{key}-{side}", f"{words}, {side}")
        for key, words in (("arm", "Arm"), ("leg", "Leg"))
        for side in ("left", "right")
    ),
)


def words_for(choices: tuple[Choice, ...], key: str) -> str:
    """Return the words of ``key``, or the key itself if it is not (or no longer) one of ``choices``."""
    return next((c.words for c in choices if c.key == key), key)
