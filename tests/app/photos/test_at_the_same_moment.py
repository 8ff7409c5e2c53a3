"""Several photos at the same moment, on SQLite and on PostgreSQL: none is lost, none is stored twice."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import text

from app.main import create_app
from app.records import jobs
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
