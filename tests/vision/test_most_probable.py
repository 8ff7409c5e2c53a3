"""The mode by SciPy's least squares against the posterior it is the mode of."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from tests.vision.torsos import noisy, person, view
from vision import torso
from vision.evidence import Evidence
from vision.fit import fit_trial
from vision.landmarks import AngleEvidence
from vision.most_probable import most_probable
from vision.sides import Side
from vision.solver import Problem


def log_posterior(problem, y):
    prior = torso.rotation_log_prior(np.degrees(y[:1]), Side.RIGHT)
    return float((prior - problem.value(y[:1], y[None, 1:]))[0])


@pytest.mark.parametrize("azimuths_deg", [(-90,), (180,), (-100, 170)])
@pytest.mark.parametrize("wrong", [(), ("knee_right", "acromion_left")])
def test_no_other_optimiser_finds_a_more_probable_body(azimuths_deg, wrong):
    views = []
    for number, azimuth in enumerate(azimuths_deg):
        landmarks = noisy(50, azimuth, 3, 7 + number)
        points = {n: replace(p, x=p.x + 90) if n in wrong else p for n, p in landmarks.points.items()}
        views.append(view(replace(landmarks, points=points)))
    fit = fit_trial(views, Side.RIGHT)
    mode = np.concatenate([[np.radians(fit.theta_deg)], fit.parameters])
    scale = 0.1 * np.concatenate([[0.5], fit.problem.sd])

    def cost(z):
        return -log_posterior(fit.problem, mode + z * scale)

    reference = minimize(cost, np.zeros(len(mode)), method="BFGS")
    assert cost(np.zeros(len(mode))) - reference.fun < 0.01


def test_the_mode_does_not_depend_on_where_the_search_starts():
    problem = Problem([Evidence(view(noisy(40, -110, 3, 3)), Side.RIGHT)], torso.breadth_prior(None))
    fit = fit_trial([problem.views[0].view], Side.RIGHT)
    start = np.concatenate([[np.radians(fit.theta_deg + 6)], fit.parameters])
    found = most_probable(problem, Side.RIGHT, [start], None)
    assert np.degrees(found[0]) == pytest.approx(fit.theta_deg, abs=0.05)


def test_direct_evidence_on_the_angle_draws_the_mode():
    landmarks = noisy(45, -90, 6, 2)
    grid = np.arange(-100.0, 101.0)
    alone = fit_trial([view(landmarks)], Side.RIGHT)
    evidence = AngleEvidence(grid, -0.5 * ((grid - alone.theta_deg - 6) / 1.0) ** 2, "made")
    drawn = fit_trial([view(replace(landmarks, angle=evidence))], Side.RIGHT)
    assert drawn.theta_deg == pytest.approx(alone.theta_deg + 6, abs=1.5)


def test_of_two_folds_the_more_probable_one_is_reported():
    views = [view(person(78, -90, sd_px=8))]
    fit = fit_trial(views, Side.RIGHT)
    best = log_posterior(fit.problem, np.concatenate([[np.radians(fit.theta_deg)], fit.parameters]))
    for theta_deg in np.arange(10, 100, 10.0):
        start = np.concatenate([[np.radians(theta_deg)], fit.parameters])
        other = most_probable(fit.problem, Side.RIGHT, [start], None)
        assert log_posterior(fit.problem, other) < best + 0.02
