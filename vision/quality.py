"""Findings about a photo: what is wrong with it, told before anybody trusts its angle.

The texts stand in :mod:`vision.findings`; the thresholds stand here, each with its reason.
"""

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from scipy.ndimage import uniform_filter1d

from vision.arrays import ByteArray, FloatArray
from vision.findings import Finding, finding
from vision.kneeling import camera_tilt_deg, turns_to_upright
from vision.landmarks import Landmark, Landmarks
from vision.photo import Photo
from vision.rotation import Rotation
from vision.sides import Side

DARK_MEDIAN = 30
"""Median grey value (0 to 255) of the person below which the photo counts as too dark: common practice, no source."""

BURNT_VALUE, BURNT_SHARE = 253, 0.4
"""The photo counts as over-exposed when this share of the person's surroundings is at the top of the scale."""

SMALL_PERSON_PX = 256
"""The pose model looks at 256 x 256 pixels: a person with fewer is only enlarged, not better seen."""

BLURRED = 0.68
"""Blur measure (0 sharp, 1 blurred) above which a finding is given.

A Gaussian blur of about 1 % of the trunk, from which landmark errors count (limits study, G2), gives 0.70 to 0.78;
sharp renders have 0.38 to 0.51."""

BLUR_EDGE_PX = 400
"""The person is scaled to this many pixels before blur is judged: blur matters against the person's size."""

TILTED_DEG = 20.0
"""Tilt of the shin against the picture's edge beyond which the phone is taken to have been tilted."""

SAME_PICTURE_STEPS = 6.0
"""Grey steps (of 255) by which no part of a 48 x 48 thumbnail may differ between copies of one picture stored anew."""

_PARTS = {
    "feet": ("ankle_left", "ankle_right"),
    "knees": ("knee_left", "knee_right"),
    "hips": ("hip_joint_left", "hip_joint_right"),
    "shoulders": ("shoulder_joint_left", "shoulder_joint_right", "acromion_left", "acromion_right"),
    "head": ("ear_left", "ear_right", "nose"),
    "elbow": ("elbow_left", "elbow_right"),
}


def photo_findings(photo: Photo, landmarks: Landmarks) -> tuple[Finding, ...]:
    """Return what is wrong with a photo: light, blur, size of the person, parts cut off, tilt."""
    box = person_box(landmarks.points, photo.width, photo.height)
    x0, y0, x1, y1 = (0, 0, photo.width, photo.height) if box is None else box
    region = photo.pixels[y0:y1, x0:x1]
    found = _light(region)
    if box is None:
        return tuple(found)
    if not found and blur(region) > BLURRED:
        found.append(finding("photo-blurred"))
    extent = max(x1 - x0, y1 - y0)
    if extent < SMALL_PERSON_PX:
        found.append(finding("person-small", pixels=extent))
    found.extend(_cut_off(landmarks.points, photo.width, photo.height))
    tilt = camera_tilt_deg(landmarks)
    if turns_to_upright(landmarks):
        found.append(finding("photo-sideways"))
    elif tilt is not None and abs(tilt) > TILTED_DEG:
        found.append(finding("phone-tilted", degrees=round(abs(tilt))))
    return tuple(found)


def person_box(points: Mapping[str, Landmark], width: int, height: int) -> tuple[int, int, int, int] | None:
    """Return the box (x0, y0, x1, y1), pixels, around the landmarks with some margin, cut to the picture."""
    if not points:
        return None
    xy = np.array([(p.x, p.y) for p in points.values()])
    low, high = xy.min(0), xy.max(0)
    margin = 0.12 * float((high - low).max())
    x0, y0 = (int(v) for v in np.clip(np.floor(low - margin), 0, (width - 1, height - 1)))
    x1, y1 = (int(v) for v in np.clip(np.ceil(high + margin), (x0 + 1, y0 + 1), (width, height)))
    return x0, y0, x1, y1


def _light(region: ByteArray) -> list[Finding]:
    grey = cv2.cvtColor(region, cv2.COLOR_RGB2GRAY)
    if float(np.median(grey)) < DARK_MEDIAN:
        return [finding("photo-dark")]
    if float((region.min(axis=2) >= BURNT_VALUE).mean()) > BURNT_SHARE:
        return [finding("photo-overexposed")]
    return []


def blur(region: ByteArray) -> float:
    """Return how blurred a picture is, 0 (sharp) to 1 (blurred), at the scale of the person.

    The no-reference blur measure of Crete, Dolmiere, Ladret and Nicolas, "The blur effect: perception and
    estimation with a new no-reference perceptual blur metric" (SPIE 6492, 2007): how much of the variation
    between neighbouring pixels is left after a strong blur.

    Parameters
    ----------
    region
        Shape (H, W, 3), uint8.

    """
    grey = cv2.cvtColor(region, cv2.COLOR_RGB2GRAY)
    scale = BLUR_EDGE_PX / max(grey.shape)
    if scale < 1:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    values: FloatArray = grey.astype(np.float64)
    worst = 0.0
    for axis in (0, 1):
        smooth = uniform_filter1d(values, 9, axis=axis)
        sharp_steps = np.abs(np.diff(values, axis=axis))
        smooth_steps = np.abs(np.diff(smooth, axis=axis))
        lost = np.maximum(0.0, sharp_steps - smooth_steps).sum()
        total = sharp_steps.sum()
        worst = max(worst, 1.0 if total == 0 else float((total - lost) / total))
    return worst


def _cut_off(points: Mapping[str, Landmark], width: int, height: int) -> list[Finding]:
    found = []
    for part, names in _PARTS.items():
        for name in names:
            point = points.get(name)
            edge = None if point is None else _edge_beyond(point, width, height)
            if edge:
                found.append(finding("cut-off", part=part, edge=edge))
                break
    return found


def _edge_beyond(point: Landmark, width: int, height: int) -> str:
    if point.x < 0:
        return "left"
    if point.x > width:
        return "right"
    if point.y < 0:
        return "upper"
    return "lower" if point.y > height else ""


def opposite(rotation: Rotation) -> bool:
    """Whether the chest opens to the side other than declared, the whole band beyond zero."""
    band = rotation.band_deg
    return rotation.side is not Side.START and band is not None and band[1] < 0


def sides_exchanged(left: Sequence[Rotation], right: Sequence[Rotation]) -> tuple[Finding, ...]:
    """Return a finding if every trial of both sides was found to open the other way."""
    both = (*left, *right)
    if left and right and all(any(f.code == "opens-other-way" for f in r.findings) for r in both):
        return (finding("sides-exchanged"),)
    return ()


def repeated_photos(photos: Sequence[Photo]) -> list[Photo]:
    """Return those photos that were given before, byte for byte or the same picture stored anew."""
    small = [_thumbnail(photo) for photo in photos]
    return [
        photo
        for i, photo in enumerate(photos)
        if any(photo.digest == other.digest or _same_picture(small[i], small[j]) for j, other in enumerate(photos[:i]))
    ]


def _thumbnail(photo: Photo) -> FloatArray:
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    small: FloatArray = cv2.resize(grey, (48, 48), interpolation=cv2.INTER_AREA).astype(np.float64)
    return small


def _same_picture(one: FloatArray, other: FloatArray) -> bool:
    # a picture of one colour looks like any other of that colour, which says nothing
    return float(one.std()) > SAME_PICTURE_STEPS and float(np.abs(one - other).max()) <= SAME_PICTURE_STEPS
