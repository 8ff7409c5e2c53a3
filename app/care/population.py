"""What has been published about groups of people: context for one person's angle, never a target."""

from dataclasses import dataclass

from app.care.sources import BUCKE, FURNESS, ICHIKAWA, OGORMAN, Source, published


@dataclass(frozen=True, slots=True)
class GroupMean:
    """The published mean of one group.

    Attributes
    ----------
    mean_deg
        Mean rotation a side, degrees.
    who
        The group, with its size.
    source
        Where it was published.

    """

    mean_deg: float
    who: str
    source: Source


GROUP_MEANS: tuple[GroupMean, ...] = (
    GroupMean(40.80, "about 15 adults who do no rotation sport, 26 to 32 years", FURNESS),
    GroupMean(
        44.76,
        "46 healthy adults, mean age 24 years",
        published("Johnson 2012, J Athl Train 47:52-60, as quoted by a later report"),
    ),
    GroupMean(63.57, "15 elite surfers, 22 to 31 years (left 63.06, right 64.01)", FURNESS),
)
CONTEXT = (
    "Group means were taken with a contact instrument, so a photo's degrees are not the same degrees. They show how "
    "widely healthy people differ. They are not a target: the test is read for one side against the other."
)
AGE = "Rotation falls with age (women in their third to eighth decade)."
AGE_SOURCE: Source = OGORMAN
WHAT_IS_MEASURED = (
    "The angle is how far the shoulder line turns against the pelvis in this position. It is more than the thoracic "
    "spine alone turns: the shoulder blades move the line by several degrees."
)
WHAT_IS_MEASURED_SOURCES: tuple[Source, ...] = (ICHIKAWA, BUCKE)
