"""How far the network is believed: measured on rendered people of the other renderer, apart from the test people.

Reproduce with ``python -m tests.bench.eye_bench FOLDER --calibrate``.
"""

SD_FACTOR = 0.82
"""Multiplies the network's stated landmark standard deviations."""

SD_FLOOR = 0.004
"""Added to them, units of the trunk's length."""

ANGLE_POWER = 2.0
"""Power to which the network's angle distribution is raised."""

ANGLE_BLUR_DEG = 0.8
"""Standard deviation of the normal blur on the angle distribution, degrees."""
