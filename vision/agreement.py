"""How well repeated measurements agree: ICC, SEM, MDC, limits of agreement, and a practice's own study.

Every function is pure: arrays in, a frozen result out. Nothing is rounded. Quantities carry the unit of
the input (degrees here). "SEM" is the standard error of measurement, never the standard error of a mean.

Sources
-------
Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull 1979;86:420-428.
McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods 1996;1:30-46.
Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical measurement.
Lancet 1986;i:307-310.
Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res 1999;8:135-160.
Bland JM, Altman DG. Agreement between methods of measurement with multiple observations per individual.
J Biopharm Stat 2007;17:571-582.
Weir JP. Quantifying test-retest reliability using the intraclass correlation coefficient and the SEM.
J Strength Cond Res 2005;19:231-240.
Hopkins WG. Measures of reliability in sports medicine and science. Sports Med 2000;30:1-15.
Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics 1946;2:110-114.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from vision.arrays import FloatArray

CONFIDENCE = 0.95
Z90, Z95 = 1.645, 1.96  # rounded as in the literature, so that published figures come out


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence interval, ``low`` before ``high``, in the unit of the estimate."""

    low: float
    high: float


def _table(values: ArrayLike, what: str, min_columns: int = 2) -> FloatArray:
    table = np.asarray(values, dtype=float)
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] < min_columns:
        raise ValueError(
            f"{what} must have shape (n, k) with n of at least 2 and k of at least {min_columns}, not {table.shape}"
        )
    if not np.isfinite(table).all():
        raise ValueError(f"{what} must be complete: found a missing or infinite value")
    return table


# Intraclass correlation


