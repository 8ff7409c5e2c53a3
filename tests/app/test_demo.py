"""The demo: invented people, really measured, made once."""

import pytest

from app import demo
from app.records import people, rounds
from app.samples import sample_folder


@pytest.fixture
def parts(app, monkeypatch):
    monkeypatch.setattr(demo, "CASES", demo.CASES[:2])
    return app.state.services


def test_every_case_has_its_three_pictures():
    for case in demo.CASES:
        for side in ("start", "left", "right"):
            assert (sample_folder() / f"{case.person}_{side}.jpg").is_file()


def test_the_demo_is_marked_and_its_angles_come_from_measuring_at_that_moment(parts):
    told = []
    assert demo.fill(parts)
    with parts.database.begin() as session:
        member = people.first_member(session)
        assert people.practice(session, member.practice_id).demo
        before = [
            rounds.load_round(session, member.practice_id, r.id)
            for r in rounds.recent_rounds(session, member.practice_id)
        ]
    assert all(t.current is None for r in before for t in r.trials)
    demo.measure(parts, lambda *step: told.append(step))
    assert [(done, total) for done, total, _name in told] == [(n, 6) for n in range(7)]
    with parts.database.begin() as session:
        after = [rounds.load_round(session, member.practice_id, r.id) for r in before]
    assert all(t.current is not None for r in after for t in r.trials)


def test_a_second_start_on_the_same_data_changes_nothing(parts):
    demo.fill(parts)
    assert not demo.fill(parts)
