"""The likelihood of one photo's landmarks by its properties."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from tests.vision.torsos import person, view
from vision import torso
from vision.errors import FitError
from vision.evidence import GROSS_ERROR, TRUST, Evidence
from vision.landmark_names import counterpart
from vision.landmarks import Landmarks
from vision.sides import Side

PERSON = person(45, -110, sd_px=5)
SOURCE = "hand"


def evidence_and_places(landmarks=PERSON):
    """Evidence, and the places of all names of the torso where the landmarks have them, (1, K, 2)."""
    evidence = Evidence(view(landmarks), Side.RIGHT)
    pixels = np.array([[PERSON.points[n].x, PERSON.points[n].y] for n in torso.NAMES])
    return evidence, ((pixels - evidence.centre) / evidence.focal)[None]


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.floats(0, 0.02), st.floats(0, 0.02))
def test_the_rows_square_to_minus_twice_the_log_likelihood(seed, off, freedom):
    evidence, places = evidence_and_places()
    as_labelled = np.zeros(len(evidence.names), bool)
    rng = np.random.default_rng(seed)
    values = []
    for scale in (0.0, 1.0):
        uv = places + scale * off * rng.normal(size=places.shape)
        extra = np.zeros((*uv.shape[:2], 3))
        extra[..., [0, 2]] = scale * freedom**2
        rows = evidence.residuals(uv, extra, as_labelled)
        exchanged = evidence.judge(uv, extra)[1]
        in_pair = np.array([len({n, counterpart(n)} & set(evidence.names)) for n in evidence.names])
        of_this_labelling = evidence.log_likelihood(uv, extra, 0.0)[0][0] + (np.log1p(-exchanged) / in_pair).sum()
        values.append(of_this_labelling + 0.5 * float((rows**2).sum()))
    assert values[1] == pytest.approx(values[0], abs=1e-6)


def test_one_landmark_off_is_as_likely_as_scipy_s_mixture_says():
    evidence, places = evidence_and_places()
    nothing, k = np.zeros((1, len(torso.NAMES), 3)), torso.INDEX["c7"]
    trust, here = TRUST[SOURCE], evidence.cov[evidence.names.index("c7")]
    cov = np.array([[here[0], here[1]], [here[1], here[2]]])
    gross = cov + np.eye(2) * (GROSS_ERROR * evidence.trunk) ** 2

    def by_scipy(away):
        hit, miss = (multivariate_normal([0, 0], c).pdf(away) for c in (cov, gross))
        return np.log((1 - trust.miss) * hit + trust.miss * miss)

    at_home = evidence.log_likelihood(places, nothing, 0.0)[0][0]
    for away in ([0.004, -0.002], [0.05, 0.01], [0.4, -0.3]):
        moved = places.copy()
        moved[0, k] -= away
        change = evidence.log_likelihood(moved, nothing, 0.0)[0][0] - at_home
        assert change == pytest.approx(by_scipy(away) - by_scipy([0.0, 0.0]), abs=1e-6)


def test_exchanged_labels_cost_what_their_rarity_says():
    knees = {n: replace(PERSON.points[counterpart(n)]) for n in ("knee_left", "knee_right")}
    exchanged, places = evidence_and_places(replace(PERSON, points={**PERSON.points, **knees}))
    right, _ = evidence_and_places()
    nothing, swap = np.zeros((1, len(torso.NAMES), 3)), TRUST[SOURCE].swap
    cost = right.log_likelihood(places, nothing, 0.0)[0][0] - exchanged.log_likelihood(places, nothing, 0.0)[0][0]
    assert cost == pytest.approx(np.log((1 - swap) / swap), abs=1e-3)
    labels = exchanged.judge(places, nothing)[1]
    assert {n for n, p in zip(exchanged.names, labels, strict=True) if p > 0.5} == {"knee_left", "knee_right"}


def test_fewer_than_four_named_points_say_what_to_do():
    few = Landmarks({n: PERSON.points[n] for n in ("c7", "s2", "t12")}, "made")
    with pytest.raises(FitError, match="by hand") as told:
        Evidence(view(few), Side.RIGHT)
    assert told.value.code == "fit-impossible"