class IccForm(StrEnum):
    """The six forms of Shrout and Fleiss (1979): model, then single rating or mean of the k ratings."""

    ONE_WAY_SINGLE = "ICC(1,1)"
    AGREEMENT_SINGLE = "ICC(2,1)"
    CONSISTENCY_SINGLE = "ICC(3,1)"
    ONE_WAY_MEAN = "ICC(1,k)"
    AGREEMENT_MEAN = "ICC(2,k)"
    CONSISTENCY_MEAN = "ICC(3,k)"


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of a table of n subjects by k raters.

    Attributes
    ----------
    subjects, raters, residual, within
        BMS, JMS, EMS and WMS of Shrout and Fleiss (1979).
    n, k
        Numbers of subjects and of raters.

    """

    subjects: float
    raters: float
    residual: float
    within: float
    n: int
    k: int


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """One form of the intraclass correlation with its confidence interval."""

    form: IccForm
    value: float
    interval: Interval
    confidence: float


def mean_squares(ratings: ArrayLike) -> MeanSquares:
    """Return the mean squares of the two-way table ``ratings``.

    Parameters
    ----------
    ratings
        Shape (n, k): one row a subject, one column a rater (or a day, or a trial).

    Raises
    ------
    ValueError
        If the table is smaller than 2 by 2 or has missing values.

    """
    table = _table(ratings, "ratings")
    n, k = table.shape
    grand = table.mean()
    between = k * float(((table.mean(axis=1) - grand) ** 2).sum())
    raters = n * float(((table.mean(axis=0) - grand) ** 2).sum())
    residuals = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0, keepdims=True) + grand
    error = float((residuals**2).sum())
    return MeanSquares(
        subjects=between / (n - 1),
        raters=raters / (k - 1),
        residual=error / ((n - 1) * (k - 1)),
        within=(raters + error) / (n * (k - 1)),
        n=n,
        k=k,
    )


def _mean_of(single: float, k: int) -> float:
    """Return the reliability of the mean of ``k`` ratings from that of one (Spearman-Brown)."""
    return k * single / (1 + (k - 1) * single)


def intraclass_correlations(
    ratings: ArrayLike, confidence: float = CONFIDENCE
) -> Mapping[IccForm, IntraclassCorrelation]:
    """Return the six intraclass correlations of Shrout and Fleiss (1979) with confidence intervals.

    For a retest or a comparison of raters the form to report is ``ICC(2,1)`` (absolute agreement), or
    ``ICC(2,k)`` if the value in use is the mean of the k ratings.

    Parameters
    ----------
    ratings
        Shape (n, k): one row a subject, one column a rater (or a day, or a trial).
    confidence
        Probability of the intervals. Exact F intervals for forms 1 and 3; for form 2 the approximation of
        McGraw and Wong (1996) with Satterthwaite's degrees of freedom.

    Raises
    ------
    ValueError
        If the table is smaller than 2 by 2, has missing values, or shows no variation to divide by.

    """
    ms = mean_squares(ratings)
    n, k = ms.n, ms.k
    if ms.residual == 0 or ms.within == 0:
        raise ValueError("the ratings agree perfectly: no error to estimate, so no interval can be given")
    upper = (1 + confidence) / 2

    def exact(form: IccForm, error: float, df_error: int) -> tuple[IntraclassCorrelation, IntraclassCorrelation]:
        ratio = ms.subjects / error
        low = ratio / float(stats.f.ppf(upper, n - 1, df_error))
        high = ratio * float(stats.f.ppf(upper, df_error, n - 1))
        mean_form = IccForm(form.replace(",1", ",k"))
        return (
            IntraclassCorrelation(
                form,
                (ratio - 1) / (ratio + k - 1),
                Interval((low - 1) / (low + k - 1), (high - 1) / (high + k - 1)),
                confidence,
            ),
            IntraclassCorrelation(mean_form, 1 - 1 / ratio, Interval(1 - 1 / low, 1 - 1 / high), confidence),
        )

    one_way = exact(IccForm.ONE_WAY_SINGLE, ms.within, n * (k - 1))
    consistency = exact(IccForm.CONSISTENCY_SINGLE, ms.residual, (n - 1) * (k - 1))

    value = (ms.subjects - ms.residual) / (ms.subjects + (k - 1) * ms.residual + k * (ms.raters - ms.residual) / n)
    fj = ms.raters / ms.residual
    weight = n * (1 + (k - 1) * value) - k * value
    df = (k - 1) * (n - 1) * (k * value * fj + weight) ** 2 / ((n - 1) * (k * value * fj) ** 2 + weight**2)
    f_low = float(stats.f.ppf(upper, n - 1, df))
    f_high = float(stats.f.ppf(upper, df, n - 1))
    spread = k * ms.raters + (k * n - k - n) * ms.residual
    low = n * (ms.subjects - f_low * ms.residual) / (f_low * spread + n * ms.subjects)
    high = n * (f_high * ms.subjects - ms.residual) / (spread + n * f_high * ms.subjects)
    agreement = (
        IntraclassCorrelation(IccForm.AGREEMENT_SINGLE, value, Interval(low, high), confidence),
        IntraclassCorrelation(
            IccForm.AGREEMENT_MEAN, _mean_of(value, k), Interval(_mean_of(low, k), _mean_of(high, k)), confidence
        ),
    )
    found = (*one_way, *agreement, *consistency)
    return {form: next(icc for icc in found if icc.form is form) for form in IccForm}


# Standard error of measurement and minimal detectable change


def sem_from_icc(sd: float, icc: float) -> float:
    """Return SEM = SD x sqrt(1 - ICC) (Weir 2005), in the unit of ``sd``.

    ``sd`` is the standard deviation between the people of the study that gave ``icc``. The SEM belongs to
    the kind of score the ICC is about: a single trial for a single-rating form, the mean for a mean form.

    Raises
    ------
    ValueError
        If ``sd`` is negative or ``icc`` is above 1.

    """
    if sd < 0 or icc > 1:
        raise ValueError(f"needs sd of at least 0 and icc of at most 1, not {sd} and {icc}")
    return sd * math.sqrt(1 - icc)


def smallest_detectable_deg(sem_deg: float, means: int = 2, z: float = Z95) -> float:
    """Return z x sqrt(means) x SEM: the smallest difference that exceeds measurement error.

    Also called minimal detectable change: MDC95, or MDC90 with :data:`Z90` (Weir 2005).

    Parameters
    ----------
    sem_deg
        Of each score that enters. It must belong to the score that is compared: the SEM of a mean of three
        trials is not divided by sqrt(3) again.
    means
        How many scores enter: 2 for left against right or for a retest of one side, 4 for the change of a
        left-right difference.
    z
        Multiplier of the normal distribution.

    Raises
    ------
    ValueError
        If ``sem_deg`` is negative.

    """
    if sem_deg < 0:
        raise ValueError(f"a standard error of measurement must not be negative, not {sem_deg}")
    return z * math.sqrt(means) * sem_deg


def reliability_of_difference(reliability_first: float, reliability_second: float, correlation: float) -> float:
    """Return the reliability of a difference of two scores of equal variance (classical test theory).

    ((r_xx + r_yy) / 2 - r_xy) / (1 - r_xy): two sides, each measured well, still give an unreliable
    difference when they go together from person to person (Lord and Novick 1968).

    Raises
    ------
    ValueError
        If the two scores correlate perfectly.

    """
    if correlation >= 1:
        raise ValueError("two perfectly correlated scores have no difference to be reliable about")
    return ((reliability_first + reliability_second) / 2 - correlation) / (1 - correlation)


@dataclass(frozen=True, slots=True)
class SideRatios:
    """Left against right as ratios, for readers used to them; never used for a decision.

    Attributes
    ----------
    smaller_over_larger_percent
        Smaller side over larger side.
    difference_over_mean_percent
        Absolute difference over the mean of the sides.
    symmetry_angle_percent
        (45 deg - arctan(right / left)) / 90 deg, positive when the left is larger.

    """

    smaller_over_larger_percent: float
    difference_over_mean_percent: float
    symmetry_angle_percent: float


def side_ratios(left: float, right: float) -> SideRatios:
    """Return three published ratios of two positive magnitudes in the same unit.

    Nine equations for such an index are in print (Bishop 2016, Strength Cond J), so each is named in full.

    Raises
    ------
    ValueError
        If a magnitude is not positive: a ratio then means nothing.

    """
    if min(left, right) <= 0:
        raise ValueError(f"ratios need two positive magnitudes, not {left} and {right}")
    return SideRatios(
        100 * min(left, right) / max(left, right),
        100 * abs(left - right) / ((left + right) / 2),
        100 * (45 - math.degrees(math.atan2(right, left))) / 90,
    )


# Limits of agreement


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias and limits of agreement of two methods, with their precision.

    Attributes
    ----------
    n
        Number of subjects.
    bias, sd
        Mean of first minus second; standard deviation of a single difference.
    low, high
        Limits, ``bias`` minus and plus ``multiplier`` times ``sd``.
    se_bias, se_limit
        Standard errors of the bias and of either limit.
    bias_interval, low_interval, high_interval
        Confidence intervals.
    multiplier, confidence
        What was asked for.

    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    se_bias: float
    se_limit: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval
    multiplier: float
    confidence: float


def _limits(
    n: int, bias: float, sd: float, se_bias: float, se_limit: float, multiplier: float, confidence: float
) -> LimitsOfAgreement:
    t = float(stats.t.ppf((1 + confidence) / 2, n - 1))
    low, high = bias - multiplier * sd, bias + multiplier * sd

    def around(value: float, se: float) -> Interval:
        return Interval(value - t * se, value + t * se)

    return LimitsOfAgreement(
        n=n,
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        se_bias=se_bias,
        se_limit=se_limit,
        bias_interval=around(bias, se_bias),
        low_interval=around(low, se_limit),
        high_interval=around(high, se_limit),
        multiplier=multiplier,
        confidence=confidence,
    )


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, multiplier: float = 1.96, confidence: float = CONFIDENCE
) -> LimitsOfAgreement:
    """Return Bland and Altman's bias and limits for one pair of measurements a subject.

    Parameters
    ----------
    first, second
        Shape (n,) each, paired by subject; differences are first minus second.
    multiplier
        Of the standard deviation: 1.96, or 2 as in the paper of 1986.
    confidence
        Of the intervals. The standard error of a limit is sqrt(3 s^2 / n), as in the paper of 1986.

    Raises
    ------
    ValueError
        If the arrays differ in length, are shorter than 2, or have missing values.

    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"first and second must have one equal shape (n,), not {a.shape} and {b.shape}")
    differences = _table((a - b)[:, None], "differences", min_columns=1)[:, 0]
    n = len(differences)
    sd = float(differences.std(ddof=1))
    return _limits(n, float(differences.mean()), sd, sd / math.sqrt(n), sd * math.sqrt(3 / n), multiplier, confidence)


