"""The most probable angle, body and cameras together, by SciPy's least squares.

Half the sum of the squared rows is minus the log posterior, so that the minimum is the mode itself: each row of the
prior is a standardised deviation, each landmark's rows are those of :meth:`vision.evidence.Evidence.residuals`, with
the labels left and right that are the more probable ones at the start.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.sides import Side
from vision.solver import Problem, Shot, camera_slice

_STEP = 1e-6  # of the differences that give the slopes: radians, units of T, or of the logarithm
_TOLERANCE = 1e-6
_MOST_SLOPES = 25


def most_probable(
    problem: Problem, side: Side, starts: Sequence[FloatArray], direct: Callable[[FloatArray], FloatArray] | None
) -> FloatArray:
    """Return the mode of the posterior, shape (1 + P,): the angle, radians, then body and cameras.

    Parameters
    ----------
    problem
        Priors and landmarks.
    side
        The declared side, for the prior of the angle.
    starts
        Where to start from, (1 + P,) each; the best of what they lead to is returned.
    direct
        Signed square root of twice what direct evidence costs at angles of shape (B,), radians; None without any.

    """
    best = (math.inf, starts[0])
    for start in starts:
        rows = _Rows(problem, side, direct, start)
        found = least_squares(
            rows.at, start, rows.slope, method="lm", xtol=_TOLERANCE, ftol=_TOLERANCE, max_nfev=_MOST_SLOPES
        )
        best = min(best, (float(found.cost), found.x), key=lambda pair: pair[0])
    return best[1]


class _Rows:
    """The rows of the least squares of one trial, and their slopes."""

    def __init__(
        self, problem: Problem, side: Side, direct: Callable[[FloatArray], FloatArray] | None, start: FloatArray
    ) -> None:
        self.problem, self.direct = problem, direct
        self.angle_mean, self.angle_sd = (math.radians(v) for v in torso.rotation_prior_deg(side))
        self.exchanged: list[NDArray[np.bool_]] = []
        points, frames = torso.place(start[:1], start[None, 1 : 1 + torso.PARAMETERS])
        for i, view in enumerate(problem.views):
            shot = Shot.take(start[None, 1:][:, camera_slice(i)], points, frames)
            self.exchanged.append(view.judge(shot.uv, shot.freedom)[1] > 0.5)

    def at(self, y: FloatArray) -> FloatArray:
        """Return the rows at one parameter vector (1 + P,)."""
        points, frames = torso.place(y[:1], y[None, 1 : 1 + torso.PARAMETERS])
        seen = [self._seen(i, y[None, 1:][:, camera_slice(i)], points, frames)[0] for i in range(len(self.exchanged))]
        return np.concatenate([self._prior(y[None])[0], *seen])

    def slope(self, y: FloatArray) -> FloatArray:
        """Return the derivatives of the rows by the parameters, by differences, all in one batch a photo."""
        size = len(y)
        moved = y + np.concatenate([np.zeros((1, size)), _STEP * np.eye(size)])
        prior = self._prior(moved)
        parts = [(prior[1:] - prior[0]).T]
        body = torso.PARAMETERS + 1
        points, frames = torso.place(moved[: body + 1, 0], moved[: body + 1, 1:body])
        of_camera = [np.concatenate([a, np.repeat(a[:1], cam.PARAMETERS, 0)]) for a in (points, frames)]
        for i in range(len(self.exchanged)):
            own = camera_slice(i)
            columns = np.r_[0:body, own.start + 1 : own.stop + 1]
            cameras = moved[np.r_[0, 1 + columns]][:, 1:][:, own]
            rows = self._seen(i, cameras, *of_camera)
            part = np.zeros((rows.shape[1], size))
            part[:, columns] = (rows[1:] - rows[0]).T
            parts.append(part)
        result: FloatArray = np.concatenate(parts) / _STEP
        return result

    def _prior(self, y: FloatArray) -> FloatArray:
        """Return the rows of the prior, (B, P + 2), and of direct evidence."""
        theta, x = y[:, 0], y[:, 1:]
        mean = np.broadcast_to(self.problem.mean, x.shape).copy()
        sd = np.broadcast_to(self.problem.sd, x.shape).copy()
        mean[:, torso.GIRDLE_SKEW], sd[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)
        wider = np.log1p((torso.FORWARD_BEND_SD * np.sin(theta) / torso.GIRDLE_SKEW_SD) ** 2)  # of the girdle's skew
        rows = [(x - mean) / sd, ((theta - self.angle_mean) / self.angle_sd)[:, None]]
        rows.append((np.sign(np.sin(theta)) * np.sqrt(wider))[:, None])
        if self.direct is not None:
            rows.append(self.direct(theta)[:, None])
        return np.concatenate(rows, -1)

    def _seen(self, i: int, camera: FloatArray, points: FloatArray, frames: FloatArray) -> FloatArray:
        shot = Shot.take(camera, points, frames)
        return self.problem.views[i].residuals(shot.uv, shot.freedom, self.exchanged[i])
