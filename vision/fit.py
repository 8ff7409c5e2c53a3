"""The torso fit: from landmarks of one trial to a distribution over the rotation angle.

For every angle of a grid the remaining unknowns (body and cameras) are fitted by damped Gauss-Newton steps, all
grid angles at once, and integrated out by Laplace's method; what is left is the posterior of the angle, with both
folds where there are two.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.errors import FitError
from vision.evidence import Evidence, View
from vision.findings import Finding, finding
from vision.rotation import Posterior, Rotation
from vision.sides import Side

__all__ = ["TorsoFit", "View", "fit_trial"]

WITHHOLD_SD_DEG = 12.0
"""Beyond this posterior SD the angle is withheld: the band would span half of the range people reach."""

FINE_STEP_DEG = 0.5

# Camera priors.  Phones are held between knee and head height some two trunk lengths to eight away: stated judgement.
ELEVATION_MEAN, ELEVATION_SD = math.radians(10.0), math.radians(15.0)
ROLL_SD = math.radians(6.0)
LOG_DEPTH_MEAN, LOG_DEPTH_SD = math.log(5.0), 0.45
OFFSET_SD = 1.0
AZIMUTH_SD = 10.0  # radians: flat

START_AZIMUTHS_DEG = tuple(range(0, 360, 30))
START_STEPS, START_BLUR = 8, 0.06
GRID_SCHEDULE = ((0.03, 2), (0.0, 3))  # blur, steps
LAST_STEPS = 3
SAME_VIEWPOINT = math.radians(20.0)
LONGEST_STEP = 0.35  # of any parameter: radians, units of T or of the logarithm


@dataclass(frozen=True)
class TorsoFit:
    """The result of a torso fit.

    Attributes
    ----------
    rotation
        The automatic rotation; withheld (falsy) with the reason among its findings where it is too uncertain.
    posterior
        Distribution of the signed angle, always given.
    findings
        What was noticed, each with its effect on the band where computed.
    projected_views
        For each view, name to fitted position, pixels.
    theta_deg
        The most probable angle.
    parameters
        Most probable body and camera parameters at that angle.

    """

    rotation: Rotation
    posterior: Posterior
    findings: tuple[Finding, ...]
    projected_views: tuple[Mapping[str, tuple[float, float]], ...]
    theta_deg: float
    parameters: FloatArray = field(repr=False)

    @property
    def projected(self) -> Mapping[str, tuple[float, float]]:
        """Fitted positions, pixels, in the first view."""
        return self.projected_views[0]


def _camera_slice(view: int) -> slice:
    start = torso.PARAMETERS + cam.PARAMETERS * view
    return slice(start, start + cam.PARAMETERS)


@dataclass(frozen=True, slots=True)
class _Shot:
    """The torso as one camera sees it, for a batch of B parameter vectors."""

    camera: FloatArray  # (B, 7)
    rotation: FloatArray  # (B, 3, 3)
    in_camera: FloatArray  # (B, K, 3)
    uv: FloatArray  # (B, K, 2)
    slope: FloatArray  # (B, K, 2, 3)
    freedom: FloatArray  # (B, K, 3): covariance of uv from the freedom of the points themselves

    @classmethod
    def take(cls, camera: FloatArray, points: FloatArray, frames: FloatArray) -> "_Shot":
        rotation = cam.world_to_camera(camera[:, cam.AZIMUTH], camera[:, cam.ELEVATION], camera[:, cam.ROLL])
        in_camera = cam.to_camera(points, rotation, camera)
        slope = cam.projection_slope(in_camera, camera)
        axes = torso.spread(frames) @ rotation.transpose(0, 2, 1)[:, None]
        g = axes @ slope.transpose(0, 1, 3, 2)  # (B, K, 3, 2)
        gx, gy = g[..., 0], g[..., 1]
        freedom = np.stack([(gx**2).sum(-1), (gx * gy).sum(-1), (gy**2).sum(-1)], -1)
        return cls(camera, rotation, in_camera, cam.project(in_camera, camera), slope, freedom)


class _Problem:
    """Prior, likelihood and their slopes for one trial, for batches of B parameter vectors.

    A parameter vector holds the body's eight and each view's seven camera parameters.
    """

    def __init__(self, views: Sequence[Evidence], breadth: tuple[float, float]) -> None:
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
        b = len(theta)
        body = x[:, : torso.PARAMETERS]
        points, frames = torso.place(theta, body)
        value, gradient, precision = self._prior(theta, x)
        matrix = np.zeros((b, self.size, self.size))
        matrix[:, np.arange(self.size), np.arange(self.size)] = precision
        body_slope = torso.place_slope(theta, body, points)
        for i, view in enumerate(self.views):
            here = _camera_slice(i)
            shot = _Shot.take(x[:, here], points, frames)
            log_likelihood, terms = view.log_likelihood(shot.uv, shot.freedom, blur)
            value = value - log_likelihood
            jacobian = cam.image_slope(
                shot.camera, points, shot.rotation, shot.in_camera, shot.uv, shot.slope, body_slope
            )
            columns = np.r_[0 : torso.PARAMETERS, here]
            for term in terms:
                j = jacobian[:, term.index]  # (B, N, 2, P')
                ixx, ixy, iyy = (term.weight[..., k] for k in range(3))
                wj = np.stack(
                    [
                        ixx[..., None] * j[..., 0, :] + ixy[..., None] * j[..., 1, :],
                        ixy[..., None] * j[..., 0, :] + iyy[..., None] * j[..., 1, :],
                    ],
                    -2,
                )
                rows = j.shape[1] * 2
                wj = wj.reshape(b, rows, -1)
                matrix[:, columns[:, None], columns] += wj.transpose(0, 2, 1) @ j.reshape(b, rows, -1)
                gradient[:, columns] -= (wj * term.residual.reshape(b, rows, 1)).sum(1)
        return value, gradient, matrix

    def value(self, theta: FloatArray, x: FloatArray) -> FloatArray:
        """Return minus the log posterior (B,) alone."""
        points, frames = torso.place(theta, x[:, : torso.PARAMETERS])
        value, _, _ = self._prior(theta, x)
        for i, view in enumerate(self.views):
            shot = _Shot.take(x[:, _camera_slice(i)], points, frames)
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
        self, theta: FloatArray, x: FloatArray, steps: int, blur: float = 0.0
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Take damped Gauss-Newton steps; return parameters, minus their log posterior, and the last matrix."""
        x = x.copy()
        damping = np.full(len(theta), 1e-2)
        value, gradient, matrix = self.evaluate(theta, x, blur)
        diagonal = np.arange(self.size)
        for _ in range(steps):
            damped = matrix.copy()
            damped[:, diagonal, diagonal] *= 1 + damping[:, None]
            move = -np.linalg.solve(damped, gradient[..., None])[..., 0]
            move *= np.minimum(1, LONGEST_STEP / np.maximum(np.abs(move), 1e-12)).min(-1, keepdims=True)
            trial = x + move
            new_value, new_gradient, new_matrix = self.evaluate(theta, trial, blur)
            better = new_value < value
            damping = np.where(better, damping / 4, np.minimum(damping * 6, 1e4))
            x[better] = trial[better]
            value = np.where(better, new_value, value)
            gradient[better] = new_gradient[better]
            matrix[better] = new_matrix[better]
        return x, value, matrix

    def starts(self, theta: FloatArray, azimuths: FloatArray) -> FloatArray:
        """Return starting parameters (B, P) for angles (B,) and azimuths (B, V), scaled and shifted to the photo."""
        x = np.repeat(self.mean[None], len(theta), 0)
        x[:, torso.GIRDLE_SKEW] = torso.girdle_skew_prior(theta)[0]
        points, _ = torso.place(theta, x[:, : torso.PARAMETERS])
        for i, view in enumerate(self.views):
            c = x[:, _camera_slice(i)]  # a view into x
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
                [_Problem([v], self.breadth).modes(anchors)[:, torso.PARAMETERS + cam.AZIMUTH] for v in self.views], -1
            )
        x, value, _ = self.descend(theta, self.starts(theta, azimuths), START_STEPS, START_BLUR)
        best = value.reshape(len(anchors), -1).argmin(-1)
        result: FloatArray = x.reshape(len(anchors), -1, self.size)[np.arange(len(anchors)), best]
        return result