def _replicates(groups: Sequence[ArrayLike], what: str) -> list[FloatArray]:
    arrays = [np.asarray(group, dtype=float) for group in groups]
    if len(arrays) < 2 or any(a.ndim != 1 or len(a) == 0 or not np.isfinite(a).all() for a in arrays):
        raise ValueError(f"{what} needs at least 2 subjects, each with a complete, non-empty list of measurements")
    return arrays


def _within_variance(groups: Sequence[FloatArray]) -> tuple[float, int]:
    """Return the pooled within-subject variance and its degrees of freedom."""
    df = sum(len(g) - 1 for g in groups)
    if df == 0:
        raise ValueError("needs at least one subject with two or more measurements")
    return sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / df, df


def limits_of_agreement_with_replicates(
    first: Sequence[ArrayLike],
    second: Sequence[ArrayLike],
    multiplier: float = 1.96,
    confidence: float = CONFIDENCE,
) -> LimitsOfAgreement:
    """Return limits of agreement for single measurements, from several by each method on each subject.

    For replicates that are not paired between the methods, while the true value of the subject stands
    still (Bland and Altman 1999, sections 5.1 and 5.2). The limits are for the difference between *one*
    measurement by each method; using the means of the replicates would give limits that are too narrow.

    Parameters
    ----------
    first, second
        One sequence a subject, in the same order; lengths may differ between subjects and methods.
    multiplier
        Of the standard deviation of a single difference.
    confidence
        Of the intervals; standard errors by the delta method on the three variance estimates, as in the
        paper, with n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        If the numbers of subjects differ, or no subject was measured twice by a method.

    """
    a, b = _replicates(first, "first"), _replicates(second, "second")
    if len(a) != len(b):
        raise ValueError(f"first and second must list the same subjects, not {len(a)} and {len(b)}")
    n = len(a)
    means = np.array([x.mean() - y.mean() for x, y in zip(a, b, strict=True)])
    bias = float(means.mean())
    variance_of_means = float(means.var(ddof=1))
    variance = variance_of_means
    variance_of_variance = 2 * variance_of_means**2 / (n - 1)
    for groups in (a, b):
        within, df = _within_variance(groups)
        share = 1 - float(np.mean([1 / len(g) for g in groups]))
        variance += share * within
        variance_of_variance += share**2 * 2 * within**2 / df
    se_bias = math.sqrt(variance_of_means / n)
    se_limit = math.sqrt(variance_of_means / n + multiplier**2 * variance_of_variance / (4 * variance))
    return _limits(n, bias, math.sqrt(variance), se_bias, se_limit, multiplier, confidence)


