"""Where a statement comes from, shown beside it on every page."""

from dataclasses import dataclass
from enum import StrEnum


class Standing(StrEnum):
    """How well a statement is backed."""

    PUBLISHED = "published"
    PRACTICE = "common practice, no source"
    UNCONFIRMED = "from memory, to be confirmed locally"


@dataclass(frozen=True, slots=True)
class Source:
    """A source.

    Attributes
    ----------
    standing
        Whether it is published, common practice, or still to be confirmed.
    citation
        Authors, year, journal; empty unless published.

    """

    standing: Standing
    citation: str = ""

    def __str__(self) -> str:
        return self.citation or str(self.standing)


def published(citation: str) -> Source:
    """Return a published source."""
    return Source(Standing.PUBLISHED, citation)


PRACTICE = Source(Standing.PRACTICE)
UNCONFIRMED = Source(Standing.UNCONFIRMED)

FINUCANE = published("Finucane 2020, J Orthop Sports Phys Ther 50:350-372")
DOWNIE = published("Downie 2013, BMJ 347:f7095")
DEVON = published("NHS Devon, clinical referral guideline on thoracic spine pain")
BONE_EXERCISE = published("Too Fit To Fracture recommendations, table 4 (PMC5101068)")
HENEGHAN = published("Heneghan 2020, BMJ Open Sport Exerc Med 6:e000713")
SELF_STRETCH = published("Sports 2021, 9:159 (PMC8708179), crossover trial, n = 25")
FURNESS = published("Furness 2016, Phys Ther Sport 19:28-35")
JOHNSON = published("Johnson 2012, J Athl Train 47:52-60, doi 10.4085/1062-6050-47.1.52")
OGORMAN = published("O'Gorman & Jull 1987, Physiother Theory Pract 3:154-162")
BUCKE = published("Bucke 2017, J Athl Train 52:820-825")
ICHIKAWA = published("Ichikawa 2024, J Phys Ther Sci 36:95-101, doi 10.1589/jpts.36.95")
TRACTION_SESSION = published("AJPT 2023, 1(2) article 4, n = 20, no control group")
