"""A film for Chromium's fake camera, made from sample pictures when a test runs."""

import io
from pathlib import Path

import numpy as np
from PIL import Image

FRAMES = 24


def film(path: Path, *pictures: Path, size=(960, 720)) -> Path:
    """Write a Motion JPEG of each picture in turn, with a sensor's noise, so that no two frames are equal."""
    noise = np.random.default_rng(7)
    with path.open("wb") as out:
        for picture in pictures:
            still = np.asarray(
                Image.open(picture).convert("RGB").resize(size, Image.Resampling.LANCZOS), dtype=np.int16
            )
            for _ in range(FRAMES):
                noisy = np.clip(still + noise.integers(-6, 7, still.shape), 0, 255).astype(np.uint8)
                frame = io.BytesIO()
                Image.fromarray(noisy).save(frame, "JPEG", quality=92)
                out.write(frame.getvalue())
    return path
