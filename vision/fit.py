"""The torso fit: from landmarks of one trial, or of all trials of a person, to distributions over the rotation angle.

The posterior of each trial comes from :mod:`vision.solver`, with both folds where there are two, and its mode from
:mod:`vision.most_probable`.  Trials of one person share the breadth of the body, which carries most of the uncertainty
in side-on photos, up to a slack.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.errors import FitError
from vision.evidence import Evidence, View
from vision.findings import Finding
from vision.fit_findings import WITHHOLD_SD_DEG, notice, second_fold
from vision.landmarks import AngleEvidence
from vision.most_probable import most_probable
from vision.rotation import Posterior, Rotation
from vision.sides import Side
from vision.solver import Problem, camera_slice, solve, variances

__all__ = ["WITHHOLD_SD_DEG", "TorsoFit", "Trial", "View", "fit_person", "fit_trial"]

FINE_STEP_DEG = 0.5

ANGLE_EVIDENCE_WEIGHT = 0.9
"""Power given to a finder's direct evidence on the angle, which is not independent of the same finder's landmarks.

Chosen with :data:`vision.evidence.READ_TOGETHER` on the development people (``tests/bench/render_people.py``, seed 77):
``python -m tests.bench.fit_bench --calibrate FOLDER`` prints both over a grid.
"""

SHARED_READING_ERROR = 0.3
"""How much of the information of each further photo of a trial, read by the same network, is not new.

The value in tenths with the highest mean log density of the truth among trials of the development people with several
photos; the same command prints it.
"""


def told_again(count: int, shared: float = SHARED_READING_ERROR) -> float:
    """Return by what the information of ``count`` photos of a trial read by one network is divided."""
    return 1 + shared * (count - 1)


DISAGREE_OVERLAP = 0.3
"""Overlap (Bhattacharyya) of landmarks and direct evidence below which they are pooled instead of multiplied."""

BREADTH_SLACK = 0.02
"""SD of the breadth over T between trials of one person: the girdle narrows 3 to 4 %, T changes 2 % (judgement)."""


@dataclass(frozen=True)
class Trial:
    """The photos of one trial: the same held position, from any viewpoints."""

    views: Sequence[View]
    side: Side


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
        The most probable angle, together with body and cameras.
    parameters
        The most probable body and camera parameters.
    problem
        What was fitted, with what the person's other trials say about the breadth.
    log_evidence
        Logarithm of how well the declared side explains the photos, up to a constant that is the same for every
        side: fits of the same photos to different sides may be compared by it.

    """

    rotation: Rotation
    posterior: Posterior
    findings: tuple[Finding, ...]
    projected_views: tuple[Mapping[str, tuple[float, float]], ...]
    theta_deg: float
    parameters: FloatArray = field(repr=False)
    problem: Problem = field(repr=False)
    log_evidence: float

    @property
    def projected(self) -> Mapping[str, tuple[float, float]]:
        """Fitted positions, pixels, in the first view."""
        return self.projected_views[0]


@dataclass(frozen=True)
class _Profile:
    """One trial on a fine grid: log posterior, and mean and variance of the breadth at each angle."""

    side: Side
    problem: Problem
    grid_deg: FloatArray
    log_posterior: FloatArray
    breadth_mean: FloatArray
    breadth_variance: FloatArray
    parameters: FloatArray  # at the coarse grid angle nearest to each fine one
    direct: FloatArray  # log of what direct evidence adds at each angle
    evidence_disagrees: bool
    log_evidence: float


def _profile(trial: Trial, breadth: tuple[float, float], angle_weight: float, shared_reading_error: float) -> _Profile:
    if not trial.views:
        raise FitError("There is no photo to fit.", "Add a photo of the end range.")
    problem = Problem([Evidence(v, trial.side) for v in trial.views], breadth)
    coarse = solve(problem, trial.side)
    low, high = coarse.theta_deg[0], coarse.theta_deg[-1]
    fine = np.linspace(low, high, round((high - low) / FINE_STEP_DEG) + 1)
    log_posterior = CubicSpline(coarse.theta_deg, coarse.log_posterior)(fine)
    by_landmarks = log_posterior
    evidence = float(logsumexp(log_posterior))
    disagrees = False
    for view in problem.views:
        angle = view.view.landmarks.angle
        if angle is not None:
            weight = angle_weight / view.disagreement**2  # whoever misread the photo misread its angle too
            direct = np.interp(fine, angle.grid_deg, angle.log_density)
            evidence += float(logsumexp(log_posterior - logsumexp(log_posterior) + weight * direct))
            log_posterior, apart = _weigh(fine, log_posterior, angle, weight, trial.side)
            disagrees |= apart
    direct_log = log_posterior - by_landmarks
    read = sum(v.landmarks.angle is not None for v in trial.views)
    if read > 1:
        log_posterior = log_posterior / told_again(read, shared_reading_error)
    variance = variances(coarse.matrix, [torso.BREADTH])[:, 0]
    nearest = np.clip(np.rint((fine - low) / (high - low) * (len(coarse.theta_deg) - 1)).astype(int), 0, None)
    return _Profile(
        side=trial.side,
        problem=problem,
        grid_deg=fine,
        log_posterior=log_posterior - logsumexp(log_posterior),
        breadth_mean=np.interp(fine, coarse.theta_deg, coarse.parameters[:, torso.BREADTH]),
        breadth_variance=np.interp(fine, coarse.theta_deg, variance),
        parameters=coarse.parameters[nearest],
        direct=direct_log,
        evidence_disagrees=disagrees,
        log_evidence=evidence,
    )


