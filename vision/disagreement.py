"""How far apart two finders place the same points of one photo, in units of what their spreads explain."""

import numpy as np

from vision.landmark_names import counterpart
from vision.landmarks import Landmark, Landmarks

SECOND_LOOK = "second-look"
"""Source of the landmarks of a finder that looks beside another as a check."""

FEWEST_SHARED = 4  # points placed by both before their disagreement is judged

LIMIT = 2.2
"""Mean square distance, in units of the joint spread, beyond which two finders are taken to disagree.

The 99th percentile of the first development people side-on, by a scaled chi-squared distribution of their mean and
variance.  Of 561 pictures of today's development people 13 exceed it, 4 of them among the 273 from either end
(``python -m tests.bench.two_eyes DEVELOPMENT_PEOPLE ...``).
"""


def mean_square(one: Landmarks, other: Landmarks) -> float | None:
    """Return the mean over coordinates of the squared distances, each in units of the joint spread.

    About 1 where both are honest. Each pair counts with the labelling of left and right that fits better: the general
    model orders the hips by chance, and that is no disagreement about where the body is.

    Returns
    -------
    None where fewer than :data:`FEWEST_SHARED` points are shared.

    """
    shared = [n for n in one.points if n in other.points]
    if len(shared) < FEWEST_SHARED:
        return None
    total = 0.0
    for name in shared:
        partner = counterpart(name)
        if partner == name or partner not in shared:
            total += _square(one.points[name], other.points[name])
        elif name.endswith("_left"):
            a, b = one.points[name], one.points[partner]
            c, d = other.points[name], other.points[partner]
            total += min(_square(a, c) + _square(b, d), _square(a, d) + _square(b, c))
    return total / (2 * len(shared))


def ratio(one: Landmarks, other: Landmarks) -> float:
    """Return by how much the spreads must be multiplied to explain the distance; 1 up to :data:`LIMIT`.

    This is the Birge ratio (Birge 1932, Phys Rev 40:207, from memory), used only where the disagreement is beyond
    chance.
    """
    square = mean_square(one, other)
    return 1.0 if square is None or square <= LIMIT else float(np.sqrt(square))


def _square(a: Landmark, b: Landmark) -> float:
    xx, xy, yy = (p + q for p, q in zip(a.cov, b.cov, strict=True))
    x, y = a.x - b.x, a.y - b.y
    return (yy * x**2 - 2 * xy * x * y + xx * y**2) / (xx * yy - xy**2)
