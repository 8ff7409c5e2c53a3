"""Fit body and cameras at every angle of a grid, and integrate them out.

For every angle of a grid the remaining unknowns (body and cameras) are fitted by damped Gauss-Newton steps, all
grid angles at once, and integrated out by Laplace's method.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.evidence import Evidence
from vision.sides import Side

# Camera priors.  Phones are held between knee and head height some two trunk lengths to eight away: stated judgement.
ELEVATION_MEAN, ELEVATION_SD = math.radians(10.0), math.radians(15.0)
ROLL_SD = math.radians(6.0)
LOG_DEPTH_MEAN, LOG_DEPTH_SD = math.log(5.0), 0.45
OFFSET_SD = 1.0
AZIMUTH_SD = 10.0  # radians: flat

START_AZIMUTHS_DEG = tuple(range(0, 360, 45))
START_STEPS, START_BLUR = 7, 0.06
BLURRED = (2, 0.03)  # steps, blur
FIRST_STEPS, LAST_STEPS = 3, 3
ENOUGH = 0.01  # a step that promises half this change of the log posterior or less is not taken
SAME_VIEWPOINT = math.radians(20.0)
LONGEST_STEP = 0.35  # of any parameter: radians, units of T or of the logarithm


def _bordered(matrix: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Factorise positive definite matrices (B, P, P) together with further rows (B, M, P) below them.

    Returns
    -------
    lower
        Shape (B, P, P), the Cholesky factors.
    solved
        Shape (B, M, P): the rows, solved against them (each ``inverse(lower) @ row``).

    NumPy's own solver spreads each of these tiny systems over all cores, which makes it many times slower on a busy
    machine; its factorisation does not.

    """
    size, more = matrix.shape[-1], rows.shape[1]
    whole = np.zeros((len(matrix), size + more, size + more))
    whole[:, :size, :size] = matrix
    whole[:, size:, :size] = rows  # the factorisation reads the lower triangle only
    border = np.arange(size, size + more)
    whole[:, border, border] = 1e30  # anything that keeps it positive definite
    factor = np.linalg.cholesky(whole)
    return factor[:, :size, :size], factor[:, size:, :size]


def newton_step(matrix: FloatArray, gradient: FloatArray) -> FloatArray:
    """Return ``-inverse(matrix) @ gradient`` for positive definite matrices (B, P, P) and gradients (B, P)."""
    lower, solved = _bordered(matrix, gradient[:, None])
    x = -solved[:, 0]
    inverse_diagonal = 1 / np.diagonal(lower, axis1=1, axis2=2)
    for k in range(gradient.shape[1] - 1, -1, -1):
        x[:, k] *= inverse_diagonal[:, k]
        x[:, :k] -= lower[:, k, :k] * x[:, k, None]
    return x


def variances(matrix: FloatArray, parameters: Sequence[int]) -> FloatArray:
    """Return the diagonal elements (B, len(parameters)) of the inverses of positive definite matrices (B, P, P)."""
    units = np.eye(matrix.shape[-1])[list(parameters)]
    _, solved = _bordered(matrix, np.broadcast_to(units, (len(matrix), *units.shape)))
    result: FloatArray = (solved**2).sum(-1)
    return result


def camera_slice(view: int) -> slice:
    """Return where the camera of view number ``view`` stands in a parameter vector."""
    start = torso.PARAMETERS + cam.PARAMETERS * view
    return slice(start, start + cam.PARAMETERS)


@dataclass(frozen=True, slots=True)
class Shot:
    """The torso as one camera sees it, for a batch of B parameter vectors."""

    camera: FloatArray  # (B, 7)
    rotation: FloatArray  # (B, 3, 3)
    in_camera: FloatArray  # (B, K, 3)
    uv: FloatArray  # (B, K, 2)
    freedom: FloatArray  # (B, K, 3): covariance of uv from the freedom of the points themselves

    @classmethod
    def take(cls, camera: FloatArray, points: FloatArray, frames: FloatArray) -> "Shot":
        """Project what :func:`vision.torso.place` returns by cameras of shape (B, 7)."""
        rotation = cam.world_to_camera(camera[:, cam.AZIMUTH], camera[:, cam.ELEVATION], camera[:, cam.ROLL])
        in_camera = cam.to_camera(points, rotation, camera)
        axes = torso.spread(frames @ rotation.transpose(0, 2, 1)[:, None])  # (B, attached points, 3, 3)
        g = cam.image_motion(in_camera[:, None, torso.CORE :], camera[:, None], axes.transpose(0, 2, 1, 3))
        gx, gy = g[..., 0], g[..., 1]
        freedom = np.zeros((*in_camera.shape[:2], 3))
        freedom[:, torso.CORE :, 0] = (gx**2).sum(1)
        freedom[:, torso.CORE :, 1] = (gx * gy).sum(1)
        freedom[:, torso.CORE :, 2] = (gy**2).sum(1)
        return cls(camera, rotation, in_camera, cam.project(in_camera, camera), freedom)