@dataclass(frozen=True)
class _Grid:
    """For each grid angle: log posterior (up to a constant), best parameters and their Gauss-Newton matrix."""

    theta_deg: FloatArray
    log_posterior: FloatArray
    parameters: FloatArray
    matrix: FloatArray


def _solve(problem: _Problem, side: Side) -> _Grid:
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
    for blur, steps in GRID_SCHEDULE:
        x, value, matrix = problem.descend(theta, x, steps, blur)
        if blur == 0.0:
            x = problem.spread_good_fits(theta, x, value)
    x, value, matrix = problem.descend(theta, x, LAST_STEPS)
    log_evidence = (-value - 0.5 * np.linalg.slogdet(matrix)[1]).reshape(branches, len(grid))
    pick = log_evidence.argmax(0) * len(grid) + np.arange(len(grid))
    log_posterior = log_evidence.max(0) + torso.rotation_log_prior(grid, side)
    for landmarks in (one for v in problem.views for one in (v.view.landmarks, *v.view.more)):
        if landmarks.angle is not None:
            angle = landmarks.angle
            log_posterior = log_posterior + ANGLE_EVIDENCE_WEIGHT * np.interp(grid, angle.grid_deg, angle.log_density)
    return _Grid(grid, log_posterior, x[pick], matrix[pick])


