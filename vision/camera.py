"""A pinhole camera anywhere around the trunk.

World frame, in units of the person's trunk length T (mid-hip to mid-acromion), origin halfway along the trunk
axis: X horizontal, toward the head; Y horizontal, to the person's left; Z up.  Camera frame: x to the right of
the photo, y down, z forward.  The principal point is the centre of the photo; there is no lens distortion.

A camera is six numbers: azimuth and elevation of the camera as seen from the trunk, roll about the optical
axis, logarithm of the depth of the trunk's middle in units of T, and where that middle falls in the photo; a
seventh is the logarithm of the true over the nominal focal length.  Image positions are *normalised*: pixels
from the photo's centre divided by the nominal focal length.
"""

import math

import numpy as np

from vision.arrays import FloatArray

AZIMUTH, ELEVATION, ROLL, LOG_DEPTH, U0, V0, LOG_FOCAL = range(7)
PARAMETERS = 7

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Diagonal of the film frame: "35 mm equivalent" is meant by equal diagonal angle of view (CIPA DCG-001, "Guideline for
Noting Digital Camera Specifications in Catalogs")."""

# Main cameras of phones lie between 23 and 29 mm equivalent (maker data, from memory): a stated assumption.
ASSUMED_FOCAL_35MM = 26.0
ASSUMED_FOCAL_LOG_SD = 0.15
# An EXIF focal length is rounded to whole millimetres, and crops and stabilisation change it by a few percent.
EXIF_FOCAL_LOG_SD = 0.03


def nominal_focal_px(focal_px: float | None, width: int, height: int) -> tuple[float, float]:
    """Return the focal length to use, pixels, and the standard deviation of its logarithm."""
    if focal_px is not None and focal_px > 0:
        return focal_px, EXIF_FOCAL_LOG_SD
    return ASSUMED_FOCAL_35MM / FILM_DIAGONAL_MM * math.hypot(width, height), ASSUMED_FOCAL_LOG_SD


def world_to_camera(azimuth: FloatArray, elevation: FloatArray, roll: FloatArray) -> FloatArray:
    """Return rotation matrices from world to camera axes.

    Parameters
    ----------
    azimuth, elevation, roll
        Shape (B,), radians.  Azimuth counts from +X (head) toward +Y (the person's left): 0 is the head end,
        pi/2 the person's left, pi the foot end.  The optical axis points along minus the direction given.

    Returns
    -------
    Shape (B, 3, 3); rows are the camera's right, down and forward directions.

    """
    ca, sa, ce, se = np.cos(azimuth), np.sin(azimuth), np.cos(elevation), np.sin(elevation)
    cr, sr = np.cos(roll), np.sin(roll)
    result = np.empty((len(azimuth), 3, 3))
    result[:, 0, 0], result[:, 0, 1], result[:, 0, 2] = -cr * sa + sr * se * ca, cr * ca + sr * se * sa, -sr * ce
    result[:, 1, 0], result[:, 1, 1], result[:, 1, 2] = cr * se * ca + sr * sa, cr * se * sa - sr * ca, -cr * ce
    result[:, 2, 0], result[:, 2, 1], result[:, 2, 2] = -ce * ca, -ce * sa, -se
    return result


def to_camera(points: FloatArray, rotation: FloatArray, camera: FloatArray) -> FloatArray:
    """Move world points into the camera frame.

    Parameters
    ----------
    points
        Shape (B, K, 3), world frame.
    rotation
        Shape (B, 3, 3), from :func:`world_to_camera`.
    camera
        Shape (B, 7).

    Returns
    -------
    Shape (B, K, 3), units of T.

    """
    depth = np.exp(camera[:, LOG_DEPTH])
    scale = np.exp(-camera[:, LOG_FOCAL])
    centre = np.stack([camera[:, U0] * scale * depth, camera[:, V0] * scale * depth, depth], -1)
    result: FloatArray = points @ rotation.transpose(0, 2, 1) + centre[:, None, :]
    return result


def project(in_camera: FloatArray, camera: FloatArray) -> FloatArray:
    """Return normalised image positions, shape (B, K, 2), of camera-frame points of shape (B, K, 3)."""
    depth = np.maximum(in_camera[..., 2:], 0.05)
    result: FloatArray = in_camera[..., :2] / depth * np.exp(camera[:, LOG_FOCAL])[:, None, None]
    return result


def image_slope(
    camera: FloatArray,
    points: FloatArray,
    rotation: FloatArray,
    in_camera: FloatArray,
    uv: FloatArray,
    point_slopes: FloatArray,
) -> FloatArray:
    """Return the derivatives of the projected points by what moves the points, then by the camera.

    Parameters
    ----------
    camera
        Shape (B, 7).
    points, in_camera
        Shape (B, K, 3), the same points in world and camera frame.
    rotation
        Shape (B, 3, 3).
    uv
        From :func:`project`.
    point_slopes
        Shape (M, B, K, 3), derivatives of the world points by M parameters.

    Returns
    -------
    Shape (B, M + 7, 2, K).

    """
    m = len(point_slopes)
    depth, shrink = np.exp(camera[:, LOG_DEPTH, None]), np.exp(-camera[:, LOG_FOCAL, None])
    x, y = camera[:, U0, None] * shrink * depth, camera[:, V0, None] * shrink * depth
    moved = np.zeros((m + PARAMETERS, *in_camera.shape))
    moved[:m] = point_slopes @ rotation.transpose(0, 2, 1)
    qx, qy, qz = in_camera[..., 0] - x, in_camera[..., 1] - y, in_camera[..., 2] - depth
    moved[m + AZIMUTH] = points[..., 1:2] * rotation[:, None, :, 0] - points[..., 0:1] * rotation[:, None, :, 1]
    cr, sr = np.cos(camera[:, ROLL, None]), np.sin(camera[:, ROLL, None])
    tilted, rolled = moved[m + ELEVATION], moved[m + ROLL]
    tilted[..., 0], tilted[..., 1], tilted[..., 2] = -sr * qz, -cr * qz, sr * qx + cr * qy
    rolled[..., 0], rolled[..., 1] = qy, -qx
    farther = moved[m + LOG_DEPTH]
    farther[..., 0], farther[..., 1], farther[..., 2] = x, y, depth
    moved[m + U0, ..., 0] = shrink * depth
    moved[m + V0, ..., 1] = shrink * depth
    moved[m + LOG_FOCAL, ..., 0], moved[m + LOG_FOCAL, ..., 1] = -x, -y
    result: FloatArray = np.ascontiguousarray(image_motion(in_camera, camera, moved).transpose(1, 0, 3, 2))
    result[:, m + LOG_FOCAL] += uv.transpose(0, 2, 1)
    return result


def image_motion(in_camera: FloatArray, camera: FloatArray, moved: FloatArray) -> FloatArray:
    """Return how far the projected points move when camera-frame points move.

    Parameters
    ----------
    in_camera, camera
        As for :func:`project`, (B, K, 3) and (B, 7), with further axes before K as in ``moved``.
    moved
        Shape (..., K, 3).

    Returns
    -------
    Shape (..., K, 2).

    """
    depth = np.maximum(in_camera[..., 2:], 0.05)
    f = np.exp(camera[..., LOG_FOCAL])[..., None, None] / depth
    result: FloatArray = f * (moved[..., :2] - in_camera[..., :2] / depth * moved[..., 2:])
    return result
