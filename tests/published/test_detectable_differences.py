"""Smallest detectable differences and decisions against worked examples.

Source: Weir 2005, J Strength Cond Res 19:231-240 (MDC = 1.96 x sqrt(2) x SEM; from memory).  The worked examples of two
sides and two rounds are arithmetic on that formula; the published pairs of SEM and MDC stand in ``test_agreement.py``.
"""

import pytest

from vision.agreement import Z90, Z95, smallest_detectable_deg
from vision.compare import Decision, Sem, compare_rounds, compare_sides
from vision.rotation import Rotation
from vision.sides import Side


def typed(side, *angles_deg):
    """Three trials a side as read from an instrument, without a band of their own."""
    return [Rotation(side, a * side.sign, None, None, None, "typed") for a in angles_deg]


@pytest.mark.parametrize(
    ("sem", "mdc90", "mdc95"),
    [
        (1.0, 2.33, 2.77),
        (1.4, 3.26, 3.88),
        (2.0, 4.65, 5.54),
        (2.3, 5.35, 6.38),
        (3.0, 6.98, 8.32),
        (5.0, 11.63, 13.86),
    ],
)
def test_smallest_detectable_differences_follow_from_the_standard_error(sem, mdc90, mdc95):
    assert smallest_detectable_deg(sem, 2, Z90) == pytest.approx(mdc90, abs=0.006)
    assert smallest_detectable_deg(sem, 2, Z95) == pytest.approx(mdc95, abs=0.006)


def test_fifty_against_forty_five_degrees_is_a_possible_difference_at_sem_two():
    """z = 5 / (sqrt(2) x 2) = 1.768, p = .077: distinguishable at 90 % (4.65) but not at 95 % (5.54)."""
    c = compare_sides(typed(Side.LEFT, 50, 50, 50), typed(Side.RIGHT, 45, 45, 45), sem=Sem(2.0, "own study"))
    assert c.difference_deg == pytest.approx(5)
    assert c.decision is Decision.POSSIBLE
    assert c.difference_band_deg == pytest.approx((5 - 5.54, 5 + 5.54), abs=0.02)


def test_an_asymmetry_of_eight_that_becomes_two_is_no_shown_change_at_sem_two():
    """The change is 6, the threshold for a change of a difference 1.96 x 2 x 2 = 7.84; 90 % would be 6.58."""
    sem = Sem(2.0, "own study")
    earlier = compare_sides(typed(Side.LEFT, 52, 52, 52), typed(Side.RIGHT, 44, 44, 44), sem=sem)
    later = compare_sides(typed(Side.LEFT, 50, 50, 50), typed(Side.RIGHT, 48, 48, 48), sem=sem)
    change = compare_rounds(earlier, later).difference
    assert change.change_deg == pytest.approx(-6)
    assert change.threshold_deg == pytest.approx(7.84)
    assert change.decision is Decision.NONE_SHOWN
