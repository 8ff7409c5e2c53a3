"""The table of body proportions against itself: lengths, differences of heights and ratios must fit together.

Source of all figures: ANSUR II public files, 4,082 men and 1,986 women (NATICK/TR-15/007, 2014).
"""

import math

import pytest

from vision import torso
from vision.anthropometry import ANSUR_MEN, ANSUR_WOMEN, Group, Spread

GROUPS = pytest.mark.parametrize("group", [ANSUR_MEN, ANSUR_WOMEN], ids=["men", "women"])


def test_biacromial_breadth_is_the_surveys():
    """Recomputed from the public files: 415.7 +- 19.2 mm (n 4082) and 365.3 +- 18.3 mm (n 1986)."""
    men, women = (g.lengths_mm["biacromial_breadth"] for g in (ANSUR_MEN, ANSUR_WOMEN))
    assert (ANSUR_MEN.n, men.mean, men.sd) == (4082, 415.7, 19.2)
    assert (ANSUR_WOMEN.n, women.mean, women.sd) == (1986, 365.3, 18.3)


@GROUPS
@pytest.mark.parametrize(
    ("length", "upper", "lower"),
    [
        ("acromion_to_trochanter", "acromion", "trochanterion"),
        ("acromion_to_iliocristale", "acromion", "iliocristale"),
        ("cervicale_to_trochanter", "cervicale", "trochanterion"),
        ("suprasternale_to_trochanter", "suprasternale", "trochanterion"),
    ],
)
def test_a_trunk_length_is_the_difference_of_its_two_heights(group: Group, length: str, upper: str, lower: str):
    difference = group.heights_mm[upper] - group.heights_mm[lower]
    assert group.lengths_mm[length].mean == pytest.approx(difference, abs=0.15)  # three figures rounded to 0.1


@GROUPS
def test_each_ratio_follows_from_its_two_lengths_and_their_correlation(group: Group):
    breadth = group.lengths_mm["biacromial_breadth"]
    for name, row in group.biacromial_over.items():
        other = group.lengths_mm[name]
        mixed = row.correlation * breadth.cv * other.cv
        # mean and SD of a ratio, second order and first order (Stuart and Ord, Kendall's Advanced Theory)
        mean = breadth.mean / other.mean * (1 + other.cv**2 - mixed)
        cv = math.sqrt(breadth.cv**2 + other.cv**2 - 2 * mixed)
        assert row.ratio.mean == pytest.approx(mean, rel=2e-3), name
        assert row.ratio.cv == pytest.approx(cv, rel=0.03), name


@GROUPS
def test_the_regression_on_stature_passes_through_the_means(group: Group):
    intercept, slope, residual_sd = group.biacromial_from_stature
    breadth, stature = group.lengths_mm["biacromial_breadth"], group.lengths_mm["stature"]
    assert intercept + slope * stature.mean == pytest.approx(breadth.mean, abs=0.2)
    correlation = group.biacromial_over["stature"].correlation
    assert slope == pytest.approx(correlation * breadth.sd / stature.sd, rel=0.02)
    assert residual_sd == pytest.approx(breadth.sd * math.sqrt(1 - correlation**2), rel=0.02)


def both_sexes(name: str) -> Spread:
    """Mean and SD of as many men as women."""
    men, women = (g.lengths_mm[name] for g in (ANSUR_MEN, ANSUR_WOMEN))
    variance = (men.sd**2 + women.sd**2) / 2 + ((men.mean - women.mean) / 2) ** 2
    return Spread((men.mean + women.mean) / 2, math.sqrt(variance))


def test_the_torso_s_prior_of_the_breadth_is_the_survey_s():
    """Men and women in equal parts; of the ratio, the mean over both sexes less what bending and leaning take off."""
    breadth, trunk = both_sexes("biacromial_breadth"), both_sexes("acromion_to_trochanter")
    assert pytest.approx(breadth.mean, abs=0.1) == torso.BREADTH_MM
    assert pytest.approx(breadth.sd, rel=0.02) == torso.BREADTH_MM_SD
    assert pytest.approx(trunk.mean, abs=0.1) == torso.TRUNK_MM
    assert pytest.approx(trunk.sd, rel=0.02) == torso.TRUNK_MM_SD
    within = [
        g.biacromial_over["acromion_to_trochanter"].correlation
        * g.lengths_mm["biacromial_breadth"].sd
        * g.lengths_mm["acromion_to_trochanter"].sd
        for g in (ANSUR_MEN, ANSUR_WOMEN)
    ]
    men, women = ANSUR_MEN.lengths_mm, ANSUR_WOMEN.lengths_mm
    between = math.prod((men[n].mean - women[n].mean) / 2 for n in ("biacromial_breadth", "acromion_to_trochanter"))
    assert pytest.approx((sum(within) / 2 + between) / (breadth.sd * trunk.sd), abs=0.02) == torso.BREADTH_TRUNK_R
    ratios = [g.biacromial_over["acromion_to_trochanter"].ratio.mean for g in (ANSUR_MEN, ANSUR_WOMEN)]
    assert pytest.approx(sum(ratios) / 2, abs=0.01) == torso.BREADTH_MEAN
