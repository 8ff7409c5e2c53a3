"""How far the network is believed: measured on rendered people of the other renderer, apart from the test people.

Reproduce with ``python -m tests.bench.eye_bench FOLDER FOLDER --calibrate``.
"""

SD_FACTOR = 0.8
"""Multiplies the network's stated landmark standard deviations."""

SD_FLOOR = 0.004
"""Added to them, units of the trunk's length."""

POWER_SIDE_ON, POWER_OBLIQUE, POWER_END_ON = 3.7, 2.0, 1.8
"""Power to which the network's angle distribution is raised, by where the camera stands.

By likelihood alone, side-on, anything from 2.5 to 4.5 would do, oblique 1.7 to 2.5, from either end 1.7 to 2.4.
"""

OBLIQUE_DEG = 40.0
"""How far off square to the side the oblique photos of the development people were taken, in the mean, degrees."""

ANGLE_BLUR_DEG = 0.8
"""Standard deviation of the normal blur on the angle distribution, degrees."""

SCALE_SD = 0.035
"""Standard deviation of the readings' scale, parts of the angle: how far larger angles are read less well.

Without it the bands of the largest third of angles held 92 % on the development people, those of the middle one 98 %.
"""

READ_SIDE_ON, READ_FROM_FEET, READ_FROM_HEAD = 0.98, 1.015, 1.04
"""Angle read, in parts of the true one, by where the camera stands."""