def limits_of_agreement_in_pairs(
    differences: Sequence[ArrayLike], multiplier: float = 1.96, confidence: float = CONFIDENCE
) -> LimitsOfAgreement:
    """Return limits of agreement from several *pairs* a subject, whose true value may change between pairs.

    One-way analysis of variance of the differences: between-subject plus within-subject variance (Bland and
    Altman 2007, section 3). The bias is the mean of all pairs.

    Parameters
    ----------
    differences
        One sequence a subject: first minus second of each pair; lengths may differ.
    multiplier
        Of the standard deviation of a single difference.
    confidence
        Of the intervals; standard errors by the delta method, with n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        If there are fewer than two subjects, or no subject has two pairs.

    """
    groups = _replicates(differences, "differences")
    n = len(groups)
    sizes = np.array([len(g) for g in groups], dtype=float)
    total = float(sizes.sum())
    within, df_within = _within_variance(groups)
    bias = float(np.concatenate(groups).mean())
    subject_means = np.array([g.mean() for g in groups])
    between_ms = float(sizes @ (subject_means - bias) ** 2) / (n - 1)
    effective_size = (total**2 - float(sizes @ sizes)) / ((n - 1) * total)
    between = max((between_ms - within) / effective_size, 0.0)
    variance = between + within
    # variance = MSB / m + (1 - 1/m) MSW, the two mean squares being independent
    variance_of_variance = (
        2 * (between_ms / effective_size) ** 2 / (n - 1) + 2 * ((1 - 1 / effective_size) * within) ** 2 / df_within
    )
    variance_of_bias = between * float(sizes @ sizes) / total**2 + within / total
    se_limit = math.sqrt(variance_of_bias + multiplier**2 * variance_of_variance / (4 * variance))
    return _limits(n, bias, math.sqrt(variance), math.sqrt(variance_of_bias), se_limit, multiplier, confidence)


