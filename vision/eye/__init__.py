"""Our own network for the heel-sit kneeling position: a landmark finder that also reads the angle.

Trained on rendered people only (see ``card.md`` beside this file); agreement with real measurement is for
each practice to check with its own instrument.
"""

from vision.eye.finder import EyeFinder

__all__ = ["EyeFinder"]
