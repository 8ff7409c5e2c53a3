"""Several photos at the same moment, on SQLite and on PostgreSQL: none is lost, none is stored twice."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from sqlalchemy import text

from app.errors import InputError
from app.main import create_app
from app.photos.fitting import fit_round_again
from app.photos.measuring import measure_photo
from app.records import corrections, jobs, members, people, self_screens, visits
from app.settings import Settings
from tests.app.drawn_person import DrawnPersonMeasurer, picture
from tests.app.practice import begin_practice


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def busy(request, tmp_path):
    address = ""
    if request.param == "postgresql":
        address = request.getfixturevalue("postgres_address")
    app = create_app(Settings(data_folder=tmp_path, database_url=address, measuring_threads=0), DrawnPersonMeasurer())
    parts = app.state.services
    with parts.database.begin() as session:  # the PostgreSQL server is shared by the tests of a run
        session.execute(text("delete from practice"))
        session.execute(text("delete from job"))
    yield begin_practice(parts)
    parts.database.close()


def at_once(work, count):
    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(work, range(count)))


def test_one_photo_sent_by_many_retries_at_once_is_stored_once(busy, tmp_path):
    round_id = busy.round()
    sent = at_once(lambda _: busy.send(round_id, "left", picture(), key="one-and-the-same"), 8)
    assert len({p.id for p in sent}) == 1
    assert len(busy.load(round_id).trials) == 1
    assert len([f for f in (tmp_path / "photos").rglob("*") if f.is_file()]) == 1


def test_many_photos_at_once_become_as_many_trials(busy):
    round_id = busy.round()
    at_once(
        lambda i: busy.send(round_id, "left" if i % 2 else "right", picture((i, 90, 90)), key=f"photo-number-{i}"), 8
    )
    trials = busy.load(round_id).trials
    assert [t.number for t in trials] == list(range(1, 9))


def test_each_job_is_taken_by_one_worker(busy):
    round_id = busy.round()
    for i in range(6):
        busy.send(round_id, "left", picture((i, 90, 90)))

    def take(_):
        with busy.services.database.begin() as session:
            return jobs.take_job(session)

    taken = [job.id for job in at_once(take, 12) if job is not None]
    while (job := take(0)) is not None:
        taken.append(job.id)
    assert len(taken) == len(set(taken)) == 6


def test_a_round_is_measured_by_several_workers_to_the_same_result(busy):
    round_id = busy.round()
    for i, side in enumerate(("start", "left", "left", "right", "right")):
        busy.send(round_id, side, picture((i, 90, 90)))
    at_once(lambda _: busy.measure(), 3)
    trials = busy.load(round_id).trials
    assert all(p.state == "measured" for t in trials for p in t.photos)
    assert all(t.current.rotation for t in trials)


def test_corrections_made_at_once_are_numbered_one_after_the_other(busy):
    round_id = busy.round("left")
    (trial,) = busy.load(round_id).trials

    def correct(i):
        with busy.services.database.begin() as session:
            corrections.add_typed(
                session, busy.practice_id, trial.id, busy.member_id, 30.0 + i, 5.0, reason="inclinometer"
            )

    at_once(correct, 8)
    (trial,) = busy.load(round_id).trials
    assert [c.number for c in trial.corrections] == list(range(1, 9))


def test_a_correction_stored_by_another_process_during_a_fit_is_not_lost(busy):
    round_id = busy.round("left", "right")
    left, _right = busy.load(round_id).trials
    parts = busy.services

    class Interrupted(DrawnPersonMeasurer):
        calls = 0

        def fit(self, trials, breadth_mm):
            self.calls += 1
            if self.calls == 1:
                with parts.database.begin() as session:
                    corrections.add_typed(
                        session, busy.practice_id, left.id, busy.member_id, 61.0, 5.0, reason="inclinometer"
                    )
            return super().fit(trials, breadth_mm)

    fit_round_again(parts.database, busy.practice_id, round_id, Interrupted())
    left, _right = busy.load(round_id).trials
    assert left.current.rotation.magnitude_deg == 61.0


def test_of_two_decisions_at_once_on_a_self_screen_one_holds_whole(busy):
    with busy.services.database.begin() as session:
        self_screens.invite(
            session, busy.practice_id, busy.athlete_id, busy.member_id, purpose="first", days=3, submissions=1
        )
        (invitation,) = self_screens.invitations_of(session, busy.practice_id, busy.athlete_id)
        submission_id = self_screens.begin(session, invitation)
    both_have_read = Barrier(2, timeout=20)

    def decide(i):
        with busy.services.database.begin() as session:
            self_screens.submission(session, busy.practice_id, submission_id)
            both_have_read.wait()
            try:
                self_screens.decide(
                    session, busy.practice_id, submission_id, busy.member_id, ("accepted", "set-aside")[i], ""
                )
            except InputError:
                return "too late"
        return "decided"

    assert sorted(at_once(decide, 2)) == ["decided", "too late"]
    with busy.services.database.begin() as session:
        record = self_screens.submission(session, busy.practice_id, submission_id)
        counts = visits.visit(session, busy.practice_id, record.visit_id).counts
    assert counts == (record.decision == "accepted")


def test_two_owners_who_demote_each_other_at_once_leave_one(busy):
    with busy.services.database.begin() as session:
        other = people.add_member(session, busy.practice_id, "Bo Tarn", "owner").id
    both_have_read = Barrier(2, timeout=20)

    def demote(i):
        with busy.services.database.begin() as session:
            members.member_of_practice(session, busy.practice_id, busy.member_id)
            both_have_read.wait()
            try:
                members.set_role(session, busy.practice_id, (busy.member_id, other)[i], "coach")
            except InputError:
                return "refused"
        return "done"

    assert sorted(at_once(demote, 2)) == ["done", "refused"]


def test_two_workers_that_end_together_leave_a_round_fitted_as_a_whole(busy):
    round_id = busy.round()
    for i, side in enumerate(("left", "right")):
        busy.send(round_id, side, picture((i, 90, 90)))
    parts, both_look = busy.services, Barrier(2, timeout=20)
    fitted = []

    class Together(DrawnPersonMeasurer):
        def find(self, photo, side):
            both_look.wait()
            return super().find(photo, side)

        def fit(self, trials, breadth_mm):
            fitted.append(len(trials))
            return super().fit(trials, breadth_mm)

    photo_ids = [t.photos[0].id for t in busy.load(round_id).trials]
    at_once(lambda i: measure_photo(parts.database, parts.store, Together(), photo_ids[i], shown_px=1600), 2)
    assert fitted[-1] == 2
    assert all(t.current.rotation for t in busy.load(round_id).trials)


def test_the_round_of_a_photo_that_breaks_measuring_is_still_fitted_as_a_whole(busy, monkeypatch):
    round_id = busy.round("left", "right")
    broken = busy.send(round_id, "right", picture((3, 90, 90)))
    parts, fitted = busy.services, []
    fit, find = parts.measurer.fit, parts.measurer.find

    def find_or_break(photo, side):
        if photo.pixels[0, 0, 0] < 20:
            raise RuntimeError("broken")
        return find(photo, side)

    def noted(trials, breadth_mm):
        fitted.append(len(trials))
        return fit(trials, breadth_mm)

    monkeypatch.setattr(parts.measurer, "find", find_or_break)
    monkeypatch.setattr(parts.measurer, "fit", noted)
    busy.measure()
    states = {p.id: p.state for t in busy.load(round_id).trials for p in t.photos}
    assert states[broken.id] == "not-measurable"
    assert fitted == [2]
