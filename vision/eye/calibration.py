"""How far the network is believed: measured on rendered people of the other renderer, apart from the test people.

Reproduce with ``python -m tests.bench.eye_bench FOLDER FOLDER --calibrate``.
"""

SD_FACTOR = 0.82
"""Multiplies the network's stated landmark standard deviations."""

SD_FLOOR = 0.004
"""Added to them, units of the trunk's length."""

POWER_SIDE_ON, POWER_FROM_FEET, POWER_FROM_HEAD = 3.6, 2.5, 2.1
"""Power to which the network's angle distribution is raised, by where the camera stands.

From the head's side the network has seen least and errs most.  By likelihood alone, side-on, anything from 2.5 to 3
would do; 3.6 is best, by the interval score and the bands of ``fit_bench --pictures FOLDER FOLDER --sources automatic``
on the same people, for evidence that goes into the posterior beside the landmarks and with less than its full weight.
"""

ANGLE_BLUR_DEG = 0.8
"""Standard deviation of the normal blur on the angle distribution, degrees."""

SCALE_SD = 0.04
"""Standard deviation of the readings' scale, parts of the angle: how far larger angles are read less well.

Without it the bands of the largest third of angles held 92 % on the development people, those of the middle one 98 %.
"""

READ_SIDE_ON, READ_FROM_FEET, READ_FROM_HEAD = 0.97, 1.005, 1.045
"""Angle read, in parts of the true one, by where the camera stands."""
