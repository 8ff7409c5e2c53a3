"""Runs the networks on a photo: find the person, crop, read landmarks and the angle.

The network reads every person twice, as they are and mirrored.
"""

import functools
import lzma
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort

from vision.arrays import ByteArray, FloatArray
from vision.eye.calibration import (
    ANGLE_BLUR_DEG,
    OBLIQUE_DEG,
    POWER_END_ON,
    POWER_OBLIQUE,
    POWER_SIDE_ON,
    READ_FROM_FEET,
    READ_FROM_HEAD,
    READ_SIDE_ON,
    SCALE_SD,
    SD_FACTOR,
    SD_FLOOR,
)
from vision.findings import finding
from vision.landmark_names import MIRRORED, NAMES
from vision.landmarks import AngleEvidence, CameraLook, Landmark, Landmarks, off_side_deg, trunk_px
from vision.network_form import BIN_EDGE_DEG, BIN_STEP_DEG, LOCATOR_PX, LOG_SD_RANGE, MOST_CORRELATION
from vision.photo import Photo
from vision.sides import Side
from vision.silhouette import Silhouette, without_room

GRID_DEG: FloatArray = np.arange(-BIN_EDGE_DEG, BIN_EDGE_DEG + 1e-9, BIN_STEP_DEG)
CROP_FACTOR = 1.35  # side of the crop over the extent of the landmarks, the middle of the training's range
SETTLE_STEPS = 4
# A first crop fits loosely: its middle lies within a share of its side from where it should, and its side is between so
# many times what it should be.  Such crops the training has, and on development people closer ones read no better
# (card.md); the second look is taken at the better box in any case.
FITS_WITHIN = 0.2
FITS_FROM, FITS_TO = 0.7, 1.5
HOPELESS = 0.02  # probability of the position from which a place that was moved to once is given up
# Quarter turns in which a photo is tried, and how many places in each: as it stands all that `candidates` names, turned
# only the locator's own.
TURNS_TRIED = ((0, 9), (1, 3), (3, 3), (2, 3))
# Where the crop fits a person in position, the network says so with near certainty (0.996 and more for all rendered
# people of the development set and from oblique and head end) and places points to 2 to 4 % of their extent; elsewhere
# it states 10 % and more.
ACCEPT_ABOVE = 0.9
SAME_PERSON = 0.35  # distance of the boxes' centres, parts of their side
CUT_OUT_DOUBT = 1.25  # a cut-out person looks unlike the training's pictures: their stated spread counts for more
SURENESS_POWER = 4  # weight of a reading: its sureness to the minus fourth (development set and phantom pictures)
SURE_BELOW = 0.07  # between the two
BEYOND_DOUBT = 0.02  # surer readings looked at the right thing in all development and phantom pictures


@dataclass(frozen=True)
class Network:
    """Trained weights in this folder, and the side of the pictures that they read, pixels."""

    file: str
    size: int


LOCATOR = Network("locator.onnx.xz", LOCATOR_PX)
EYE = Network("eye.onnx.xz", 256)


@dataclass(frozen=True)
class Box:
    """A square in a photo: centre and side, pixels."""

    x: float
    y: float
    side: float


@dataclass(frozen=True)
class Reading:
    """What the network says about one crop, in pixels of the upright photo.

    Attributes
    ----------
    xy
        Shape (21, 2), pixels.
    cov
        Shape (21, 2, 2), pixels squared, before calibration.
    depth
        Shape (21,), pixels behind the mid-hip point at its scale (weak perspective).
    seen
        Shape (21,), probabilities.
    log_angle
        Shape (133,), log probability over ``GRID_DEG``.
    azimuth_deg
        Direction of the camera around the trunk: 0 the person's right side, 90 the head, 180 left, -90 the feet.
    in_position
        Probability.
    in_room
        Whether the photo was read as it is; False with the room painted over.

    """

    xy: FloatArray
    cov: FloatArray
    depth: FloatArray
    seen: FloatArray
    log_angle: FloatArray
    azimuth_deg: float
    in_position: float
    in_room: bool = True


