import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.compare import PUBLISHED_SEM, Decision, Sem, compare_rounds, compare_sides
from vision.rotation import Posterior, Rotation
from vision.sides import Side


def measured(side, magnitude, sd, shared=0.0):
    grid = np.arange(-100, 100.25, 0.5)
    right = magnitude * side.sign
    density = np.exp(-0.5 * ((grid - right) / sd) ** 2)
    density /= density.sum() * 0.5
    p = Posterior(grid, density)
    return Rotation(side, p.median_deg, p.band_deg, p.sd_deg, p, "automatic", shared_sd_deg=shared)


def three(side, magnitude, sd, shared=0.0):
    return [measured(side, magnitude, sd, shared)] * 3


def test_the_band_of_a_mean_of_three_is_narrower_by_the_root_of_three():
    c = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 50, 6), trial_correlation=0.0)
    low, high = c.left_band_deg
    assert high - low == pytest.approx(2 * 1.96 * 6 / np.sqrt(3), rel=0.01)


@pytest.mark.parametrize("rho", [0.3, 0.6, 1.0])
def test_what_the_trials_of_a_side_share_is_not_averaged_away_and_stays_in_the_difference(rho):
    # variance of the mean of n equally correlated values: (1 + (n - 1) rho) / n (textbook)
    expected = 2 * 1.96 * 6 * np.sqrt((1 + 2 * rho) / 3)
    c = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), trial_correlation=rho)
    assert np.ptp(c.left_band_deg) == pytest.approx(expected, rel=0.01)
    assert np.ptp(c.difference_band_deg) == pytest.approx(np.sqrt(2) * expected, rel=0.01)


def test_what_left_and_right_share_cancels_and_only_the_rest_of_what_trials_share_stays():
    shares = {"error_correlation": 0.4, "trial_correlation": 0.4}
    c = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), **shares)
    assert np.ptp(c.difference_band_deg) == pytest.approx(2 * 1.96 * 6 * np.sqrt(2 * 0.6 / 3), rel=0.01)
    assert np.ptp(c.left_band_deg) == pytest.approx(2 * 1.96 * 6 * np.sqrt(0.4 + 0.6 / 3), rel=0.01)


def test_one_trial_a_side_has_no_other_to_share_with():
    one = compare_sides(three(Side.LEFT, 50, 6)[:1], three(Side.RIGHT, 40, 6)[:1], trial_correlation=0.0)
    other = compare_sides(three(Side.LEFT, 50, 6)[:1], three(Side.RIGHT, 40, 6)[:1], trial_correlation=0.9)
    assert one.difference_band_deg == other.difference_band_deg


def test_correlations_beyond_their_range_are_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), trial_correlation=1.2)


def test_the_difference_of_independent_sides_has_the_root_sum_of_squares():
    c = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), error_correlation=0.0, trial_correlation=0.0)
    low, high = c.difference_band_deg
    assert (low + high) / 2 == pytest.approx(10, abs=0.1)
    assert high - low == pytest.approx(2 * 1.96 * 6 * np.sqrt(2 / 3), rel=0.01)


def test_what_both_sides_share_cancels_in_the_difference_but_not_in_the_means():
    apart = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), trial_correlation=0.0)
    sharing = compare_sides(three(Side.LEFT, 50, 6, 5), three(Side.RIGHT, 40, 6, 5), trial_correlation=0.0)
    assert np.ptp(sharing.difference_band_deg) < 0.7 * np.ptp(apart.difference_band_deg)
    assert np.ptp(sharing.left_band_deg) > 1.3 * np.ptp(apart.left_band_deg)


def test_fully_correlated_errors_leave_only_the_published_error():
    c = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 40, 6), error_correlation=1.0)
    assert c.sem_deg == pytest.approx(PUBLISHED_SEM.value_deg)
    assert c.sem_origin == PUBLISHED_SEM.origin
    assert "error-best-case" in [f.code for f in c.findings]


def test_scattered_trials_widen_the_band_beyond_their_own_bands():
    left = [measured(Side.LEFT, a, 1.0) for a in (40, 50, 60)]
    c = compare_sides(left, three(Side.RIGHT, 50, 1.0))
    low, high = c.left_band_deg
    assert high - low == pytest.approx(2 * 1.96 * 10 / np.sqrt(3), rel=0.02)