@dataclass(frozen=True, slots=True)
class Trend:
    """Straight line of the differences over the means of two methods.

    Attributes
    ----------
    slope, slope_interval
        Change of the difference per unit of the mean; limits of agreement hold for the whole range only
        if the interval covers zero.
    p_value
        Of the slope being zero.

    """

    slope: float
    slope_interval: Interval
    p_value: float


def trend_of_differences(first: ArrayLike, second: ArrayLike, confidence: float = CONFIDENCE) -> Trend:
    """Return whether the difference between two methods grows with the size (Bland and Altman 1999, section 3).

    Raises
    ------
    ValueError
        If there are fewer than three pairs or all means are equal.

    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.ndim != 1 or a.shape != b.shape or len(a) < 3:
        raise ValueError(f"needs at least three pairs of equal shape (n,), not {a.shape} and {b.shape}")
    fit = stats.linregress((a + b) / 2, a - b)
    half = float(stats.t.ppf((1 + confidence) / 2, len(a) - 2)) * float(fit.stderr)
    slope = float(fit.slope)
    return Trend(slope, Interval(slope - half, slope + half), float(fit.pvalue))


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Within-subject standard deviation and repeatability coefficient of one method.

    Attributes
    ----------
    within_sd, within_sd_interval
        Standard deviation of repeated measurements on one subject, with its chi-square interval.
    coefficient
        1.96 x sqrt(2) x ``within_sd``: 95 % of pairs of measurements on one subject differ by less.
    coefficient_1986
        2 x sqrt(2) x ``within_sd``, the multiplier of the paper of 1986 (for two measurements a subject
        2 x sqrt(sum d^2 / n)).
    degrees_of_freedom
        Of ``within_sd``.

    """

    within_sd: float
    within_sd_interval: Interval
    coefficient: float
    coefficient_1986: float
    degrees_of_freedom: int


def _sd_interval(variance: float, df: float, confidence: float) -> Interval:
    """Return the chi-square interval of a standard deviation."""
    tail = (1 - confidence) / 2
    return Interval(
        math.sqrt(df * variance / float(stats.chi2.ppf(1 - tail, df))),
        math.sqrt(df * variance / float(stats.chi2.ppf(tail, df))),
    )


