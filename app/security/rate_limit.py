"""Limits on how often something may be tried, per address, account or link."""

import time
from typing import Protocol

from limits import parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from app.errors import TooManyTriesError


class RateLimit(Protocol):
    """Counts tries; another implementation may share its counts between processes."""

    def spend(self, key: str) -> None:
        """Count one try under ``key``.

        Raises
        ------
        TooManyTriesError
            If the tries of the window are used up.

        """
        ...


class MemoryRateLimit:
    """Counts in this process.

    Parameters
    ----------
    rule
        E.g. ``"10 per 15 minutes"``.

    """

    def __init__(self, rule: str) -> None:
        self._rule = parse(rule)
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def spend(self, key: str) -> None:
        """Count one try under ``key``; see :class:`RateLimit`."""
        if self._limiter.hit(self._rule, key):
            return
        reset_at = self._limiter.get_window_stats(self._rule, key).reset_time
        minutes = max(1, round((reset_at - time.time()) / 60 + 0.5))
        raise TooManyTriesError(
            "This was tried too often.", f"Wait {minutes} {'minute' if minutes == 1 else 'minutes'} and try again."
        )
