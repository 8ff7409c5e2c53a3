"""Measures trunk rotation in the heel-sit kneeling position from photos.

>>> from vision import measure
>>> result = measure("start.jpg", left="left.jpg", right="right.jpg")  # doctest: +SKIP
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vision.measuring import measure

__all__ = ["measure"]


def __getattr__(name: str) -> Any:  # noqa: ANN401 - as the language asks
    # imported on first use: most users of the package need only a small part of it
    if name == "measure":
        from vision.measuring import measure

        return measure
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