def repeatability(measurements: Sequence[ArrayLike], confidence: float = CONFIDENCE) -> Repeatability:
    """Return the repeatability of one method (Bland and Altman 1986; 1999, section 4).

    Parameters
    ----------
    measurements
        One sequence a subject, of measurements in unchanged conditions; lengths may differ. For two
        measurements a subject and no learning between them.
    confidence
        Of the interval.

    Raises
    ------
    ValueError
        If there are fewer than two subjects, or no subject was measured twice.

    """
    variance, df = _within_variance(_replicates(measurements, "measurements"))
    sd = math.sqrt(variance)
    return Repeatability(
        within_sd=sd,
        within_sd_interval=_sd_interval(variance, df, confidence),
        coefficient=smallest_detectable_deg(sd),
        coefficient_1986=2 * math.sqrt(2) * sd,
        degrees_of_freedom=df,
    )


@dataclass(frozen=True, slots=True)
class TypicalError:
    """Change of the mean and typical error between two sessions.

    Attributes
    ----------
    change, change_interval
        Mean of second minus first: learning, warm-up, or a shifted set-up.
    typical_error, typical_error_interval
        SD of the differences over sqrt(2): the SEM with the systematic change left out.
    n
        Number of people.

    """

    change: float
    change_interval: Interval
    typical_error: float
    typical_error_interval: Interval
    n: int


def typical_error(first: ArrayLike, second: ArrayLike, confidence: float = CONFIDENCE) -> TypicalError:
    """Return the typical error of a retest (Hopkins 2000; SEM = SD of differences / sqrt(2)).

    Parameters
    ----------
    first, second
        Shape (n,) each, paired by person: the scores as used (for example means of three trials).
    confidence
        Of the intervals.

    Raises
    ------
    ValueError
        If the arrays differ in length, are shorter than 2, or have missing values.

    """
    limits = limits_of_agreement(second, first, confidence=confidence)
    interval = _sd_interval(limits.sd**2 / 2, limits.n - 1, confidence)
    return TypicalError(limits.bias, limits.bias_interval, limits.sd / math.sqrt(2), interval, limits.n)


# A practice's own study: people x raters x days x trials


@dataclass(frozen=True, slots=True)
class StudyRecord:
    """One measured trial of an agreement study.

    Attributes
    ----------
    person
        Whom it was measured on. Take one side of each person, or treat each side as a study of its own:
        the two sides of one body are not two people.
    rater, day
        Who measured; which day (1, 2, ...) of that person.
    angle_deg
        The reading.

    """

    person: str
    rater: str
    day: int
    angle_deg: float


@dataclass(frozen=True, slots=True)
class StandardError:
    """A standard error of measurement in degrees, with what it is valid for.

    Attributes
    ----------
    sem_deg, interval_deg
        Estimate and confidence interval (Satterthwaite's chi-square).
    degrees_of_freedom
        Satterthwaite's.
    mdc90_deg, mdc95_deg
        Minimal detectable changes that follow from it.
    trials
        Number of trials in the mean it belongs to.
    same_rater, same_day
        Whether the two compared scores come from one rater, and from one day.

    """

    sem_deg: float
    interval_deg: Interval
    degrees_of_freedom: float
    mdc90_deg: float
    mdc95_deg: float
    trials: int
    same_rater: bool
    same_day: bool


@dataclass(frozen=True, slots=True)
class _Effect:
    """Mean square of one effect of the balanced analysis of variance."""

    mean_square: float
    df: int


_PERSON, _RATER, _DAY = "person", "rater", "day"
_EffectName = frozenset[str]
_TRIAL: _EffectName = frozenset()  # the residual: trials within person, rater and day


