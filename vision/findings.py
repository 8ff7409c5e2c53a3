"""Findings: something the program noticed about a photo or a round, in plain words, with what to do.

The text of every finding stands here and nowhere else; other modules name a finding by its code.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class FindingText:
    """Wording of one kind of finding; ``{name}`` fields are filled from the keyword values."""

    message: str
    advice: str
    withholds: bool = False  # the angle is not given when this finding is present


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding, ready to be shown.

    Attributes
    ----------
    code
        Stable identifier, a key of :data:`TEXTS`.
    message, advice
        Plain words: what was noticed, and what to do about it.
    effect_deg
        By how many degrees it widens the 95 % band (half-width), where that was computed.
    withholds
        Whether the automatic angle is withheld because of it.

    """

    code: str
    message: str
    advice: str
    effect_deg: float | None = None
    withholds: bool = False


_TEXTS: dict[str, FindingText] = {}
TEXTS: Mapping[str, FindingText] = MappingProxyType(_TEXTS)


def finding(code: str, effect_deg: float | None = None, **values: object) -> Finding:
    """Make the finding ``code`` with its one wording.

    Raises
    ------
    KeyError
        If no text is written for ``code``.

    """
    text = TEXTS[code]
    return Finding(code, text.message.format(**values), text.advice.format(**values), effect_deg, text.withholds)
