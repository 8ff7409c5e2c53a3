"""Agreement statistics against published worked examples and recomputed references.

"Published" values stand in print. "Recomputed" values were computed from the published data by an
independent script; where the paper prints a figure that could not be read again, it is not asserted.
"""

import warnings

import numpy as np
import pytest

from tests.published.worked_examples import (
    CARDIAC_OUTPUT_PAIRS,
    LARGE_METER_FIRST,
    LARGE_METER_SECOND,
    MINI_METER_FIRST,
    MINI_METER_SECOND,
    SHROUT_FLEISS_1979,
)
from vision import agreement
from vision.agreement import IccForm


def printed(value: float, decimals: int) -> object:
    """Equal to a figure printed with so many decimals."""
    return pytest.approx(value, abs=0.5 * 10**-decimals + 1e-9)


@pytest.mark.parametrize(
    ("form", "value"),
    [
        (IccForm.ONE_WAY_SINGLE, 0.17),
        (IccForm.AGREEMENT_SINGLE, 0.29),
        (IccForm.CONSISTENCY_SINGLE, 0.71),
        (IccForm.ONE_WAY_MEAN, 0.44),
        (IccForm.AGREEMENT_MEAN, 0.62),
        (IccForm.CONSISTENCY_MEAN, 0.91),
    ],
)
def test_icc_equals_shrout_and_fleiss_1979_table_4(form: IccForm, value: float):
    """Published: Psychol Bull 1979;86:420-428."""
    assert agreement.intraclass_correlations(SHROUT_FLEISS_1979)[form].value == printed(value, 2)


def test_mean_squares_of_shrout_and_fleiss_data():
    """Recomputed from the published data."""
    ms = agreement.mean_squares(SHROUT_FLEISS_1979)
    assert (ms.subjects, ms.raters, ms.residual, ms.within) == (
        printed(11.2417, 4),
        printed(32.4861, 4),
        printed(1.0194, 4),
        printed(6.2639, 4),
    )


@pytest.mark.parametrize(
    ("form", "value", "low", "high"),
    [
        (IccForm.ONE_WAY_SINGLE, 0.1657, -0.133, 0.723),
        (IccForm.AGREEMENT_SINGLE, 0.2898, 0.019, 0.761),
        (IccForm.CONSISTENCY_SINGLE, 0.7148, 0.342, 0.946),
        (IccForm.ONE_WAY_MEAN, 0.4428, -0.884, 0.912),
        (IccForm.AGREEMENT_MEAN, 0.6201, 0.071, 0.927),
        (IccForm.CONSISTENCY_MEAN, 0.9093, 0.676, 0.986),
    ],
)
def test_icc_intervals_of_shrout_and_fleiss_data(form: IccForm, value: float, low: float, high: float):
    """Recomputed: F intervals; McGraw and Wong 1996 with Satterthwaite's degrees of freedom for form 2."""
    icc = agreement.intraclass_correlations(SHROUT_FLEISS_1979)[form]
    assert icc.value == printed(value, 4)
    assert (icc.interval.low, icc.interval.high) == (printed(low, 3), printed(high, 3))


@pytest.mark.parametrize("seed", range(3))
def test_icc_agrees_with_a_reference_library(seed: int):
    """Reference: pingouin's intraclass_corr (its intervals come rounded to two decimals)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the libraries that it imports
        pandas = pytest.importorskip("pandas")
        pingouin = pytest.importorskip("pingouin")
    rng = np.random.default_rng(seed)
    ratings = 45 + 8 * rng.normal(size=(12, 1)) + 2 * rng.normal(size=(1, 3)) + 3 * rng.normal(size=(12, 3))
    n, k = ratings.shape
    long = pandas.DataFrame({"person": np.repeat(range(n), k), "rater": np.tile(range(k), n), "angle": ratings.ravel()})
    table = pingouin.intraclass_corr(long, targets="person", raters="rater", ratings="angle")
    ours = agreement.intraclass_correlations(ratings)
    order = ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]
    interval = next(c for c in table.columns if c.startswith("CI95"))
    for form, icc, (low, high) in zip(order, table["ICC"], table[interval], strict=True):
        found = ours[IccForm(form)]
        assert found.value == pytest.approx(icc, abs=1e-9)
        assert (found.interval.low, found.interval.high) == (printed(low, 2), printed(high, 2))


def test_bias_and_sd_of_the_two_flow_meters():
    """Recomputed from the data of Bland and Altman 1986."""
    limits = agreement.limits_of_agreement(LARGE_METER_FIRST, MINI_METER_FIRST)
    assert (limits.n, limits.bias, limits.sd) == (17, printed(-2.1176, 4), printed(38.7651, 4))
    assert np.corrcoef(LARGE_METER_FIRST, MINI_METER_FIRST)[0, 1] == printed(0.9433, 4)


@pytest.mark.parametrize(("multiplier", "low", "high"), [(2, -79.65, 75.41), (1.96, -78.10, 73.86)])
def test_limits_of_agreement_of_the_two_flow_meters(multiplier: float, low: float, high: float):
    """Recomputed from the data of Bland and Altman 1986, who used 2 SD."""
    limits = agreement.limits_of_agreement(LARGE_METER_FIRST, MINI_METER_FIRST, multiplier)
    assert (limits.low, limits.high) == (printed(low, 2), printed(high, 2))


def test_precision_of_the_limits_of_the_two_flow_meters():
    """Recomputed by the formulas of Bland and Altman 1986: SE of a limit sqrt(3 s^2 / n), Student's t."""
    limits = agreement.limits_of_agreement(LARGE_METER_FIRST, MINI_METER_FIRST, multiplier=2)
    assert (limits.se_bias, limits.se_limit) == (printed(9.40, 2), printed(16.28, 2))
    assert (limits.bias_interval.low, limits.bias_interval.high) == (printed(-22.05, 2), printed(17.81, 2))
    assert (limits.low_interval.low, limits.low_interval.high) == (printed(-114.2, 1), printed(-45.1, 1))
    assert (limits.high_interval.low, limits.high_interval.high) == (printed(40.9, 1), printed(109.9, 1))


