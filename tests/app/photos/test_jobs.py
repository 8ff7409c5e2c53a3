"""The job table loses nothing: crashes are taken up again, hopeless work is given up."""

import threading
import time
from datetime import timedelta

from app.photos.jobs import ThreadRunner
from app.records import jobs, models
from app.records.columns import now
from app.records.database import Database


def runner(database, handler, failed=lambda *_: None, threads=0):
    return ThreadRunner(database, {"work": handler}, threads=threads, attempts=2, stale_seconds=60, failed=failed)


def fresh_database(tmp_path):
    database = Database(f"sqlite:///{tmp_path / 'jobs.sqlite3'}")
    database.migrate()
    return database


def add(database, subject):
    with database.begin() as session:
        return jobs.add_job(session, "work", subject)


def state(database, job_id):
    with database.begin() as session:
        return jobs.job(session, job_id)


def test_jobs_are_done_in_order(tmp_path):
    database, done = fresh_database(tmp_path), []
    for subject in "abc":
        add(database, subject)
    runner(database, done.append).run_open_jobs()
    assert done == ["a", "b", "c"]


def test_a_job_that_fails_is_tried_again_and_then_given_up(tmp_path):
    database, tried, given_up = fresh_database(tmp_path), [], []

    def fail(subject):
        tried.append(subject)
        raise RuntimeError("broken")

    job_id = add(database, "a")
    runner(database, fail, lambda kind, subject: given_up.append((kind, subject))).run_open_jobs()
    assert tried == ["a", "a"]
    assert given_up == [("work", "a")]
    assert state(database, job_id).state == "failed"


def test_a_job_whose_process_died_is_taken_up_at_the_next_start(tmp_path):
    database, done = fresh_database(tmp_path), []
    job_id = add(database, "a")
    with database.begin() as session:
        jobs.take_job(session)
        session.get_one(models.Job, job_id).heartbeat_at = now() - timedelta(hours=1)
    next_process = runner(database, done.append)
    next_process.start()
    next_process.run_open_jobs()
    assert done == ["a"]


def test_a_job_that_is_being_done_is_not_taken_twice(tmp_path):
    database = fresh_database(tmp_path)
    add(database, "a")
    with database.begin() as session:
        assert jobs.take_job(session).subject_id == "a"
    with database.begin() as session:
        assert jobs.take_job(session) is None
        assert jobs.take_up_stale(session, 60, 3) == (0, [])


def test_threads_do_the_work_as_soon_as_they_are_woken(tmp_path):
    database, done = fresh_database(tmp_path), threading.Event()
    working = runner(database, lambda _subject: done.set(), threads=2)
    working.start()
    add(database, "a")
    working.wake()
    assert done.wait(timeout=60)
    working.stop()
    database.close()


def test_a_job_that_takes_its_process_down_every_time_is_given_up(tmp_path):
    database, given_up = fresh_database(tmp_path), []
    job_id = add(database, "a")
    for _ in range(2):
        with database.begin() as session:
            assert jobs.take_job(session).id == job_id  # and then the process dies
            session.get_one(models.Job, job_id).heartbeat_at = now() - timedelta(hours=1)
        next_process = runner(
            database, lambda _: None, lambda kind, subject: given_up.append((kind, subject)), threads=0
        )
        next_process.start()
    assert given_up == [("work", "a")]
    assert state(database, job_id).state == "failed"


def test_a_job_that_takes_long_leaves_signs_of_life(tmp_path):
    database = fresh_database(tmp_path)
    job_id = add(database, "a")
    seen = []

    def long(_subject):
        taken_at = database_heartbeat(database, job_id)
        given_up_at = time.monotonic() + 20
        while database_heartbeat(database, job_id) == taken_at and time.monotonic() < given_up_at:
            time.sleep(0.01)
        seen.append(database_heartbeat(database, job_id) > taken_at)

    ThreadRunner(
        database, {"work": long}, threads=0, attempts=2, stale_seconds=0.2, failed=lambda *_: None
    ).run_open_jobs()
    assert seen == [True]


def database_heartbeat(database, job_id):
    with database.begin() as session:
        return session.get_one(models.Job, job_id).heartbeat_at


def test_a_job_whose_subject_was_erased_while_it_was_done_ends_quietly(tmp_path):
    database = fresh_database(tmp_path)
    job_id = add(database, "a")

    def erased(_subject):
        with database.begin() as session:
            session.delete(session.get_one(models.Job, job_id))
        raise RuntimeError("its rows are gone")

    assert runner(database, erased).run_open_jobs() == 1