def _weigh(
    grid_deg: FloatArray, log_posterior: FloatArray, evidence: AngleEvidence, weight: float, side: Side
) -> tuple[FloatArray, bool]:
    """Bring in direct evidence on the angle: multiply where it agrees with the landmarks, else average the two."""
    log_evidence = weight * np.interp(grid_deg, evidence.grid_deg, evidence.log_density)
    alone = log_evidence + torso.rotation_log_prior(grid_deg, side)
    alone = alone - logsumexp(alone)
    ours = log_posterior - logsumexp(log_posterior)
    if np.exp(0.5 * (alone + ours)).sum() < DISAGREE_OVERLAP:
        return np.logaddexp(alone, ours), True
    return ours + log_evidence, False


def _messages(profile: _Profile, breadths: FloatArray, prior: tuple[float, float]) -> FloatArray:
    """Return log p(photos, angle | shared breadth), shape (angles, breadths), up to a constant.

    At each angle what the photos say about the breadth is normal: their posterior divided by the prior.  The slack
    between trials is integrated out.
    """
    mean, sd = prior
    precision = np.maximum(1 / profile.breadth_variance - 1 / sd**2, 1e-3)
    centre = (profile.breadth_mean / profile.breadth_variance - mean / sd**2) / precision
    spread = 1 + precision * sd**2
    log_norm = 0.5 * np.log(spread) + 0.5 * (centre - mean) ** 2 * precision / spread
    slack = 1 + precision * BREADTH_SLACK**2
    log_density = -0.5 * (breadths - centre[:, None]) ** 2 * (precision / slack)[:, None] - 0.5 * np.log(slack)[:, None]
    result: FloatArray = (profile.log_posterior + log_norm)[:, None] + log_density
    return result


@dataclass(frozen=True, slots=True)
class _Shared:
    """One trial in the light of the person's others.

    ``shared_sd_deg`` is the signed SD of the magnitude that the breadth causes; ``breadth`` is mean and SD of this
    trial's breadth over T by all that is known without it.
    """

    posterior: Posterior
    shared_sd_deg: float
    breadth: tuple[float, float]


def _share_breadth(profiles: Sequence[_Profile], prior: tuple[float, float]) -> list[_Shared]:
    """Return each trial in the light of all."""
    mean, sd = prior
    shared_sd = math.sqrt(max(sd**2 - BREADTH_SLACK**2, 1e-6))
    breadths = mean + shared_sd * np.linspace(-4, 4, 81)
    log_prior = -0.5 * ((breadths - mean) / shared_sd) ** 2
    messages = [_messages(p, breadths, prior) for p in profiles]
    about_breadth = [logsumexp(m, axis=0) for m in messages]
    everything = log_prior + np.sum(about_breadth, axis=0)
    results = []
    for profile, message, own in zip(profiles, messages, about_breadth, strict=True):
        others = everything - own
        log_joint = message + others
        joint = np.exp(log_joint - log_joint.max())
        density = joint.sum(1)
        density /= np.trapz(density, profile.grid_deg)
        by_breadth = joint.sum(0)
        by_breadth /= by_breadth.sum()
        expected = profile.grid_deg @ joint / np.maximum(joint.sum(0), 1e-300) * (profile.side.sign or 1)
        middle = by_breadth @ expected
        spread = math.sqrt(float(by_breadth @ (expected - middle) ** 2))
        falls = float(by_breadth @ ((expected - middle) * (breadths - by_breadth @ breadths))) < 0
        without = np.exp(others - others.max())
        known = float(np.average(breadths, weights=without))
        known_sd = math.sqrt(float(np.average((breadths - known) ** 2, weights=without)) + BREADTH_SLACK**2)
        results.append(_Shared(Posterior(profile.grid_deg, density), -spread if falls else spread, (known, known_sd)))
    return results