@pytest.mark.parametrize(
    ("first", "second", "coefficient_1986", "within_sd", "coefficient", "icc"),
    [
        (LARGE_METER_FIRST, LARGE_METER_SECOND, 43.29, 15.307, 42.43, 0.9832),
        (MINI_METER_FIRST, MINI_METER_SECOND, 56.32, 19.911, 55.19, 0.9685),
    ],
    ids=["large meter", "mini meter"],
)
def test_repeatability_of_the_flow_meters(
    first: tuple[int, ...],
    second: tuple[int, ...],
    coefficient_1986: float,
    within_sd: float,
    coefficient: float,
    icc: float,
):
    """Recomputed from the data of Bland and Altman 1986."""
    pairs = list(zip(first, second, strict=True))
    found = agreement.repeatability(pairs)
    assert found.coefficient_1986 == printed(coefficient_1986, 2)
    assert found.within_sd == printed(within_sd, 3)
    assert found.coefficient == printed(coefficient, 2)
    assert agreement.intraclass_correlations(pairs)[IccForm.AGREEMENT_SINGLE].value == printed(icc, 4)


RV = [[rv for rv, _ in pairs] for pairs in CARDIAC_OUTPUT_PAIRS]
IC = [[ic for _, ic in pairs] for pairs in CARDIAC_OUTPUT_PAIRS]


def test_within_subject_variances_of_bland_and_altman_1999():
    """Published (section 5.2): 0.1072 and 0.1379."""
    assert agreement.repeatability(RV).within_sd ** 2 == printed(0.1072, 4)
    assert agreement.repeatability(IC).within_sd ** 2 == printed(0.1379, 4)


def test_limits_from_unequal_replicates_equal_bland_and_altman_1999():
    """Published (section 5.2): bias 0.7092, SD 1.0517, limits -1.3521 to 2.7705.

    The paper went on from variances rounded to four decimals, so its last digit differs from a computation
    without rounding by up to 4.
    """
    limits = agreement.limits_of_agreement_with_replicates(RV, IC)
    assert limits.bias == printed(0.7092, 4)
    assert limits.sd == pytest.approx(1.0517, abs=4e-4)
    assert (limits.low, limits.high) == (pytest.approx(-1.3521, abs=4e-4), pytest.approx(2.7705, abs=4e-4))


def test_limits_from_replicated_pairs_equal_bland_and_altman_2007():
    """Published (section 3): bias 0.6021667, SD 0.99062408, limits -1.3394565 to 2.5437899."""
    limits = agreement.limits_of_agreement_in_pairs([[a - b for a, b in pairs] for pairs in CARDIAC_OUTPUT_PAIRS])
    assert limits.bias == printed(0.6021667, 7)
    assert limits.sd == printed(0.99062408, 7)
    assert (limits.low, limits.high) == (pytest.approx(-1.3394565, abs=2e-7), pytest.approx(2.5437899, abs=2e-7))


def test_sem_from_icc():
    """Recomputed: SD x sqrt(1 - ICC); the formula is Weir 2005's."""
    assert agreement.sem_from_icc(8, 0.90) == printed(2.530, 3)
    assert agreement.sem_from_icc(10, 0.85) == printed(3.873, 3)


def test_published_mdc_of_the_contact_method_follows_from_its_published_sem():
    """Published: Johnson 2012, J Athl Train 47:52-60, SEM 1.4 to 2.0 with MDC 3.9 to 5.6 deg.

    The SEMs are printed with one decimal, so the MDC that follows is known to half a digit of SEM.
    """
    half_digit = agreement.smallest_detectable_deg(0.05)
    for sem, mdc in ((1.4, 3.9), (2.0, 5.6), (2.3, 6.3), (1.0, 2.8)):
        assert agreement.smallest_detectable_deg(sem) == pytest.approx(mdc, abs=half_digit)


def test_limits_of_the_phone_against_ultrasound_tracking_in_heel_sit():
    """Published both ways: bias 4.94, limits +-14.29, that is -9.35 to 19.23 deg (Bucke 2017, n = 23)."""
    rng = np.random.default_rng(0)
    noise = rng.normal(size=23)
    differences = 4.94 + (noise - noise.mean()) / noise.std(ddof=1) * 14.29 / 1.96
    limits = agreement.limits_of_agreement(differences, np.zeros(23))
    assert (limits.low, limits.high) == (printed(-9.35, 2), printed(19.23, 2))


def test_ratios_of_left_50_and_right_45():
    """Recomputed from the formulas named in the docstring."""
    ratios = agreement.side_ratios(50, 45)
    assert ratios.smaller_over_larger_percent == printed(90.0, 1)
    assert ratios.difference_over_mean_percent == printed(10.53, 2)
    assert ratios.symmetry_angle_percent == printed(3.35, 2)


def test_two_reliable_sides_give_an_unreliable_difference():
    """Recomputed: reliabilities .90 and .90, correlation .80 give .50 (classical test theory)."""
    assert agreement.reliability_of_difference(0.90, 0.90, 0.80) == pytest.approx(0.50)
