"""Properties of the agreement statistics that no published table shows."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from vision import agreement
from vision.agreement import IccForm, StudyRecord

RATINGS = arrays(float, (6, 3), elements=st.floats(-90, 90).map(lambda v: round(v, 2)))


def varied(table: np.ndarray) -> bool:
    ms = agreement.mean_squares(table)
    return min(ms.residual, ms.within, ms.subjects) > 1e-3


@given(RATINGS.filter(varied), st.floats(-50, 50), st.floats(0.5, 4))
def test_icc_does_not_depend_on_the_zero_or_the_unit(table: np.ndarray, shift: float, scale: float):
    plain, moved = (agreement.intraclass_correlations(t) for t in (table, table * scale + shift))
    for form in IccForm:
        assert moved[form].value == pytest.approx(plain[form].value, abs=1e-6)


@given(RATINGS.filter(varied))
def test_an_icc_lies_in_its_own_interval_when_people_differ_more_than_chance(table: np.ndarray):
    for form, icc in agreement.intraclass_correlations(table).items():
        if form in (IccForm.ONE_WAY_SINGLE, IccForm.CONSISTENCY_SINGLE):
            assert icc.interval.low <= icc.value <= icc.interval.high <= 1


@pytest.mark.parametrize("table", [[[1, 2]], [1, 2, 3], [[1], [2]], [[1, float("nan")], [2, 3]]])
def test_an_unusable_table_is_refused_with_what_is_wanted(table: list):
    with pytest.raises(ValueError, match="must"):
        agreement.mean_squares(table)


def test_perfect_agreement_has_no_interval():
    with pytest.raises(ValueError, match="agree perfectly"):
        agreement.intraclass_correlations([[1, 1], [2, 2], [3, 3]])


@given(st.floats(0, 20))
def test_mdc95_is_wider_than_mdc90(sem: float):
    assert agreement.smallest_detectable_deg(sem, z=agreement.Z90) <= agreement.smallest_detectable_deg(sem)


def test_swapping_the_methods_mirrors_the_limits():
    a, b = np.array([40.0, 45, 51, 60]), np.array([42.0, 44, 55, 61])
    one, other = agreement.limits_of_agreement(a, b), agreement.limits_of_agreement(b, a)
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low))


def test_one_measurement_each_gives_the_plain_limits():
    a, b = np.array([40.0, 45, 51, 60]), np.array([42.0, 44, 55, 61])
    plain = agreement.limits_of_agreement(a, b)
    # the first subject has replicates that agree exactly, so they add no variance
    replicated = agreement.limits_of_agreement_with_replicates(
        [[40, 40], *([v] for v in a[1:])], [[42, 42], *([v] for v in b[1:])]
    )
    assert (replicated.bias, replicated.sd) == pytest.approx((plain.bias, plain.sd))


def test_limits_of_replicates_cover_single_differences_where_limits_of_means_do_not():
    rng = np.random.default_rng(5)
    truth = rng.normal(45, 10, size=200)
    first = truth[:, None] + rng.normal(0, 4, size=(200, 3))
    second = truth[:, None] + 2 + rng.normal(0, 4, size=(200, 3))
    right = agreement.limits_of_agreement_with_replicates(list(first), list(second))
    narrow = agreement.limits_of_agreement(first.mean(axis=1), second.mean(axis=1))
    assert right.sd == pytest.approx(4 * np.sqrt(2), rel=0.1)
    assert narrow.sd == pytest.approx(4 * np.sqrt(2 / 3), rel=0.1)


@pytest.mark.parametrize("paired", [False, True])
def test_the_interval_of_a_limit_covers_the_true_limit_about_as_often_as_it_says(paired: bool):
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(300):
        truth = rng.normal(45, 10, size=(25, 1))
        first = truth + rng.normal(0, 3, size=(25, 3)) + rng.normal(0, 2, size=(25, 1))
        second = truth + rng.normal(0, 3, size=(25, 3))
        limits = (
            agreement.limits_of_agreement_in_pairs(list(first - second))
            if paired
            else agreement.limits_of_agreement_with_replicates(list(first), list(second))
        )
        covered += limits.high_interval.low <= 1.96 * np.sqrt(9 + 9 + 4) <= limits.high_interval.high
    assert 0.91 <= covered / 300 <= 0.99


def test_a_difference_that_grows_with_size_shows_as_a_trend():
    size = np.linspace(20, 70, 30)
    noise = np.random.default_rng(2).normal(0, 1, size=30)
    growing = agreement.trend_of_differences(size * 1.1 + noise, size)
    steady = agreement.trend_of_differences(size + 3 + noise, size)
    assert growing.slope_interval.low > 0
    assert steady.slope_interval.low < 0 < steady.slope_interval.high


def test_typical_error_leaves_the_common_change_out():
    before = np.array([40.0, 44, 52, 39, 47])
    noise = np.array([1.0, -1, 2, -2, 0])
    small, shifted = (agreement.typical_error(before, before + noise + change) for change in (0, 6))
    assert shifted.typical_error == pytest.approx(small.typical_error)
    assert shifted.change == pytest.approx(6)
    assert small.typical_error == pytest.approx(np.std(noise, ddof=1) / np.sqrt(2))


# A practice's own study

VARIANCES = {
    "person": 81.0,
    "rater": 4.0,
    "day": 1.0,
    "person x rater": 2.25,
    "person x day": 6.25,
    "rater x day": 0.25,
    "person x rater x day": 1.0,
    "trial": 9.0,
}


def simulated_study(rng: np.random.Generator, people: int, raters: int, days: int, trials: int) -> np.ndarray:
    shape = {"person": people, "rater": raters, "day": days}
    angles = np.full((people, raters, days, trials), 45.0)
    for name, variance in VARIANCES.items():
        parts = name.split(" x ")
        size = angles.shape if name == "trial" else (*(n if f in parts else 1 for f, n in shape.items()), 1)
        angles = angles + rng.normal(0, np.sqrt(variance), size=size)
    return angles


def test_the_study_finds_the_variances_that_made_it():
    rng = np.random.default_rng(8)
    found = [agreement.agreement_study(simulated_study(rng, 20, 4, 4, 3)).components_deg2 for _ in range(150)]
    for name, variance in VARIANCES.items():
        assert np.mean([f[name] for f in found]) == pytest.approx(variance, rel=0.2, abs=0.15), name


def test_the_study_agrees_with_a_mixed_model_fitted_by_another_library():
    """Reference: statsmodels MixedLM by REML, which equals the analysis of variance on balanced data."""
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    angles = simulated_study(np.random.default_rng(5), 12, 1, 4, 3)
    ours = agreement.agreement_study(angles).components_deg2
    person, _, day, _ = (index.ravel() for index in np.indices(angles.shape))
    columns = {"person": person, "day": day, "person x day": person * 100 + day}
    designs = [(of[:, None] == np.unique(of)).astype(float) for of in columns.values()]
    components = mixed.VCSpec(
        list(columns), [[[str(i) for i in range(d.shape[1])]] for d in designs], [[d] for d in designs]
    )
    ones = np.ones((angles.size, 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of an optimiser that stops short of its own strict criterion
        fit = mixed.MixedLM(angles.ravel(), ones, groups=ones[:, 0], exog_vc=components).fit(reml=True)
    theirs = {**dict(zip(columns, fit.vcomp, strict=True)), "trial": fit.scale}
    assert min(ours.values()) > 0.1  # so that no component was cut off at zero
    assert ours == pytest.approx(theirs, rel=0.01)


def test_the_study_of_raters_alone_equals_the_icc():
    rng = np.random.default_rng(6)
    table = rng.normal(45, 8, size=(10, 1)) + rng.normal(0, 3, size=(10, 4)) + np.array([0, 5, -4, 2])
    components = agreement.agreement_study(table[:, :, None, None]).components_deg2
    icc = components["person"] / sum(components.values())
    assert icc == pytest.approx(agreement.intraclass_correlations(table)[IccForm.AGREEMENT_SINGLE].value)


def test_the_sem_contains_what_differs_between_the_compared_scores():
    study = agreement.agreement_study(simulated_study(np.random.default_rng(9), 30, 3, 3, 3))
    parts = study.components_deg2
    within_round = study.standard_error(3, same_rater=True, same_day=True)
    own_retest = study.standard_error(3)
    others_retest = study.standard_error(3, same_rater=False)
    assert within_round.sem_deg**2 == pytest.approx(parts["trial"] / 3)
    assert others_retest.sem_deg**2 == pytest.approx(sum(parts.values()) - parts["person"] - parts["trial"] * 2 / 3)
    assert within_round.sem_deg < own_retest.sem_deg < others_retest.sem_deg
    assert own_retest.mdc95_deg == pytest.approx(1.96 * np.sqrt(2) * own_retest.sem_deg, rel=1e-4)


def test_the_interval_of_the_sem_covers_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(10)
    truth = np.sqrt(1.0 + 6.25 + 0.25 + 1.0 + 9.0 / 3)
    covered = 0
    for _ in range(200):
        error = agreement.agreement_study(simulated_study(rng, 15, 2, 3, 3)).standard_error(3)
        covered += error.interval_deg.low <= truth <= error.interval_deg.high
    assert covered / 200 >= 0.88


@pytest.mark.parametrize(
    ("shape", "asked", "told"),
    [
        ((5, 1, 2, 3), {"trials": 3, "same_rater": False}, "one rater"),
        ((5, 2, 1, 3), {"trials": 3, "same_day": False}, "one day"),
        ((5, 2, 2, 1), {"trials": 3}, "one trial"),
        ((5, 2, 2, 3), {"trials": 0}, "at least one trial"),
    ],
)
def test_a_study_says_what_it_cannot_tell(shape: tuple[int, ...], asked: dict, told: str):
    study = agreement.agreement_study(np.random.default_rng(0).normal(45, 5, size=shape))
    with pytest.raises(ValueError, match=told):
        study.standard_error(**asked)


def records_of(angles: np.ndarray) -> list[StudyRecord]:
    return [
        StudyRecord(f"person {p}", f"rater {r}", d + 1, float(angles[p, r, d, t]))
        for p, r, d, t in np.ndindex(*angles.shape)
    ]


def test_records_in_any_order_of_people_give_the_same_study():
    angles = simulated_study(np.random.default_rng(12), 6, 2, 2, 3)
    from_table = agreement.agreement_study(angles)
    from_records = agreement.agreement_study_from_records(sorted(records_of(angles), key=lambda r: r.day))
    assert from_records.components_deg2 == pytest.approx(from_table.components_deg2)
    assert from_records.people_left_out == ()


def test_a_person_who_missed_a_day_is_left_out_and_named():
    records = records_of(simulated_study(np.random.default_rng(13), 6, 2, 2, 3))
    missed = [r for r in records if not (r.person == "person 2" and r.day == 2)]
    study = agreement.agreement_study_from_records(missed)
    assert (study.people, study.people_left_out) == (5, ("person 2",))


def test_a_study_with_one_complete_person_is_refused():
    records = records_of(simulated_study(np.random.default_rng(14), 1, 1, 2, 3))
    with pytest.raises(ValueError, match="at least two are needed"):
        agreement.agreement_study_from_records(records)


def test_nothing_repeated_is_no_study():
    with pytest.raises(ValueError, match="nothing is repeated"):
        agreement.agreement_study(np.ones((4, 1, 1, 1)))