ANGLE_EVIDENCE_WEIGHT = 0.5
"""Power given to a finder's direct evidence on the angle: it is not independent of the same finder's landmarks."""


def _fine(grid: _Grid) -> Posterior:
    """Interpolate the log posterior to a fine grid and normalise it."""
    low, high = grid.theta_deg[0], grid.theta_deg[-1]
    fine = np.linspace(low, high, round((high - low) / FINE_STEP_DEG) + 1)
    log_density = CubicSpline(grid.theta_deg, grid.log_posterior)(fine)
    density = np.exp(log_density - log_density.max())
    return Posterior(fine, density / np.trapz(density, fine))


def fit_trial(views: Sequence[View], side: Side, *, breadth_mm: tuple[float, float] | None = None) -> TorsoFit:
    """Fit the torso to the photos of one trial.

    Parameters
    ----------
    views
        One or more photos of the same held position, from any viewpoints.
    side
        The declared side.
    breadth_mm
        Tape-measured biacromial breadth and its standard deviation, millimetres.

    Raises
    ------
    FitError
        If there is no view, or a view has too few landmarks.

    """
    if not views:
        raise FitError("There is no photo to fit.", "Add a photo of the end range.")
    problem = _Problem([Evidence(v) for v in views], torso.breadth_prior(breadth_mm))
    grid = _solve(problem, side)
    posterior = _fine(grid)
    findings: list[Finding] = []
    if posterior.sd_deg > WITHHOLD_SD_DEG:
        findings.append(finding("angle-too-uncertain", sd=f"{posterior.sd_deg:.0f}"))
    withheld = any(f.withholds for f in findings)
    best = int(np.argmax(grid.log_posterior))
    return TorsoFit(
        rotation=Rotation(
            side=side,
            right_deg=None if withheld else posterior.median_deg,
            band_right_deg=None if withheld else posterior.band_deg,
            sd_deg=None if withheld else posterior.sd_deg,
            posterior=None if withheld else posterior,
            origin="automatic",
            findings=tuple(findings),
        ),
        posterior=posterior,
        findings=tuple(findings),
        projected_views=tuple(
            _projected(problem.views[i], grid.theta_deg[best], grid.parameters[best], i) for i in range(len(views))
        ),
        theta_deg=float(posterior.grid_deg[np.argmax(posterior.density)]),
        parameters=grid.parameters[best],
    )


def _projected(view: Evidence, theta_deg: float, x: FloatArray, number: int) -> dict[str, tuple[float, float]]:
    """Return the fitted positions in one view, pixels."""
    points, _ = torso.place(np.radians([theta_deg]), x[None, : torso.PARAMETERS])
    c = x[None, _camera_slice(number)]
    rotation = cam.world_to_camera(c[:, cam.AZIMUTH], c[:, cam.ELEVATION], c[:, cam.ROLL])
    uv = cam.project(cam.to_camera(points, rotation, c), c)[0] * view.focal + view.centre
    return {n: (float(u), float(v)) for n, (u, v) in zip(torso.NAMES, uv, strict=True)}
