"""The outline of the person in a photo, by the general pose model inside the mediapipe wheel.

That model misplaces the points of this position, but it tells a person from the room better than the network of
:mod:`vision.eye`, which has met few rooms: with the room painted over, a ball on the floor is not taken for a back.
"""

import threading
from typing import Any

import cv2
import numpy as np

from vision.arrays import ByteArray, FloatArray
from vision.mediapipe_finder import load_pose_model, native_stderr_silenced

WORKING_PX = 1280  # the photo is reduced to this longer side before it is looked at
LEAST_DETECTION = 0.2  # this position looks little like a person to the detector
SURELY = 0.3  # share from which a pixel counts as the person: rather too much than too little
MARGIN = 0.035  # what is kept around the person, parts of the longer side of their outline


class Silhouette:
    """Finds the outline of the most conspicuous person; may be used from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._model: Any = None
        self._warm = False

    def find(self, pixels: ByteArray) -> FloatArray | None:
        """Return how surely each pixel shows the person, shape (h, w), 0..1; None where nobody was found.

        The picture may come back smaller than the photo; its proportions are the same.
        """
        scale = WORKING_PX / max(pixels.shape[:2])
        small = pixels
        if scale < 1:
            small = np.asarray(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
        small = np.ascontiguousarray(small)
        with self._lock:
            if self._model is None:
                self._model = load_pose_model(segmentation=True, least_detection=LEAST_DETECTION)
            if self._warm:
                mask = self._model.process(small).segmentation_mask
            else:
                with native_stderr_silenced():  # up to the first person that is found
                    mask = self._model.process(small).segmentation_mask
                self._warm = mask is not None
        return None if mask is None else np.asarray(mask, dtype=np.float64)


def without_room(pixels: ByteArray, silhouette: FloatArray) -> ByteArray | None:
    """Return the photo with everything but the person painted over in its median colour, softly at the edge.

    None where the silhouette is empty.
    """
    inside = (silhouette > SURELY).astype(np.float32)
    rows, columns = np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))
    if len(rows) == 0:
        return None
    reach = max(1, round(MARGIN * max(np.ptp(rows), np.ptp(columns))))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    keep = cv2.GaussianBlur(cv2.dilate(inside, disc), (0, 0), max(reach / 3, 0.5))
    height, width = pixels.shape[:2]
    keep = np.asarray(cv2.resize(keep, (width, height)), dtype=np.float32)[..., None]
    colour = np.median(pixels[::8, ::8].reshape(-1, 3), axis=0).astype(np.float32)
    painted: ByteArray = np.clip(pixels * keep + colour * (1 - keep), 0, 255).astype(np.uint8)
    return painted
