"""The general pose model inside the mediapipe wheel, loaded once for everything that asks it.

It is asked for three things: where the points of a crop are (:mod:`vision.mediapipe_finder`), the outline of the
person (:mod:`vision.silhouette`), and one look at the whole photo as a check on the network (:mod:`vision.two_eyes`).
The last two come from the same look.
"""

import logging
import os
import threading
import warnings
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from vision.arrays import ByteArray, FloatArray

WORKING_PX = 1280  # a photo is reduced to this longer side before it is looked at
LEAST_DETECTION = 0.5  # with 0.2 the finder sees people where none are, and hardly one more photo shows an outline

# numbers of the model's points (left, right)
PAIRS = {
    "ear": (7, 8),
    "shoulder_joint": (11, 12),
    "elbow": (13, 14),
    "wrist": (15, 16),
    "hip_joint": (23, 24),
    "knee": (25, 26),
    "ankle": (27, 28),
}
NOSE = 0
POINTS = 33


@dataclass(frozen=True)
class Look:
    """One look at a picture.

    Attributes
    ----------
    points
        Shape (33, 2), pixels of the picture.
    shown
        Shape (33,), how surely each point can be seen, 0 to 1.
    outline
        How surely each pixel shows the person, 0 to 1; may be smaller than the picture, of the same proportions.

    """

    points: FloatArray
    shown: FloatArray
    outline: FloatArray


class PoseModel:
    """The model; loaded at the first look; may be used from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._model: Any = None
        self._warm = False
        self._last: tuple[ByteArray, Look | None] | None = None

    def look(self, picture: ByteArray) -> Look | None:
        """Look once at a picture as it is; None where nobody is seen."""
        with self._lock:
            if self._model is None:
                self._model = _load()
            if self._warm:
                result = self._model.process(picture)
            else:
                with native_stderr_silenced():  # up to the first person that is found
                    result = self._model.process(picture)
        if result.pose_landmarks is None:
            return None
        self._warm = True
        raw = np.array([(p.x, p.y, p.visibility) for p in result.pose_landmarks.landmark])
        size = (picture.shape[1], picture.shape[0])
        return Look(
            np.asarray(raw[:, :2] * size, np.float64), raw[:, 2], np.asarray(result.segmentation_mask, dtype=np.float64)
        )

    def look_at_photo(self, pixels: ByteArray) -> Look | None:
        """Look once at a whole photo; points in pixels of the photo.

        The last photo's look is kept, so that the outline and the check on the network share it.
        """
        small, scale = reduced(pixels)
        last = self._last
        if last is not None and np.array_equal(last[0], small):
            return last[1]
        seen = self.look(small)
        if seen is not None:
            seen = Look(seen.points / scale, seen.shown, seen.outline)
        self._last = (small.copy() if small is pixels else small, seen)
        return seen

    def forget(self) -> None:
        """Forget the last photo."""
        self._last = None


def reduced(pixels: ByteArray) -> tuple[ByteArray, float]:
    """Return a photo reduced to :data:`WORKING_PX`, and its scale."""
    scale = min(1.0, WORKING_PX / max(pixels.shape[:2]))
    if scale == 1:
        return np.ascontiguousarray(pixels), scale
    size = round(pixels.shape[1] * scale), round(pixels.shape[0] * scale)
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8), scale


def _load() -> Any:  # noqa: ANN401 - mediapipe has no types
    """Load the model; the messages of its libraries are for their makers, not for our users."""
    os.environ.setdefault("GLOG_minloglevel", "3")
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    with warnings.catch_warnings(), native_stderr_silenced():
        warnings.simplefilter("ignore")
        logging.getLogger("absl").setLevel(logging.ERROR)
        import mediapipe

        return mediapipe.solutions.pose.Pose(
            static_image_mode=True,
            model_complexity=1,
            enable_segmentation=True,
            min_detection_confidence=LEAST_DETECTION,
        )


class native_stderr_silenced:  # noqa: N801 - reads as a phrase
    """Send what native code writes to the standard error stream to nowhere, for a moment."""

    def __enter__(self) -> None:
        self._kept = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)

    def __exit__(self, *_: object) -> None:
        os.dup2(self._kept, 2)
        os.close(self._kept)
