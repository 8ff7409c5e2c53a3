"""The job table loses nothing: crashes are taken up again, hopeless work is given up."""

import threading
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
        assert jobs.requeue_stale(session, 60) == 0


def test_threads_do_the_work_as_soon_as_they_are_woken(tmp_path):
    database, done = fresh_database(tmp_path), threading.Event()
    working = runner(database, lambda _subject: done.set(), threads=2)
    working.start()
    add(database, "a")
    working.wake()
    assert done.wait(timeout=60)
    working.stop()
    database.close()