@functools.cache
def _session(name: str) -> ort.InferenceSession:
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1  # several photos are measured side by side; more threads slow each other down
    options.inter_op_num_threads = 1
    model = lzma.decompress(Path(__file__).with_name(name).read_bytes())
    return ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def _sigmoid(x: FloatArray) -> FloatArray:
    result: FloatArray = 1 / (1 + np.exp(-x))
    return result


def _softmax(x: FloatArray) -> FloatArray:
    e = np.exp(x - x.max())
    result: FloatArray = e / e.sum()
    return result


def crop(pixels: ByteArray, box: Box, size: int) -> FloatArray:
    """Cut a square out of a picture and scale it; shape (3, size, size), 0..1; edges are repeated outward."""
    x0, y0 = box.x - box.side / 2, box.y - box.side / 2
    shrink = box.side / size
    if shrink > 1:  # average before sampling, or fine patterns turn into false ones
        a, b = max(0, int(x0) - 2), max(0, int(y0) - 2)
        c, d = min(pixels.shape[1], int(x0 + box.side) + 3), min(pixels.shape[0], int(y0 + box.side) + 3)
        if c > a + 1 and d > b + 1:
            part = pixels[b:d, a:c]
            w, h = max(2, round((c - a) / shrink)), max(2, round((d - b) / shrink))
            part = np.asarray(cv2.resize(part, (w, h), interpolation=cv2.INTER_AREA), dtype=np.uint8)
            sx, sy = w / (c - a), h / (d - b)
            matrix = np.array([[sx * shrink, 0, (x0 - a) * sx], [0, sy * shrink, (y0 - b) * sy]])
            return _warp(part, matrix, size)
    return _warp(pixels, np.array([[shrink, 0, x0], [0, shrink, y0]]), size)


