"""Side words and the sign of the angle, defined once."""

from enum import StrEnum


class Side(StrEnum):
    """What a photo shows: the start position, or the chest opened to the person's own left or right."""

    START = "start"
    LEFT = "left"
    RIGHT = "right"

    @property
    def sign(self) -> int:
        """Return +1 for right rotation, -1 for left, 0 for the start position (right is positive)."""
        return {Side.RIGHT: 1, Side.LEFT: -1, Side.START: 0}[self]

    @property
    def other(self) -> "Side":
        """Return the opposite side; the start position is its own opposite."""
        return {Side.RIGHT: Side.LEFT, Side.LEFT: Side.RIGHT, Side.START: Side.START}[self]


def magnitude_deg(rotation_right_deg: float, side: Side) -> float:
    """Return the rotation in the stated side's direction, degrees.

    Negative if the chest opens the other way. For the start position the signed angle (right positive)
    is returned unchanged.
    """
    return rotation_right_deg * (side.sign or 1)
