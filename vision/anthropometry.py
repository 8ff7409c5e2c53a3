"""Body proportions of a large measured group, for use as priors.

Every number was recomputed from the public files ``ANSUR_II_MALE_Public.csv`` (4,082 men) and
``ANSUR_II_FEMALE_Public.csv`` (1,986 women) of the 2012 U.S. Army anthropometric survey: Gordon CC et al.,
2012 Anthropometric Survey of U.S. Army Personnel, Technical Report NATICK/TR-15/007, 2014. Soldiers are not
the general population: widen these spreads before using them on patients. All lengths in millimetres,
taken standing.
"""

from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Spread:
    """Mean and standard deviation of a measure in a group."""

    mean: float
    sd: float

    @property
    def cv(self) -> float:
        """Coefficient of variation, SD over mean."""
        return self.sd / self.mean


@dataclass(frozen=True, slots=True)
class ShoulderRatio:
    """Biacromial breadth over another length.

    Attributes
    ----------
    ratio
        Mean and SD of each person's ratio.
    correlation
        Of the two lengths.

    """

    ratio: Spread
    correlation: float


@dataclass(frozen=True)
class Group:
    """Summary figures of one group of the survey.

    Attributes
    ----------
    n
        Number of people.
    lengths_mm
        Name to mean and SD; names as in the survey's report. Breadth between trochanters was not measured;
        hip breadth is the nearest.
    heights_mm
        Name to mean height above the floor.
    biacromial_over
        Name of the other length to the ratio of biacromial breadth over it.
    biacromial_from_stature
        Intercept (mm), slope and residual SD (mm) of the regression of biacromial breadth on stature.

    """

    n: int
    lengths_mm: MappingProxyType[str, Spread]
    heights_mm: MappingProxyType[str, float]
    biacromial_over: MappingProxyType[str, ShoulderRatio]
    biacromial_from_stature: tuple[float, float, float]


ANSUR_MEN = Group(
    n=4082,
    lengths_mm=MappingProxyType(
        {
            "stature": Spread(1756.2, 68.6),
            "biacromial_breadth": Spread(415.7, 19.2),
            "bideltoid_breadth": Spread(510.4, 32.5),
            "bicristal_breadth": Spread(275.4, 17.5),
            "hip_breadth": Spread(345.7, 24.2),
            "chest_breadth": Spread(289.4, 18.3),
            "chest_depth": Spread(253.8, 26.2),
            "head_breadth": Spread(154.3, 5.5),
            "acromion_to_trochanter": Spread(539.8, 33.4),
            "acromion_to_iliocristale": Spread(379.1, 26.5),
            "cervicale_to_trochanter": Spread(616.4, 31.8),
            "suprasternale_to_trochanter": Spread(537.7, 31.3),
        }
    ),
    heights_mm=MappingProxyType(
        {
            "acromion": 1440.7,
            "cervicale": 1517.3,
            "suprasternale": 1438.6,
            "iliocristale": 1061.6,
            "trochanterion": 900.9,
        }
    ),
    biacromial_over=MappingProxyType(
        {
            "stature": ShoulderRatio(Spread(0.2368, 0.0098), 0.53),
            "acromion_to_trochanter": ShoulderRatio(Spread(0.772, 0.051), 0.29),
            "acromion_to_iliocristale": ShoulderRatio(Spread(1.101, 0.081), 0.27),
            "cervicale_to_trochanter": ShoulderRatio(Spread(0.676, 0.037), 0.40),
            "suprasternale_to_trochanter": ShoulderRatio(Spread(0.775, 0.048), 0.35),
            "hip_breadth": ShoulderRatio(Spread(1.206, 0.075), 0.47),
            "bicristal_breadth": ShoulderRatio(Spread(1.513, 0.090), 0.46),
            "bideltoid_breadth": ShoulderRatio(Spread(0.816, 0.037), 0.70),
            "head_breadth": ShoulderRatio(Spread(2.696, 0.139), 0.23),
        }
    ),
    biacromial_from_stature=(154.6, 0.1486, 16.2),
)

ANSUR_WOMEN = Group(
    n=1986,
    lengths_mm=MappingProxyType(
        {
            "stature": Spread(1628.5, 64.2),
            "biacromial_breadth": Spread(365.3, 18.3),
            "bideltoid_breadth": Spread(450.3, 28.7),
            "bicristal_breadth": Spread(273.3, 22.3),
            "hip_breadth": Spread(353.8, 26.7),
            "chest_breadth": Spread(269.3, 18.6),
            "chest_depth": Spread(247.4, 27.3),
            "head_breadth": Spread(147.8, 5.2),
            "acromion_to_trochanter": Spread(489.7, 29.3),
            "acromion_to_iliocristale": Spread(339.4, 23.0),
            "cervicale_to_trochanter": Spread(550.3, 29.4),
            "suprasternale_to_trochanter": Spread(484.3, 27.3),
        }
    ),
    heights_mm=MappingProxyType(
        {
            "acromion": 1335.1,
            "cervicale": 1395.7,
            "suprasternale": 1329.7,
            "iliocristale": 995.7,
            "trochanterion": 845.4,
        }
    ),
    biacromial_over=MappingProxyType(
        {
            "stature": ShoulderRatio(Spread(0.2244, 0.0096), 0.57),
            "acromion_to_trochanter": ShoulderRatio(Spread(0.748, 0.050), 0.28),
            "acromion_to_iliocristale": ShoulderRatio(Spread(1.081, 0.086), 0.14),
            "cervicale_to_trochanter": ShoulderRatio(Spread(0.665, 0.038), 0.41),
            "suprasternale_to_trochanter": ShoulderRatio(Spread(0.756, 0.045), 0.37),
            "hip_breadth": ShoulderRatio(Spread(1.037, 0.079), 0.30),
            "bicristal_breadth": ShoulderRatio(Spread(1.344, 0.110), 0.30),
            "bideltoid_breadth": ShoulderRatio(Spread(0.813, 0.044), 0.56),
            "head_breadth": ShoulderRatio(Spread(2.475, 0.137), 0.19),
        }
    ),
    biacromial_from_stature=(102.8, 0.1612, 15.1),
)
