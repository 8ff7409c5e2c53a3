"""When a link works and what it opens."""

from datetime import UTC, datetime, timedelta

import pytest

from app.remote.links import CLOSED, FINISHING, REQUEST_OPEN, Begun, Opens, Standing, standing

END = datetime(2026, 11, 30, 12, tzinfo=UTC)
BEFORE, AFTER = END - timedelta(hours=1), END + timedelta(hours=1)


def link(*begun, at=BEFORE, revoked=False, allowed=1):
    return standing(expires_at=END, revoked=revoked, submissions_allowed=allowed, begun=begun, at=at)


def test_a_fresh_link_opens_a_new_submission():
    assert link() == Standing(Opens.A_NEW_SUBMISSION)


def test_a_begun_submission_goes_on_instead_of_a_second_one():
    assert link(Begun("a", sent=False, asked_at=None), allowed=3) == Standing(Opens.A_BEGUN_SUBMISSION, "a")


def test_a_link_for_several_opens_the_next_after_one_was_sent():
    assert link(Begun("a", sent=True, asked_at=None), allowed=2).opens is Opens.A_NEW_SUBMISSION


@pytest.mark.parametrize(
    "closed",
    [
        link(at=END),
        link(revoked=True),
        link(Begun("a", sent=True, asked_at=None)),
        link(Begun("a", sent=False, asked_at=None), revoked=True),
        link(Begun("a", sent=True, asked_at=BEFORE), revoked=True),
        link(Begun("a", sent=False, asked_at=None), at=END + FINISHING),
        link(Begun("a", sent=True, asked_at=END), at=END + REQUEST_OPEN),
    ],
    ids=["expired", "revoked", "used up", "revoked while begun", "revoked while asked", "begun too long", "asked long"],
)
def test_a_link_that_opens_nothing_says_nothing_about_why(closed):
    assert closed == CLOSED


def test_photos_that_waited_for_a_network_still_arrive_after_the_end():
    assert link(Begun("a", sent=False, asked_at=None), at=AFTER) == Standing(Opens.A_BEGUN_SUBMISSION, "a")


def test_a_request_opens_a_used_up_and_expired_link_again():
    begun = Begun("a", sent=True, asked_at=AFTER)
    assert link(begun, at=AFTER + timedelta(days=1)) == Standing(Opens.A_REQUEST, "a")
