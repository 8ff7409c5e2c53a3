"""When the link of an invitation works, and what it opens."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

FINISHING = timedelta(days=1)
"""How long after the link's end a self-screen that was begun in time can be finished: photos may wait for a network."""
REQUEST_OPEN = timedelta(days=7)
"""How long a request for one more photo keeps the link open."""

MOST_DAYS, MOST_SUBMISSIONS = 90, 20


class Opens(Enum):
    """What a link opens."""

    NOTHING = "nothing"
    A_NEW_SUBMISSION = "a new submission"
    A_BEGUN_SUBMISSION = "the submission that was begun and not sent"
    A_REQUEST = "a submission of which one more photo was asked for"


@dataclass(frozen=True, slots=True)
class Begun:
    """A submission made through the link.

    Attributes
    ----------
    sent
        The athlete sent it off, or a member closed it.
    asked_at
        When a photo was asked for that was not sent yet; None if there is no such request.

    """

    submission_id: str
    sent: bool
    asked_at: datetime | None


@dataclass(frozen=True, slots=True)
class Standing:
    """What the link opens, and the submission it goes on with, if any."""

    opens: Opens
    submission_id: str | None = None


CLOSED = Standing(Opens.NOTHING)


def standing(
    *, expires_at: datetime, revoked: bool, submissions_allowed: int, begun: Sequence[Begun], at: datetime
) -> Standing:
    """Return what the link opens at a moment.

    Parameters
    ----------
    expires_at
        From then on no submission can be begun.
    revoked
        Closes the link at once, for everything.
    submissions_allowed
        How many submissions may be begun.
    begun
        The submissions begun so far, oldest first.
    at
        The moment asked about.

    """
    if revoked:
        return CLOSED
    for one in reversed(begun):
        if one.asked_at is not None and at < one.asked_at + REQUEST_OPEN:
            return Standing(Opens.A_REQUEST, one.submission_id)
    for one in reversed(begun):
        if not one.sent and at < expires_at + FINISHING:
            return Standing(Opens.A_BEGUN_SUBMISSION, one.submission_id)
    if at < expires_at and len(begun) < submissions_allowed:
        return Standing(Opens.A_NEW_SUBMISSION)
    return CLOSED