@dataclass(frozen=True)
class AgreementStudy:
    """Variance components of a balanced study of people x raters x days x trials, all effects random.

    Attributes
    ----------
    people, raters, days, trials
        Numbers of levels.
    mean_deg
        Mean of all readings.
    components_deg2
        Variance of each source, by a name such as ``person``, ``rater``, ``person x day``, ``trial``;
        a negative estimate is given as 0. With one trial, ``trial`` holds what cannot be told apart from it.
    people_left_out
        People whose readings were incomplete.

    """

    people: int
    raters: int
    days: int
    trials: int
    mean_deg: float
    components_deg2: Mapping[str, float]
    people_left_out: tuple[str, ...]
    _effects: Mapping[_EffectName, _Effect]
    _weights: Mapping[_EffectName, Mapping[_EffectName, float]]

    def standard_error(
        self, trials: int, same_rater: bool = True, same_day: bool = False, confidence: float = CONFIDENCE
    ) -> StandardError:
        """Return the SEM of the mean of ``trials`` trials, for the comparison described.

        What differs between the two compared scores counts as error: always the trials; unless ``same_day``
        all that varies with the day; unless ``same_rater`` all that varies with the rater. A side
        difference within one round is ``same_rater, same_day``; a retest by one's own hand on another day
        is ``same_rater`` only.

        Raises
        ------
        ValueError
            If ``trials`` is below 1, or the study cannot tell: it had one day or one rater and the comparison
            is across days or raters, or one trial and the mean of several is asked for.

        """
        if trials < 1:
            raise ValueError(f"needs at least one trial, not {trials}")
        if not same_rater and self.raters == 1:
            raise ValueError("the study had one rater: it cannot tell how two raters differ")
        if not same_day and self.days == 1:
            raise ValueError("the study had one day: it cannot tell how two days differ")
        if trials > 1 and self.trials == 1:
            raise ValueError("the study had one trial a day: it cannot tell how far the mean of several improves")
        varying = ({_DAY} if not same_day else set()) | ({_RATER} if not same_rater else set())
        variance = 0.0
        on_mean_squares: dict[_EffectName, float] = defaultdict(float)
        for effect, weights in self._weights.items():
            if effect == _TRIAL:
                share = 1 / trials
            elif effect & varying:
                share = 1.0
            else:
                continue
            variance += share * self.components_deg2[_effect_label(effect)]
            for source, weight in weights.items():
                on_mean_squares[source] += share * weight
        terms = [(w * self._effects[e].mean_square, self._effects[e].df) for e, w in on_mean_squares.items()]
        spread = sum(term**2 / df for term, df in terms)
        # those of the estimate before negative components are set to 0; below 1 the approximation breaks down
        df = max(sum(term for term, _ in terms) ** 2 / spread, 1.0) if spread > 0 else 1.0
        sem = math.sqrt(variance)
        return StandardError(
            sem_deg=sem,
            interval_deg=_sd_interval(variance, df, confidence),
            degrees_of_freedom=df,
            mdc90_deg=smallest_detectable_deg(sem, z=Z90),
            mdc95_deg=smallest_detectable_deg(sem),
            trials=trials,
            same_rater=same_rater,
            same_day=same_day,
        )


def _effect_label(effect: _EffectName) -> str:
    return " x ".join(f for f in (_PERSON, _RATER, _DAY) if f in effect) or "trial"


def _subsets(factors: Sequence[str]) -> Iterable[_EffectName]:
    for size in range(1, len(factors) + 1):
        for chosen in combinations(factors, size):
            yield frozenset(chosen)


