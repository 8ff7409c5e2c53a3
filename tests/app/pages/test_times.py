"""Pages tell times as the clocks of the practice do."""

import time
from datetime import UTC, datetime

import pytest

from app.pages.rendering import day, moment

EVENING = datetime(2026, 3, 4, 20, 30, tzinfo=UTC)


@pytest.fixture
def zone(monkeypatch):
    def set_(name):
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield set_
    monkeypatch.undo()
    time.tzset()


def test_a_visit_in_the_morning_is_not_dated_the_day_before(zone):
    # a rule in the manner of POSIX needs no time zone files: 12 hours ahead, in summer 13
    zone("NZST-12NZDT,M9.5.0,M4.1.0/3")
    assert day(EVENING) == "5 March 2026"
    assert moment(EVENING) == "5 March 2026, 09:30 NZDT"
    zone("UTC0")
    assert moment(EVENING) == "4 March 2026, 20:30 UTC"


def test_the_page_of_a_visit_says_so(client, practice, zone):
    zone("XST-14")
    started = practice.load(practice.round("left")).started_at
    assert f"{moment(started)}" in client.get("/").text
    assert "XST" in moment(started)