@dataclass(frozen=True, slots=True)
class Descent:
    """Where a descent ends: parameters (B, P), minus their log posterior (B,), its gradient and Gauss-Newton matrix."""

    x: FloatArray
    value: FloatArray
    gradient: FloatArray
    matrix: FloatArray


class Problem:
    """Prior, likelihood and their slopes for one trial, for batches of B parameter vectors.

    A parameter vector holds the body's eight and each view's seven camera parameters.
    """

    def __init__(self, views: Sequence[Evidence], breadth: tuple[float, float]) -> None:
        """Take the views and mean and SD of the breadth over T."""
        self.views = views
        self.breadth = breadth
        self.size = torso.PARAMETERS + cam.PARAMETERS * len(views)
        mean, sd = torso.body_prior()
        mean[torso.BREADTH], sd[torso.BREADTH] = breadth
        means, sds = [mean], [sd]
        for view in views:
            roll_mean, roll_sd = view.view.roll or (0.0, ROLL_SD)
            means.append(np.array([0.0, ELEVATION_MEAN, roll_mean, LOG_DEPTH_MEAN, 0.0, 0.0, 0.0]))
            sds.append(np.array([AZIMUTH_SD, ELEVATION_SD, roll_sd, LOG_DEPTH_SD, OFFSET_SD, OFFSET_SD, view.focal_sd]))
        self.mean, self.sd = np.concatenate(means), np.concatenate(sds)

    def _prior(self, theta: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return minus the log prior (B,), its gradient (B, P) and the precisions (B, P)."""
        mean = np.broadcast_to(self.mean, x.shape).copy()
        sd = np.broadcast_to(self.sd, x.shape).copy()
        mean[:, torso.GIRDLE_SKEW], sd[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)
        z = (x - mean) / sd
        return 0.5 * (z**2).sum(-1) + np.log(sd).sum(-1), z / sd, 1 / sd**2

    def evaluate(
        self, theta: FloatArray, x: FloatArray, blur: float = 0.0
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return minus the log posterior (B,), its gradient (B, P) and its Gauss-Newton matrix (B, P, P)."""
        points, frames = torso.place(theta, x[:, : torso.PARAMETERS])
        value, gradient, precision = self._prior(theta, x)
        matrix = np.zeros((len(theta), self.size, self.size))
        matrix[:, np.arange(self.size), np.arange(self.size)] = precision
        slopes = torso.place_slope(theta, x[:, : torso.PARAMETERS], frames)[1:]
        for i in range(len(self.views)):
            log_likelihood, pull, part = self._seen(i, x, points, frames, slopes, blur)
            value = value - log_likelihood
            if len(self.views) == 1:
                gradient -= pull
                matrix += part
                continue
            columns = np.r_[0 : torso.PARAMETERS, camera_slice(i)]
            gradient[:, columns] -= pull
            matrix[:, columns[:, None], columns] += part
        return value, gradient, matrix

    def _seen(
        self, i: int, x: FloatArray, points: FloatArray, frames: FloatArray, slopes: FloatArray, blur: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the log likelihood of one view, its gradient and Gauss-Newton matrix by slopes and camera."""
        shot = Shot.take(x[:, camera_slice(i)], points, frames)
        log_likelihood, terms = self.views[i].log_likelihood(shot.uv, shot.freedom, blur)
        jacobian = cam.image_slope(shot.camera, points, shot.rotation, shot.in_camera, shot.uv, slopes)
        j = jacobian[..., terms.index]  # (B, P', 2, N)
        xx, xy, yy = (terms.weight[:, None, :, k] for k in range(3))
        jx, jy = j[:, :, 0], j[:, :, 1]
        weighted = np.concatenate([xx * jx + xy * jy, xy * jx + yy * jy], -1)
        matrix = weighted @ np.concatenate([jx, jy], -1).transpose(0, 2, 1)
        pull = (weighted @ terms.residual.transpose(0, 2, 1).reshape(len(x), -1, 1))[..., 0]
        return log_likelihood, pull, matrix

    def angle_sd_deg(self, theta: float, x: FloatArray, known_sd: Mapping[int, float] | None = None) -> float:
        """Return the Bayesian Cramer-Rao bound on the SD of the angle at one parameter vector, flat prior on it.

        Parameters
        ----------
        theta
            Radians.
        x
            Shape (P,).
        known_sd
            Other standard deviations of the priors, by the place of the parameter in ``x``.

        """
        angle, x = np.array([theta]), x[None]
        points, frames = torso.place(angle, x[:, : torso.PARAMETERS])
        step = 1e-5
        slopes = torso.place_slope(angle, x[:, : torso.PARAMETERS], frames)
        information = np.zeros((self.size + 1, self.size + 1))
        precision = self._prior(angle, x)[2][0]
        for parameter, sd in (known_sd or {}).items():
            precision[parameter] = 1 / sd**2
        information[1:, 1:] = np.diag(precision)
        skew = 1 + torso.GIRDLE_SKEW  # its expected value moves with the angle
        slope = float((torso.girdle_skew_prior(angle + step)[0] - torso.girdle_skew_prior(angle)[0])[0]) / step
        information[0, 0] += precision[torso.GIRDLE_SKEW] * slope**2
        information[0, skew] -= precision[torso.GIRDLE_SKEW] * slope
        information[skew, 0] -= precision[torso.GIRDLE_SKEW] * slope
        for i in range(len(self.views)):
            here = camera_slice(i)
            columns = np.r_[0 : torso.PARAMETERS + 1, here.start + 1 : here.stop + 1]
            information[np.ix_(columns, columns)] += self._seen(i, x, points, frames, slopes, 0.0)[2][0]
        return math.degrees(math.sqrt(float(variances(information[None], [0])[0, 0])))

    def value(self, theta: FloatArray, x: FloatArray) -> FloatArray:
        """Return minus the log posterior (B,) alone."""
        points, frames = torso.place(theta, x[:, : torso.PARAMETERS])
        value, _, _ = self._prior(theta, x)
        for i, view in enumerate(self.views):
            shot = Shot.take(x[:, camera_slice(i)], points, frames)
            value = value - view.log_likelihood(shot.uv, shot.freedom, 0.0)[0]
        return value

    def spread_good_fits(self, theta: FloatArray, x: FloatArray, value: FloatArray) -> FloatArray:
        """Return for each grid angle the best of its own parameters, its neighbours' and the best of all.

        Gauss-Newton from a poor start may rest in a poorer optimum at one angle and not at the next.
        """
        n = len(theta)
        own = np.arange(n)
        others = np.stack([np.maximum(own - 1, 0), np.minimum(own + 1, n - 1), np.full(n, value.argmin())])
        moved = x[others]
        skew, _ = torso.girdle_skew_prior(theta)
        moved[..., torso.GIRDLE_SKEW] += skew - skew[others]
        tried = self.value(np.tile(theta, len(others)), moved.reshape(-1, self.size)).reshape(len(others), n)
        candidates = np.concatenate([x[None], moved])
        best = np.concatenate([value[None], tried]).argmin(0)
        result: FloatArray = candidates[best, own]
        return result

    def descend(
        self, theta: FloatArray, x: FloatArray, steps: int, blur: float = 0.0, known: Descent | None = None
    ) -> Descent:
        """Take damped Gauss-Newton steps, each angle until a step promises nothing more.

        Where ``known`` ends at the same parameters and blur, it is gone on from and not computed anew.
        """
        if known is None:
            at = Descent(x.copy(), *self.evaluate(theta, x, blur))
        else:
            at = Descent(x.copy(), known.value.copy(), known.gradient.copy(), known.matrix.copy())
            new = np.flatnonzero((x != known.x).any(-1))
            if len(new):
                at.value[new], at.gradient[new], at.matrix[new] = self.evaluate(theta[new], x[new], blur)
        going = np.arange(len(theta))
        damping = np.full(len(theta), 1e-2)
        diagonal = np.arange(self.size)
        for _ in range(steps):
            damped, gradient = at.matrix[going], at.gradient[going]
            damped[:, diagonal, diagonal] *= 1 + damping[going, None]
            move = newton_step(damped, gradient)
            promising = -(move * gradient).sum(-1) * (1 + damping[going]) > ENOUGH
            going, move = going[promising], move[promising]
            if not len(going):
                break
            move *= np.minimum(1, LONGEST_STEP / np.maximum(np.abs(move), 1e-12)).min(-1, keepdims=True)
            trial = at.x[going] + move
            value, gradient, matrix = self.evaluate(theta[going], trial, blur)
            better = value < at.value[going]
            damping[going] = np.where(better, damping[going] / 4, np.minimum(damping[going] * 6, 1e4))
            to = going[better]
            at.x[to], at.value[to] = trial[better], value[better]
            at.gradient[to], at.matrix[to] = gradient[better], matrix[better]
        return at

    def starts(self, theta: FloatArray, azimuths: FloatArray) -> FloatArray:
        """Return starting parameters (B, P) for angles (B,) and azimuths (B, V), scaled and shifted to the photo."""
        x = np.repeat(self.mean[None], len(theta), 0)
        x[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)[0]
        points, _ = torso.place(theta, x[:, : torso.PARAMETERS])
        for i, view in enumerate(self.views):
            c = x[:, camera_slice(i)]  # a view into x
            c[:, cam.AZIMUTH] = azimuths[:, i]
            rotation = cam.world_to_camera(c[:, cam.AZIMUTH], c[:, cam.ELEVATION], c[:, cam.ROLL])
            seen = (points @ rotation.transpose(0, 2, 1))[:, view.index, :2]
            c[:, cam.LOG_DEPTH] = 0.5 * np.log(seen.var(1).sum(-1) / view.xy.var(0).sum())
            shift = view.xy.mean(0) - seen.mean(1) * np.exp(-c[:, cam.LOG_DEPTH])[:, None]
            c[:, cam.U0], c[:, cam.V0] = shift[:, 0], shift[:, 1]
        return x

    def modes(self, anchors: FloatArray) -> FloatArray:
        """Return the best parameters (A, P) over all viewpoints, at each of the anchor angles (A,)."""
        if len(self.views) == 1:
            around = np.radians(START_AZIMUTHS_DEG)
            theta = np.repeat(anchors, len(around))
            azimuths = np.tile(around, len(anchors))[:, None]
        else:
            theta = anchors
            azimuths = np.stack(
                [Problem([v], self.breadth).modes(anchors)[:, torso.PARAMETERS + cam.AZIMUTH] for v in self.views], -1
            )
        end = self.descend(theta, self.starts(theta, azimuths), START_STEPS, START_BLUR)
        best = end.value.reshape(len(anchors), -1).argmin(-1)
        result: FloatArray = end.x.reshape(len(anchors), -1, self.size)[np.arange(len(anchors)), best]
        return result


@dataclass(frozen=True)
class Grid:
    """For each grid angle: log posterior (up to a constant), best parameters and their Gauss-Newton matrix."""

    theta_deg: FloatArray
    log_posterior: FloatArray
    parameters: FloatArray
    matrix: FloatArray


def solve(problem: Problem, side: Side) -> Grid:
    """Fit the nuisances over the grid of angles, from each of the best viewpoints."""
    anchors = np.radians([-12.0, 12.0] if side is Side.START else [side.sign * 25.0, side.sign * 60.0])
    modes = problem.modes(anchors)
    grid = torso.rotation_grid_deg(side)
    azimuths = modes[:, [torso.PARAMETERS + cam.PARAMETERS * i + cam.AZIMUTH for i in range(len(problem.views))]]
    apart = np.abs(np.angle(np.exp(1j * (azimuths[1] - azimuths[0])))).max()
    if apart < SAME_VIEWPOINT:
        share = np.clip((np.radians(grid) - anchors[0]) / (anchors[1] - anchors[0]), 0, 1)[:, None]
        x = modes[0] + share * (modes[1] - modes[0])
    else:
        x = np.repeat(modes, len(grid), 0)
    branches = len(x) // len(grid)
    theta = np.radians(np.tile(grid, branches))
    x[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)[0]
    x = problem.descend(theta, x, *BLURRED).x
    first = problem.descend(theta, x, FIRST_STEPS)
    end = problem.descend(theta, problem.spread_good_fits(theta, first.x, first.value), LAST_STEPS, known=first)
    half_log_det = np.log(np.diagonal(np.linalg.cholesky(end.matrix), axis1=1, axis2=2)).sum(-1)
    log_evidence = (-end.value - half_log_det).reshape(branches, len(grid))
    pick = log_evidence.argmax(0) * len(grid) + np.arange(len(grid))
    log_posterior = log_evidence.max(0) + torso.rotation_log_prior(grid, side)
    return Grid(grid, log_posterior, end.x[pick], end.matrix[pick])
