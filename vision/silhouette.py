"""The outline of the person in a photo, by the general pose model inside the mediapipe wheel.

That model misplaces the points of this position, but it tells a person from the room better than the network of
:mod:`vision.eye`, which has met few rooms: with the room painted over, a ball on the floor is not taken for a back.
"""

import cv2
import numpy as np

from vision.arrays import ByteArray, FloatArray
from vision.pose_model import PoseModel

SURELY = 0.3  # share from which a pixel counts as the person: rather too much than too little
MARGIN = 0.035  # what is kept around the person, parts of the longer side of their outline


class Silhouette:
    """Finds the outline of the most conspicuous person; may be used from several threads."""

    def __init__(self, model: PoseModel | None = None) -> None:
        self._model = model or PoseModel()

    def find(self, pixels: ByteArray) -> FloatArray | None:
        """Return how surely each pixel shows the person, shape (h, w), 0..1; None where nobody was found.

        The picture may come back smaller than the photo; its proportions are the same.
        """
        seen = self._model.look_at_photo(pixels)
        return None if seen is None else seen.outline


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