def fit_trial(
    views: Sequence[View],
    side: Side,
    *,
    breadth_mm: tuple[float, float] | None = None,
    angle_weight: float = ANGLE_EVIDENCE_WEIGHT,
) -> TorsoFit:
    """Fit the torso to the photos of one trial.

    Parameters
    ----------
    views
        One or more photos of the same held position, from any viewpoints.
    side
        The declared side.
    breadth_mm
        Tape-measured biacromial breadth and its standard deviation, millimetres.
    angle_weight
        Power given to direct evidence on the angle.

    Raises
    ------
    FitError
        If there is no view, or a view has too few landmarks.

    """
    return fit_person([Trial(views, side)], breadth_mm=breadth_mm, angle_weight=angle_weight)[0]


def fit_person(
    trials: Sequence[Trial],
    *,
    breadth_mm: tuple[float, float] | None = None,
    angle_weight: float = ANGLE_EVIDENCE_WEIGHT,
    shared_reading_error: float = SHARED_READING_ERROR,
) -> tuple[TorsoFit, ...]:
    """Fit all trials of one person together, in the order given: they share the breadth of the body, with slack.

    Parameters
    ----------
    trials
        Trials of one round, or of several.
    breadth_mm, angle_weight
        As for :func:`fit_trial`.
    shared_reading_error
        Part of what each further photo of a trial tells that the same network's other readings told already, 0 to 1.

    Raises
    ------
    FitError
        If a trial has no view, or a view has too few landmarks.

    """
    prior = torso.breadth_prior(breadth_mm)
    profiles = [_profile(t, prior, angle_weight, shared_reading_error) for t in trials]
    return tuple(
        _result(profile, shared, taped=breadth_mm is not None)
        for profile, shared in zip(profiles, _share_breadth(profiles, prior), strict=True)
    )


def _mode(profile: _Profile, problem: Problem, posterior: Posterior) -> tuple[float, FloatArray]:
    """Return the most probable angle, degrees, and parameters, sought from the best node and that of a second fold."""
    grid = profile.grid_deg
    peaks = [int(np.argmax(posterior.density))]
    second = second_fold(posterior)
    if second is not None:
        peaks.append(int(np.argmin(np.abs(grid - second))))
    starts = [np.concatenate([np.radians(grid[[k]]), profile.parameters[k]]) for k in peaks]
    direct = None
    if np.ptp(profile.direct) > 0:
        top = int(np.argmax(profile.direct))
        rows = np.sign(grid - grid[top]) * np.sqrt(2 * (profile.direct[top] - profile.direct))

        def direct(theta: FloatArray) -> FloatArray:
            return np.interp(np.degrees(theta), grid, rows)

    found = most_probable(problem, profile.side, starts, direct)
    return float(np.clip(np.degrees(found[0]), grid[0], grid[-1])), found[1:]


def _result(profile: _Profile, shared: _Shared, *, taped: bool) -> TorsoFit:
    posterior, shared_sd_deg = shared.posterior, shared.shared_sd_deg
    problem = Problem(profile.problem.views, shared.breadth)
    theta_deg, x = _mode(profile, problem, posterior)
    findings = notice(
        problem,
        profile.side,
        posterior,
        theta_deg,
        x,
        shared_sd_deg=shared_sd_deg,
        taped=taped,
        evidence_disagrees=profile.evidence_disagrees,
    )
    withheld = any(f.withholds for f in findings)
    return TorsoFit(
        rotation=Rotation(
            side=profile.side,
            right_deg=None if withheld else posterior.median_deg,
            band_right_deg=None if withheld else posterior.band_deg,
            sd_deg=None if withheld else posterior.sd_deg,
            posterior=None if withheld else posterior,
            origin="automatic",
            findings=findings,
            shared_sd_deg=0.0 if withheld else shared_sd_deg,
        ),
        posterior=posterior,
        findings=findings,
        projected_views=tuple(_projected(problem, i, theta_deg, x) for i in range(len(problem.views))),
        theta_deg=theta_deg,
        parameters=x,
        problem=problem,
        log_evidence=profile.log_evidence,
    )


def _projected(problem: Problem, number: int, theta_deg: float, x: FloatArray) -> dict[str, tuple[float, float]]:
    """Return the fitted positions in one view, pixels."""
    view = problem.views[number]
    points, _ = torso.place(np.radians([theta_deg]), x[None, : torso.PARAMETERS])
    c = x[None, camera_slice(number)]
    rotation = cam.world_to_camera(c[:, cam.AZIMUTH], c[:, cam.ELEVATION], c[:, cam.ROLL])
    uv = cam.project(cam.to_camera(points, rotation, c), c)[0] * view.focal + view.centre
    return {n: (float(u), float(v)) for n, (u, v) in zip(torso.NAMES, uv, strict=True)}