def test_a_missing_side_cannot_be_compared_and_says_so():
    c = compare_sides(three(Side.LEFT, 50, 6), [])
    assert c.decision is Decision.CANNOT_TELL
    assert c.difference_deg is None
    assert "side-not-measured" in [f.code for f in c.findings]


def test_withheld_trials_are_left_out_and_counted():
    withheld = Rotation(Side.LEFT, None, None, None, None, "automatic")
    c = compare_sides([*three(Side.LEFT, 50, 6)[:2], withheld], three(Side.RIGHT, 50, 6))
    assert c.left_mean_deg == pytest.approx(50, abs=0.01)
    assert {"trials-left-out", "fewer-than-three-trials"} <= {f.code for f in c.findings}


@settings(max_examples=40)
@given(st.floats(5, 80), st.floats(5, 80), st.floats(0.5, 8), st.floats(0.5, 8), st.floats(0.1, 5))
def test_swapping_the_sides_flips_the_difference_and_a_call_always_excludes_zero(a, b, sd_a, sd_b, sem):
    one = compare_sides(three(Side.LEFT, a, sd_a), three(Side.RIGHT, b, sd_b), sem=Sem(sem, "x"))
    other = compare_sides(three(Side.LEFT, b, sd_b), three(Side.RIGHT, a, sd_a), sem=Sem(sem, "x"))
    assert one.difference_deg == pytest.approx(-other.difference_deg, abs=1e-6)
    assert one.decision is other.decision
    if one.decision is Decision.DIFFERENT:
        low, high = one.difference_band_deg
        assert low > 0 or high < 0
        assert abs(one.difference_deg) > one.mdc95_deg


@pytest.mark.parametrize(("trials", "wider"), [(3, 1.0), (1, np.sqrt(3))])
def test_a_change_of_a_round_with_one_side_uses_the_practices_own_error_too(trials, wider):
    # SDC = 1.96 * sqrt(2) * SEM (Weir 2005); the SEM of one trial is sqrt(3) times that of a mean of three
    own = Sem(4.0, "own study")
    earlier = compare_sides(three(Side.LEFT, 40, 0.5)[:trials], [], sem=own)
    later = compare_sides(three(Side.LEFT, 49, 0.5)[:trials], [], sem=own)
    assert compare_rounds(earlier, later, sem=own).left.threshold_deg == pytest.approx(
        1.96 * np.sqrt(2) * 4.0 * wider, rel=1e-3
    )
    assert compare_rounds(earlier, later, sem=own).left.decision is Decision.NONE_SHOWN
    assert compare_rounds(earlier, later, sem=own).difference.decision is Decision.CANNOT_TELL


def test_a_change_larger_than_the_threshold_is_called_for_a_side():
    sem = Sem(2.0, "x")
    earlier = compare_sides(three(Side.LEFT, 40, 1), three(Side.RIGHT, 50, 1), sem=sem)
    later = compare_sides(three(Side.LEFT, 50, 1), three(Side.RIGHT, 51, 1), sem=sem)
    rounds = compare_rounds(earlier, later)
    assert rounds.left.decision is Decision.DIFFERENT
    assert rounds.left.threshold_deg == pytest.approx(1.96 * np.sqrt(2) * 2)
    assert rounds.right.decision is Decision.NONE_SHOWN
    assert rounds.difference.decision is Decision.DIFFERENT


def test_the_words_promise_of_further_trials_only_what_they_bring():
    # trials from the same place share nine tenths of their error (README, "How good it is")
    alone = compare_sides([measured(Side.LEFT, 50, 6)], [measured(Side.RIGHT, 50, 6)])
    thrice = compare_sides(three(Side.LEFT, 50, 6), three(Side.RIGHT, 50, 6))
    assert np.ptp(thrice.left_band_deg) > 0.95 * np.ptp(alone.left_band_deg)
    said = next(f for f in alone.findings if f.code == "fewer-than-three-trials")
    assert said.message == "The left side has 1 of 3 trials."
    assert "from another place, such as the foot end, makes the angle more certain" in said.advice
    assert "trials" not in Decision.POSSIBLE.words + Decision.POSSIBLE.change_words
