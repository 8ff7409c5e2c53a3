"""What the network's training and its finder must agree on, beside the order of the points; imports nothing."""

BIN_STEP_DEG = 1.5
BIN_EDGE_DEG = 99.0
"""Centre of the last bin of the distribution over the rotation angle, right positive; the first is its negative."""
BINS = round(2 * BIN_EDGE_DEG / BIN_STEP_DEG) + 1

LOG_SD_RANGE = (-6.5, 0.0)
"""Where the logarithms of the landmarks' standard deviations, parts of the crop's side, are cut: 0.0015 to 1."""
MOST_CORRELATION = 0.95
"""Times ``tanh`` of an output: the correlation of a landmark's errors along x and y, away from singular ones."""

LOCATOR_PX = 128
"""Side of the pictures that the locator reads."""
