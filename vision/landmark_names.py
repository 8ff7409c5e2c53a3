"""The named points, in the order in which the network and its training count them; imports nothing."""

PAIRED = ("acromion", "shoulder_joint", "hip_joint", "elbow", "wrist", "knee", "ankle", "ear")
MIDLINE = ("c7", "t12", "s2", "sternum", "nose")
NAMES: tuple[str, ...] = (*(f"{p}_{s}" for p in PAIRED for s in ("left", "right")), *MIDLINE)
ACROMIA, HIP_JOINTS = (slice(2 * i, 2 * i + 2) for i in map(PAIRED.index, ("acromion", "hip_joint")))
"""Places in :data:`NAMES` of the left and right point of the two pairs that make the angle."""


def key_of(name: str) -> str:
    """Return the name without its side."""
    return name.removesuffix("_left").removesuffix("_right")


def counterpart(name: str) -> str:
    """Return the name of the same point on the other side of the body; that of a midline point is its own."""
    if name.endswith("_left"):
        return name.removesuffix("_left") + "_right"
    return name.removesuffix("_right") + "_left" if name.endswith("_right") else name


MIRRORED = [NAMES.index(counterpart(n)) for n in NAMES]
"""Position in :data:`NAMES` of each point's counterpart on the other side of the body."""