def agreement_study(angles_deg: ArrayLike, people_left_out: Sequence[str] = ()) -> AgreementStudy:
    """Return the variance components of a balanced study by random-effects analysis of variance.

    Parameters
    ----------
    angles_deg
        Shape (people, raters, days, trials), degrees, complete. Raters, days and trials may be 1; at least
        one of them must be more.
    people_left_out
        Names to carry into the result.

    Returns
    -------
    AgreementStudy
        Components by equating mean squares to their expectations (Shavelson and Webb, Generalizability
        Theory, 1991, chapter 3), negative ones set to 0.

    Raises
    ------
    ValueError
        If the shape is wrong, a value is missing, there are fewer than two people, or nothing is repeated.

    """
    data = np.asarray(angles_deg, dtype=float)
    if data.ndim != 4 or data.shape[0] < 2 or min(data.shape) < 1:
        raise ValueError(
            f"angles must have shape (people, raters, days, trials) with at least two people, not {data.shape}"
        )
    if not np.isfinite(data).all():
        raise ValueError("angles must be complete: found a missing or infinite value")
    if data[0].size == 1:
        raise ValueError("nothing is repeated: measure each person more than once")
    trials = data.shape[3]
    axes = {_PERSON: 0, _RATER: 1, _DAY: 2}
    factors = [f for f in axes if data.shape[axes[f]] > 1]
    levels = {f: data.shape[axes[f]] for f in factors}
    whole = frozenset(factors)

    effects: dict[_EffectName, _Effect] = {}
    deviations: dict[_EffectName, FloatArray] = {_TRIAL: np.asarray(data.mean())}
    for effect in _subsets(factors):
        others = (*(axis for f, axis in axes.items() if f not in effect), 3)
        deviation = data.mean(axis=others, keepdims=True)
        for smaller, values in deviations.items():
            if smaller < effect:
                deviation = deviation - values
        deviations[effect] = deviation
        df = math.prod(levels[f] - 1 for f in effect)
        effects[effect] = _Effect(float((deviation**2).sum()) * data.size / deviation.size / df, df)
    if trials > 1:
        within = data - data.mean(axis=3, keepdims=True)
        effects[_TRIAL] = _Effect(
            float((within**2).sum()) / (data.size - data.size // trials), data.size - data.size // trials
        )
    else:  # a single trial: the highest interaction cannot be told from it
        effects[_TRIAL] = effects.pop(whole)

    weights: dict[_EffectName, dict[_EffectName, float]] = {_TRIAL: {_TRIAL: 1.0}}
    for effect in effects:
        if effect == _TRIAL:
            continue
        repeats = trials * math.prod(levels[f] for f in factors if f not in effect)
        combination: dict[_EffectName, float] = defaultdict(float)
        # E[MS of an effect] sums n x variance over every effect that contains it: invert by inclusion-exclusion
        for larger in _subsets(factors):
            if larger >= effect:
                source = larger if larger in effects else _TRIAL
                combination[source] += (-1) ** (len(larger) - len(effect)) / repeats
        if trials > 1 and effect == whole:  # in the other sums the variance of a trial cancels
            combination[_TRIAL] -= 1 / repeats
        weights[effect] = dict(combination)
    components = {
        _effect_label(effect): max(sum(w * effects[source].mean_square for source, w in by.items()), 0.0)
        for effect, by in weights.items()
    }
    return AgreementStudy(
        people=data.shape[0],
        raters=data.shape[1],
        days=data.shape[2],
        trials=trials,
        mean_deg=float(data.mean()),
        components_deg2=components,
        people_left_out=tuple(people_left_out),
        _effects=effects,
        _weights=weights,
    )


def agreement_study_from_records(records: Iterable[StudyRecord], trials: int = 3) -> AgreementStudy:
    """Return the study that a list of readings makes, leaving out people with incomplete readings.

    Parameters
    ----------
    records
        In the order in which they were taken.
    trials
        Planned trials for each person, rater and day; later ones are not used.

    Raises
    ------
    ValueError
        If fewer than two people have at least ``trials`` readings by every rater on every day.

    """
    cells: dict[tuple[str, str, int], list[float]] = defaultdict(list)
    for record in records:
        cells[record.person, record.rater, record.day].append(record.angle_deg)
    people = sorted({person for person, _, _ in cells})
    raters = sorted({rater for _, rater, _ in cells})
    days = sorted({day for _, _, day in cells})

    def is_complete(person: str) -> bool:
        return all(len(cells.get((person, rater, day), ())) >= trials for rater in raters for day in days)

    complete = [person for person in people if is_complete(person)]
    if len(complete) < 2:
        raise ValueError(
            f"only {len(complete)} of {len(people)} people have {trials} trials by every rater on every day; "
            "at least two are needed"
        )
    table = [[[cells[p, r, d][:trials] for d in days] for r in raters] for p in complete]
    return agreement_study(table, [person for person in people if person not in complete])
