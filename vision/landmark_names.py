"""The named points, in the order in which the network and its training count them; imports nothing."""

PAIRED = ("acromion", "shoulder_joint", "hip_joint", "elbow", "wrist", "knee", "ankle", "ear")
MIDLINE = ("c7", "t12", "s2", "sternum", "nose")
NAMES: tuple[str, ...] = (*(f"{p}_{s}" for p in PAIRED for s in ("left", "right")), *MIDLINE)
MIRRORED = [NAMES.index(n.replace("left", "?").replace("right", "left").replace("?", "right")) for n in NAMES]
"""Position in :data:`NAMES` of each point's counterpart on the other side of the body."""
