"""Landmarks of one photo as evidence: how far each is believed, and how likely a projection makes them."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision import camera as cam
from vision import torso
from vision.arrays import FloatArray
from vision.disagreement import SECOND_LOOK, ratio
from vision.errors import FitError
from vision.findings import finding
from vision.landmark_names import key_of
from vision.landmarks import Landmark, Landmarks
from vision.sides import Side

GROSS_ERROR = 0.35  # SD of a grossly wrong landmark, units of the trunk's length in the photo


@dataclass(frozen=True, slots=True)
class Trust:
    """How far the stated covariance of a source is believed.

    Attributes
    ----------
    floor
        Standard deviation added to the stated one, units of the trunk's length in the photo.
    spread
        Multiplies the stated standard deviation.
    miss
        Probability of a gross error.
    swap
        Probability that left and right of a pair are exchanged.

    """

    floor: float
    miss: float
    swap: float
    spread: float = 1.0


# Hand-placed points carry the scatter stated with them, and so do those of the general pose model, whose finder states
# the scatter it has on rendered people in this position; it orders the hips by chance.
#
# The points that the network reads from one photo err together, each no farther than stated: taken as independent they
# would promise too much.  READ_TOGETHER is what fits the errors of the angle on the development people, by the mean
# log density of the truth and by the interval score (``python -m tests.bench.fit_bench --calibrate FOLDER``).
READ_TOGETHER = 5.0
TRUST = {
    "hand": Trust(0.003, 0.02, 0.01),
    "eye": Trust(0.005, 0.04, 0.02, READ_TOGETHER),
    "pose-model": Trust(0.0, 0.06, 0.05),
    # beside the network: its points err together as well, and in the same direction in every picture
    SECOND_LOOK: Trust(0.0, 0.06, 0.20, 2 * READ_TOGETHER),
}
HIPS = {"pose-model": Trust(0.05, 0.06, 0.50), SECOND_LOOK: Trust(0.0, 0.06, 0.50, 2 * READ_TOGETHER)}
FEWEST_NAMES = 4
NEGLIGIBLE = 1e-7  # probability of a labelling below which a step does not ask for it


@dataclass(frozen=True)
class View:
    """One photo of a trial, as the fit needs it.

    Attributes
    ----------
    landmarks
        What a finder or a person placed.
    width, height
        Pixels.
    focal_px
        Focal length, pixels; None when unknown.
    roll
        Mean and SD, radians, of the camera's roll where something tells it; None for a phone held by hand.

    """

    landmarks: Landmarks
    width: int
    height: int
    focal_px: float | None
    roll: tuple[float, float] | None = None

    def points_for(self, side: Side) -> Iterator[tuple[str, Landmark]]:
        """Yield name and landmark of the finder and of the second look beside it, for the names the torso has.

        Only the elbow of the support arm has a place in it, the one opposite to ``side``; at the start either arm may
        be the support.
        """
        second = self.landmarks.second
        for landmarks in (self.landmarks,) if second is None else (self.landmarks, second):
            for name, point in landmarks.points.items():
                if name in torso.INDEX and not (name.startswith("elbow") and name != f"elbow_{_support(side)}"):
                    yield name, point


@dataclass(frozen=True, slots=True)
class Terms:
    """Residuals (B, N, 2) of landmarks under a labelling and their weights (B, N, 3): xx, xy, yy of a precision."""

    index: NDArray[np.intp]
    residual: FloatArray
    weight: FloatArray


def _support(side: Side) -> str | None:
    return None if side is Side.START else side.other.value


def _trust(name: str, point: Landmark) -> Trust:
    if name.startswith("hip") and point.source in HIPS:
        return HIPS[point.source]
    return TRUST.get(point.source, TRUST["eye"])


class Evidence:
    """The landmarks of one view as arrays, in normalised image units (see :mod:`vision.camera`).

    Raises
    ------
    FitError
        If fewer than four named points are given.

    """

    def __init__(self, view: View, side: Side) -> None:
        self.view = view
        self.side = side
        self.focal, self.focal_sd = cam.nominal_focal_px(view.focal_px, view.width, view.height)
        self.centre = np.array([view.width / 2, view.height / 2])
        given = list(view.points_for(side))
        self.names = [n for n, _ in given]
        if len(set(self.names)) < FEWEST_NAMES:
            raise FitError.of(finding("fit-impossible"))
        self.points = [p for _, p in given]
        self.own = [p.source != SECOND_LOOK for p in self.points]
        """Whether each point is the finder's own; what only checks it is not shown, and not for people to correct."""
        self.xy = (np.array([[p.x, p.y] for p in self.points]) - self.centre) / self.focal
        self.trunk = self._trunk_length()
        self.index = np.array([torso.INDEX[n] for n in self.names])
        self.partner = torso.PARTNER[self.index]
        trust = [_trust(n, p) for n, p in given]
        cov = np.array([p.cov for p in self.points]) * np.array([[t.spread**2] for t in trust]) / self.focal**2
        floor = np.array([(t.floor * self.trunk) ** 2 for t in trust])
        self.cov = np.stack([cov[:, 0] + floor, cov[:, 1], cov[:, 2] + floor], -1)
        second = view.landmarks.second
        self.disagreement = 1.0 if second is None else ratio(view.landmarks, second)
        """How many times further apart finders place the same points than their spreads explain; at least 1."""
        self.cov *= self.disagreement**2
        self.miss = np.array([t.miss for t in trust])
        self._log_hit, self._log_miss = (np.tile(v, 2) for v in (np.log1p(-self.miss), np.log(self.miss)))
        self._twice_xy, self._twice_cov = np.tile(self.xy, (2, 1)), np.tile(self.cov, (2, 1))
        self.miss_variance = (GROSS_ERROR * self.trunk) ** 2
        groups: dict[tuple[str, str], int] = {}
        self.group = np.array([groups.setdefault((p.source, key_of(n)), len(groups)) for n, p in given], dtype=np.intp)
        self.member = np.zeros((len(given), len(groups)))
        self.member[np.arange(len(given)), self.group] = 1
        swap = np.zeros(len(groups))
        swap[self.group] = [0.0 if i == q else t.swap for i, q, t in zip(self.index, self.partner, trust, strict=True)]
        self.log_swapped = np.log(np.maximum(swap, 1e-300))
        self.log_own = np.log1p(-swap)

    def _trunk_length(self) -> float:
        """Rough length of T in the photo, also where the trunk is seen foreshortened, normalised units."""

        def middle(*keys: str) -> FloatArray | None:
            at = [self.xy[i] for i, n in enumerate(self.names) if key_of(n) in keys]
            return np.mean(at, axis=0) if at else None

        length = 0.35 * float(np.max(np.ptp(self.xy, axis=0)))
        top, bottom = middle("acromion", "shoulder_joint"), middle("hip_joint")
        if top is not None and bottom is not None:
            length = max(length, float(np.linalg.norm(top - bottom)))
        return max(length, 1e-6)

    def log_likelihood(self, uv: FloatArray, extra: FloatArray, blur: float) -> tuple[FloatArray, Terms]:
        """Return the log likelihood and what a Gauss-Newton step needs.

        Every landmark is either placed with its covariance or grossly wrong; every pair is labelled as stated or
        swapped.

        Parameters
        ----------
        uv
            Shape (B, K, 2), projected positions of all names of the torso.
        extra
            Shape (B, K, 3), covariances (xx, xy, yy) of these positions from the freedom of the points themselves.
        blur
            Standard deviation added to every landmark, units of the trunk's length in the photo; above zero only on
            the way, so that a good landmark is not taken for a gross error before the fit has come near.

        Returns
        -------
        log_likelihood
            Shape (B,).
        terms
            As labelled and swapped, each weighted by its probability given ``uv``.

        """
        blur_variance = (blur * self.trunk) ** 2
        own, swapped, terms, _ = self._weigh(uv, extra, blur_variance)
        total = np.logaddexp(own, swapped)
        share = np.exp(own - total)[:, self.group]
        share = np.concatenate([share, 1 - share], -1)
        kept = np.flatnonzero(share.max(0) > NEGLIGIBLE)
        weight = terms.weight[:, kept] * share[:, kept, None]
        return total.sum(-1), Terms(terms.index[kept], terms.residual[:, kept], weight)

    def _weigh(
        self, uv: FloatArray, extra: FloatArray, blur_variance: float
    ) -> tuple[FloatArray, FloatArray, Terms, FloatArray]:
        """Return the pairs' log likelihoods (B, G) as labelled and swapped, the terms of both and how sound they are.

        Terms come as labelled, then swapped.  Sound is each landmark's probability, shape (B, 2 N) in the same order,
        of not being grossly wrong.
        """
        both = np.concatenate([self.index, self.partner])
        r = self._twice_xy - uv[:, both]
        c = self._twice_cov + extra[:, both]
        xx, xy, yy = c[..., 0] + blur_variance, c[..., 1], c[..., 2] + blur_variance
        det = xx * yy - xy**2
        rx, ry = r[..., 0], r[..., 1]
        square = (yy * rx**2 - 2 * xy * rx * ry + xx * ry**2) / det
        hit = self._log_hit - 0.5 * (square + np.log(det))
        a, b = xx + self.miss_variance, yy + self.miss_variance
        off = self._log_miss - 0.5 * (rx**2 / a + ry**2 / b + np.log(a * b))
        either = np.logaddexp(hit, off)
        sound = np.exp(hit - either)
        gross, weight = 1 - sound, np.empty_like(c)
        sound_over = sound / det
        weight[..., 0] = sound_over * yy + gross / a
        weight[..., 1] = -sound_over * xy
        weight[..., 2] = sound_over * xx + gross / b
        n = len(self.index)
        own = either[:, :n] @ self.member + self.log_own
        swapped = either[:, n:] @ self.member + self.log_swapped
        return own, swapped, Terms(both, r, weight), sound

    def residuals(self, uv: FloatArray, extra: FloatArray, exchanged: NDArray[np.bool_]) -> FloatArray:
        """Return rows (B, 3 N) that square to minus twice the log likelihood of one labelling, up to a constant.

        A landmark's two residuals are whitened by its covariance and drawn together so far as it may be grossly
        wrong; the third row holds what the size of the covariance costs.

        Parameters
        ----------
        uv, extra
            As for :meth:`log_likelihood`.
        exchanged
            Shape (N,), the landmarks whose labels left and right are taken to be exchanged.

        """
        index = np.where(exchanged, self.partner, self.index)
        r, c = self.xy - uv[:, index], self.cov + extra[:, index]
        rx, ry = r[..., 0], r[..., 1]
        log_hit, log_off = self._heights(c)
        hit = np.exp(log_hit - np.logaddexp(log_hit, log_off))
        edge = np.sqrt(c[..., 0])
        slant = c[..., 1] / edge
        wx = rx / edge
        wy = (ry - slant * wx) / np.sqrt(c[..., 2] - slant**2)
        square = wx**2 + wy**2
        far = rx**2 / (c[..., 0] + self.miss_variance) + ry**2 / (c[..., 2] + self.miss_variance)
        cost = -2 * np.log1p(hit * np.expm1(-square / 2) + (1 - hit) * np.expm1(-far / 2))
        drawn = np.sqrt(cost / np.maximum(square, 1e-20))
        placed = np.logaddexp(*self._heights(self.cov)) - np.logaddexp(log_hit, log_off)
        return np.concatenate([drawn * wx, drawn * wy, np.sqrt(2 * np.maximum(placed, 0.0))], -1)

    def _heights(self, c: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return log densities at no residual, for a landmark placed with covariance ``c`` and for a gross error."""
        n = len(self.index)
        hit = self._log_hit[:n] - 0.5 * np.log(c[..., 0] * c[..., 2] - c[..., 1] ** 2)
        off = self._log_miss[:n] - 0.5 * np.log((c[..., 0] + self.miss_variance) * (c[..., 2] + self.miss_variance))
        return hit, off

    def judge(self, uv: FloatArray, extra: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return for each landmark the probabilities of a gross error, as labelled, and of an exchanged label.

        Shape (N,) each.  Parameters are those of :meth:`log_likelihood` for a batch of one.
        """
        own, swapped, _, sound = self._weigh(uv, extra, 0.0)
        exchanged = (1 / (1 + np.exp(np.clip(own - swapped, -500, 500))))[0, self.group]
        return 1 - sound[0, : len(self.index)], exchanged
