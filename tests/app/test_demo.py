"""The demo: invented people, really measured, made once."""

import pytest

from app import demo
from app.records import people, rounds, visits
from app.samples import sample_folder


@pytest.fixture
def parts(app, monkeypatch):
    monkeypatch.setattr(demo, "ATHLETES", [a for a in demo.ATHLETES if a.code in ("ALDER-02", "MERLE-03")])
    return app.state.services


def test_every_picture_is_there_and_belongs_to_one_athlete_alone():
    used = {}
    for athlete in demo.ATHLETES:
        for visit in athlete.visits:
            for _side, files in visit.pictures:
                for name in files:
                    assert (sample_folder() / name).is_file(), name
                    assert used.setdefault(name, athlete.code) == athlete.code


def test_there_are_repeated_visits_a_plan_and_a_warning_sign_in_it():
    assert any(len([v for v in a.visits if v.pictures]) > 1 for a in demo.ATHLETES)
    assert any(v.drills and v.done for a in demo.ATHLETES for v in a.visits)
    stopped = [v for a in demo.ATHLETES for v in a.visits if not v.pictures]
    assert stopped
    assert all(v.reported for v in stopped)


def test_a_visit_with_warning_signs_has_no_round(parts):
    demo.fill(parts)
    with parts.database.begin() as session:
        practice_id = people.first_member(session).practice_id
        merle = next(a for a in people.athletes(session, practice_id) if a.code == "MERLE-03")
        first, second = visits.visits_of(session, practice_id, merle.id)
    assert len(first.round_ids) == 1
    assert second.round_ids == ()
    assert not second.screen.test_allowed
    assert (second.started_at - first.started_at).days == 45


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
    parts.queue.run_open_jobs()
    demo.measure(parts, lambda *step: pytest.fail(f"there is nothing to measure: {step}"))
