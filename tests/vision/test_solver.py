"""The solver against SciPy's optimiser and against its own bound."""

import numpy as np
import pytest
from scipy.optimize import minimize

from tests.vision.torsos import noisy, view
from vision import torso
from vision.evidence import Evidence
from vision.fit import fit_trial
from vision.sides import Side
from vision.solver import Problem, newton_step, solve, variances


@pytest.mark.parametrize("azimuth_deg", [-90, 180])
def test_scipy_s_optimiser_moves_the_log_posterior_alike_at_different_angles(azimuth_deg):
    """Gauss-Newton leaves out the slope of the covariances: what that costs must be the same at every angle."""
    problem = Problem([Evidence(view(noisy(50, azimuth_deg, 3, 11)), Side.RIGHT)], torso.breadth_prior(None))
    grid = solve(problem, Side.RIGHT)
    best = int(np.argmax(grid.log_posterior))
    gains = []
    for k in (best, best + 2):
        theta, scale = np.radians(grid.theta_deg[[k]]), problem.sd * 0.1

        def cost(z, theta=theta, k=k, scale=scale):
            return float(problem.value(theta, (grid.parameters[k] + z * scale)[None])[0])

        reference = minimize(cost, np.zeros(problem.size), method="BFGS", options={"maxiter": 40})
        gains.append(cost(np.zeros(problem.size)) - reference.fun)
    assert max(gains) < 0.6
    assert abs(gains[0] - gains[1]) < 0.15


@pytest.mark.parametrize("azimuth_deg", [-90, 180])
def test_errors_over_many_draws_of_the_noise_are_no_larger_than_the_posterior_says(azimuth_deg):
    z = []
    for seed in range(24):
        p = fit_trial([view(noisy(45, azimuth_deg, 4, seed))], Side.RIGHT).posterior
        z.append((p.median_deg - 45) / p.sd_deg)
    assert np.sqrt(np.mean(np.square(z))) < 1.1  # the average person: only the noise, not the body, can err


def test_small_systems_are_solved_as_numpy_solves_them():
    rng = np.random.default_rng(1)
    factor = rng.normal(0, 1, (4, 6, 6))
    matrix, right = factor @ factor.transpose(0, 2, 1) + np.eye(6), rng.normal(0, 1, (4, 6))
    assert newton_step(matrix, right) == pytest.approx(-np.linalg.solve(matrix, right[..., None])[..., 0])
    assert variances(matrix, [0, 3]) == pytest.approx(np.linalg.inv(matrix)[:, [0, 3], [0, 3]])
