"""The names of the two ways of finding the body; loads nothing, so that the command line stays quick."""

from enum import StrEnum


class Finders(StrEnum):
    """Which ways of finding the body in a photo are used."""

    BOTH = "both"
    """The network made for this position, checked by the general pose model."""
    NETWORK = "network"
    GENERAL = "general"
