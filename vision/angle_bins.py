"""The bins of the network's distribution over the rotation angle, right positive; imports nothing."""

BIN_STEP_DEG = 1.5
BIN_EDGE_DEG = 99.0
"""Centre of the last bin; that of the first is its negative."""
BINS = round(2 * BIN_EDGE_DEG / BIN_STEP_DEG) + 1