def _warp(pixels: ByteArray, matrix: FloatArray, size: int) -> FloatArray:
    m = matrix.copy()
    m[:, 2] += m[:, 0] * 0.5 + m[:, 1] * 0.5 - 0.5  # pixel centres lie at +0.5
    out = cv2.warpAffine(
        pixels, m, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    result: FloatArray = np.ascontiguousarray(out.transpose(2, 0, 1)).astype(np.float32) / 255
    return result


def windows(width: int, height: int) -> list[Box]:
    """Squares as large as the photo's shorter side: at its middle and at both ends."""
    side = float(min(width, height))
    slack = (max(width, height) - side) / 2
    steps = (0.0, -slack, slack) if slack > 0.05 * side else (0.0,)
    along = [(step, 0.0) if width >= height else (0.0, step) for step in steps]
    return [Box(width / 2 + dx, height / 2 + dy, side) for dx, dy in along]


def candidates(pixels: ByteArray) -> list[Box]:
    """Where the person may be, most promising first: the locator's boxes, then plain windows of the photo."""
    around = windows(pixels.shape[1], pixels.shape[0])
    pictures = np.stack([crop(pixels, w, LOCATOR.size) for w in around])
    found = _session(LOCATOR.file).run(None, {"image": pictures})[0]
    order = np.argsort(-found[:, 4])
    boxes = []
    for i in order:
        x, y, log_side = (float(v) for v in found[i, :3])
        w = around[i]
        box = Box(w.x + (x - 0.5) * w.side, w.y + (y - 0.5) * w.side, float(np.exp(log_side)) * w.side)
        boxes.append(grown(box))
    smaller = [Box(w.x, w.y + 0.15 * w.side, 0.7 * w.side) for w in around]  # at the lower edge: people kneel low
    return [*boxes, *around, *smaller]


def read(pixels: ByteArray, box: Box, mirrored: bool = False) -> Reading:
    """Read a crop; ``mirrored``, it is flipped before the network and its reading is flipped back."""
    image = crop(pixels, box, EYE.size)
    image = image[:, :, ::-1] if mirrored else image
    session = _session(EYE.file)
    names = [o.name for o in session.get_outputs()]
    found = session.run(None, {"image": np.ascontiguousarray(image)[None]})
    o = {k: v[0].astype(np.float64) for k, v in zip(names, found, strict=True)}
    xy = o["xy"]
    sd = np.exp(np.clip(o["shape"][:, :2], *LOG_SD_RANGE))
    rho = MOST_CORRELATION * np.tanh(o["shape"][:, 2])
    depth, seen, log_angle = o["depth"], _sigmoid(o["seen"]), np.log(_softmax(o["bins"]) + 1e-12)
    azimuth = float(np.degrees(np.arctan2(o["azimuth"][1], o["azimuth"][0])))
    if mirrored:
        xy = np.stack([1 - xy[:, 0], xy[:, 1]], 1)[MIRRORED]
        sd, rho, depth, seen = sd[MIRRORED], -rho[MIRRORED], depth[MIRRORED], seen[MIRRORED]
        log_angle = log_angle[::-1]
        azimuth = (360 - azimuth) % 360 - 180
    cov = np.empty((len(xy), 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = sd[:, 0] ** 2, sd[:, 1] ** 2
    cov[:, 0, 1] = cov[:, 1, 0] = rho * sd[:, 0] * sd[:, 1]
    corner = np.array([box.x, box.y]) - box.side / 2
    return Reading(
        xy * box.side + corner,
        cov * box.side**2,
        depth * box.side,
        seen,
        log_angle,
        azimuth,
        float(_sigmoid(o["in_position"])),
    )


def extent(xy: FloatArray) -> Box:
    """Square around landmarks."""
    low, high = xy.min(0), xy.max(0)
    x, y = (low + high) / 2
    return Box(float(x), float(y), float((high - low).max()))


def grown(box: Box) -> Box:
    """Return the crop to be read around somebody of this extent."""
    return Box(box.x, box.y, box.side * CROP_FACTOR)


def sureness(r: Reading) -> float:
    """Return the median stated standard deviation of the landmarks, in parts of their extent: small when sure."""
    return float(np.median(np.sqrt(np.trace(r.cov, axis1=1, axis2=2) / 2)) / extent(r.xy).side)


def _settle(pixels: ByteArray, start: Box) -> tuple[Reading, Box] | None:
    """Read, crop anew around what was read, until the crop fits the person; None where nobody in position is."""
    box = start
    for attempt in range(SETTLE_STEPS):
        r = read(pixels, box)
        better = grown(extent(r.xy))
        moved = float(np.hypot(better.x - box.x, better.y - box.y)) / better.side
        fits = moved < FITS_WITHIN and FITS_FROM < box.side / better.side < FITS_TO
        if fits:
            good = r.in_position > ACCEPT_ABOVE and sureness(r) < SURE_BELOW
            return (r, better) if good else None
        if attempt > 0 and r.in_position < HOPELESS:
            return None
        box = better
    return None


def read_photo(pixels: ByteArray, passes: int = 2, silhouette: Silhouette | None = None) -> tuple[list[Reading], int]:
    """Find the person in the position and read them in one look or two (``passes``).

    The photo is tried as it stands, then turned (:data:`TURNS_TRIED`).  Where the reading leaves a doubt and
    there is a ``silhouette``, the person is read as often again with the room painted over; readings that do not look
    at the same person as the surest one are dropped.

    Returns
    -------
    readings
        In pixels of the photo turned by ``turns``; empty where nobody in position was found.
    turns
        Quarter turns clockwise that bring the photo upright.

    """
    for turns, most in TURNS_TRIED:
        upright = np.ascontiguousarray(np.rot90(pixels, -turns))
        readings = _read_upright(upright, candidates(upright)[:most], passes)
        if not readings and turns:
            continue
        if silhouette is not None and _doubtful(readings):
            mask = silhouette.find(upright)
            alone = None if mask is None else without_room(upright, mask)
            if alone is not None:
                starts = [grown(extent(r.xy)) for r in readings[:1]] + candidates(alone)[:3]
                cut_out = [replace(r, in_room=False) for r in _read_upright(alone, starts, passes)]
                readings = _same_person([*readings, *cut_out])
        if readings:
            return readings, turns
    return [], 0


def _doubtful(readings: list[Reading]) -> bool:
    return not readings or max(sureness(r) for r in readings) >= BEYOND_DOUBT


def _read_upright(pixels: ByteArray, starts: list[Box], passes: int) -> list[Reading]:
    """Read at the first place that is beyond doubt, or else at the surest of all."""
    best: tuple[Reading, Box] | None = None
    for start in starts:
        settled = _settle(pixels, start)
        if settled is not None and (best is None or sureness(settled[0]) < sureness(best[0])):
            best = settled
        if best is not None and sureness(best[0]) < BEYOND_DOUBT:
            break
    if best is None:
        return []
    first, box = best
    readings = [first] if passes == 1 else [first, read(pixels, box, mirrored=True)]
    return readings if min(r.in_position for r in readings) > ACCEPT_ABOVE else []


def _same_person(readings: list[Reading]) -> list[Reading]:
    """Keep the readings that look at the person of the surest one."""
    if not readings:
        return []
    surest = extent(min(readings, key=sureness).xy)
    boxes = [extent(r.xy) for r in readings]
    near = [np.hypot(b.x - surest.x, b.y - surest.y) < SAME_PERSON * surest.side for b in boxes]
    return [r for r, keep in zip(readings, near, strict=True) if keep]


def merge(readings: list[Reading]) -> Reading:
    """Average several readings of one photo, the surer the more; their scatter is added to the covariance."""
    w = np.array([(sureness(r) * (1 if r.in_room else CUT_OUT_DOUBT)) ** -SURENESS_POWER for r in readings])
    w = w / w.sum()

    def mean(values: list[FloatArray]) -> FloatArray:
        result: FloatArray = np.tensordot(w, np.array(values), 1)
        return result

    xy = mean([r.xy for r in readings])
    scatter = mean([(r.xy - xy)[:, :, None] * (r.xy - xy)[:, None, :] for r in readings])
    azimuth = np.radians([r.azimuth_deg for r in readings])
    return Reading(
        xy,
        mean([r.cov for r in readings]) + scatter,
        mean([r.depth for r in readings]),
        mean([r.seen for r in readings]),
        np.log(mean([np.exp(r.log_angle) for r in readings]) + 1e-12),
        float(np.degrees(np.arctan2(w @ np.sin(azimuth), w @ np.cos(azimuth)))),
        float(w @ np.array([r.in_position for r in readings])),
    )


def toward_feet_and_head(azimuth_deg: float) -> tuple[float, float]:
    """How far the camera stands toward the feet and toward the head, 0 (side-on) to 1."""
    along = float(np.sin(np.radians(azimuth_deg)))
    return max(-along, 0.0), max(along, 0.0)


def believed(log_angle: FloatArray, power: float, scale: float, scale_sd: float) -> FloatArray:
    """Log density over ``GRID_DEG`` of the true angle, per degree, from the network's distribution.

    Parameters
    ----------
    log_angle
        As :attr:`Reading.log_angle`.
    power
        Power to which the distribution is raised.
    scale
        Angle that is read on average, in parts of the true one.
    scale_sd
        Standard deviation of that scale, parts of the angle.

    """
    p = np.exp((log_angle - log_angle.max()) * power)
    centre = GRID_DEG / scale
    sd = np.hypot(ANGLE_BLUR_DEG, scale_sd * centre)
    kernel = np.exp(-0.5 * ((GRID_DEG[:, None] - centre) / sd) ** 2) / sd
    blurred = kernel @ (p / p.sum()) * BIN_STEP_DEG / np.sqrt(2 * np.pi)
    result: FloatArray = np.log(blurred + 1e-6 / len(p))
    return result


def read_of_true(azimuth_deg: float) -> float:
    """Angle that is read on average from a camera at ``azimuth_deg``, in parts of the true one."""
    feet, head = toward_feet_and_head(azimuth_deg)
    return READ_SIDE_ON + (READ_FROM_FEET - READ_SIDE_ON) * feet + (READ_FROM_HEAD - READ_SIDE_ON) * head


def angle_evidence(log_angle: FloatArray, azimuth_deg: float) -> AngleEvidence:
    """Turn the network's distribution, read from a camera at ``azimuth_deg``, into calibrated evidence.

    The network is trained on its own renderer: elsewhere its readings are a little too large or too small by where the
    camera stands, and more or less sure than they should be.  The distribution is raised to a measured power, its
    angles are divided by the measured scale of the readings, and it is blurred by the measured surplus error (see
    :mod:`vision.eye.calibration`).
    """
    powers = (POWER_SIDE_ON, POWER_OBLIQUE, POWER_END_ON)
    power = float(np.interp(off_side_deg(azimuth_deg), (0.0, OBLIQUE_DEG, 90.0), powers))
    return AngleEvidence(GRID_DEG, believed(log_angle, power, read_of_true(azimuth_deg), SCALE_SD), "eye")


class EyeFinder:
    """Landmark finder of our own, for this position only; may be used from several threads.

    Parameters
    ----------
    passes
        1: as the photo is; 2: also mirrored.  As many again with the room painted over, where there is doubt.
    silhouette
        Where the outline of the person comes from; None to read the photo as it is only.

    """

    name = "eye-5"

    def __init__(self, passes: int = 2, silhouette: Silhouette | None = None) -> None:
        self.passes = passes
        self.silhouette = silhouette

    def find(self, photo: Photo, side: Side) -> Landmarks:
        """Return the landmarks; ``side`` is not used, so that exchanged photos can be noticed."""
        del side
        readings, turns = read_photo(photo.pixels, self.passes, self.silhouette)
        if not readings:
            return Landmarks({}, self.name, 0.0, None, (finding("not-in-position"),))
        reading = merge(readings)
        xy = turn_back(reading.xy, turns, photo.width, photo.height)
        cov = reading.cov.copy()
        if turns % 2:
            cov = cov[:, ::-1, ::-1] * np.array([[1, -1], [-1, 1]])
        size = trunk_px(dict(zip(NAMES, xy, strict=True)))
        cov = cov * SD_FACTOR**2 + np.eye(2) * (SD_FLOOR * size) ** 2
        points = {
            n: Landmark(
                float(xy[i, 0]), float(xy[i, 1]), (float(cov[i, 0, 0]), float(cov[i, 0, 1]), float(cov[i, 1, 1])),
                bool(reading.seen[i] > 0.5), "eye",
            )
            for i, n in enumerate(NAMES)
        }  # fmt: skip
        look = CameraLook(-turns % 4, reading.azimuth_deg)
        direct = angle_evidence(reading.log_angle, reading.azimuth_deg)
        return Landmarks(points, self.name, reading.in_position, direct, camera=look)


def turn_back(xy: FloatArray, turns: int, width: int, height: int) -> FloatArray:
    """Return points of the picture turned clockwise by quarter ``turns``, (N, 2), in pixels of the photo as it was.

    ``width`` and ``height`` are those of the photo as it was.
    """
    x, y = xy[:, 0], xy[:, 1]
    back = {0: (x, y), 1: (y, height - x), 2: (width - x, height - y), 3: (width - y, x)}[turns]
    return np.stack(back, 1)
