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

FULL_FRAME_DIAGONAL_MM = 43.267  # diagonal of 24 x 36 mm, the convention of FocalLengthIn35mmFilm
# Main cameras of phones lie between 23 and 29 mm equivalent (maker data, from memory): a stated assumption.
ASSUMED_FOCAL_35MM = 26.0
ASSUMED_FOCAL_LOG_SD = 0.15
# An EXIF focal length is rounded to whole millimetres, and crops and stabilisation change it by a few percent.
EXIF_FOCAL_LOG_SD = 0.03


def nominal_focal_px(focal_px: float | None, width: int, height: int) -> tuple[float, float]:
    """Return the focal length to use, pixels, and the standard deviation of its logarithm."""
    if focal_px is not None and focal_px > 0:
        return focal_px, EXIF_FOCAL_LOG_SD
    return ASSUMED_FOCAL_35MM / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height), ASSUMED_FOCAL_LOG_SD


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
    zero = np.zeros_like(ca)
    right = np.stack([-sa, ca, zero], -1)
    forward = np.stack([-ce * ca, -ce * sa, -se], -1)
    down = np.stack([se * ca, se * sa, -ce], -1)
    cr, sr = cr[:, None], sr[:, None]
    result: FloatArray = np.stack([cr * right + sr * down, cr * down - sr * right, forward], 1)
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


def projection_slope(in_camera: FloatArray, camera: FloatArray) -> FloatArray:
    """Return the derivative of :func:`project` by the camera-frame point, shape (B, K, 2, 3)."""
    depth = np.maximum(in_camera[..., 2], 0.05)
    f = np.exp(camera[:, LOG_FOCAL])[:, None] / depth
    slope = np.zeros((*in_camera.shape[:2], 2, 3))
    slope[..., 0, 0] = f
    slope[..., 1, 1] = f
    slope[..., 0, 2] = -f * in_camera[..., 0] / depth
    slope[..., 1, 2] = -f * in_camera[..., 1] / depth
    return slope


def image_slope(
    camera: FloatArray,
    points: FloatArray,
    rotation: FloatArray,
    in_camera: FloatArray,
    uv: FloatArray,
    slope: FloatArray,
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
    uv, slope
        From :func:`project` and :func:`projection_slope`.
    point_slopes
        Shape (M, B, K, 3), derivatives of the world points by M parameters.

    Returns
    -------
    Shape (B, K, 2, M + 7).

    """
    turn = rotation.transpose(0, 2, 1)
    m = len(point_slopes)
    moved = np.zeros((*in_camera.shape, m + PARAMETERS))
    moved[..., :m] = np.moveaxis(point_slopes @ turn, 0, -1)
    step = 1e-6
    for a in (AZIMUTH, ELEVATION, ROLL):
        angles = [camera[:, p] + (step if p == a else 0.0) for p in (AZIMUTH, ELEVATION, ROLL)]
        moved[..., m + a] = points @ ((world_to_camera(*angles) - rotation) / step).transpose(0, 2, 1)
    depth, shrink = np.exp(camera[:, LOG_DEPTH]), np.exp(-camera[:, LOG_FOCAL])
    x, y = camera[:, U0] * shrink * depth, camera[:, V0] * shrink * depth
    moved[..., m + LOG_DEPTH] = np.stack([x, y, depth], -1)[:, None]
    moved[..., 0, m + U0] = (shrink * depth)[:, None]
    moved[..., 1, m + V0] = (shrink * depth)[:, None]
    moved[..., :2, m + LOG_FOCAL] = -np.stack([x, y], -1)[:, None]
    result: FloatArray = slope @ moved
    result[..., m + LOG_FOCAL] += uv
    return result
