"""The port to background work, and a runner that does it in threads of this process.

The queue is our own table (:mod:`app.records.jobs`), not a broker: a job is added in the same transaction as
the photo it is about, so neither a crash nor a restart can lose one without the other. Another runner (a
separate process, a broker) needs only :func:`app.records.jobs.take_job` and the same handlers.
"""

import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Protocol

from sqlalchemy.orm import Session

from app.records import jobs
from app.records.database import Database

log = logging.getLogger("kneelturn.jobs")

MEASURE_PHOTO = "measure-photo"
FIT_ROUND = "fit-round"

Handler = Callable[[str], None]  # gets the subject's id; raises if the work failed


class JobQueue(Protocol):
    """What pages need: ask for work, and see how far it is."""

    def enqueue(self, session: Session, kind: str, subject_id: str) -> str:
        """Add a job in the caller's transaction and return its id."""
        ...

    def status(self, session: Session, subject_id: str) -> jobs.JobRecord | None:
        """Return the newest job about a subject."""
        ...

    def wake(self) -> None:
        """Say that new jobs were committed."""
        ...

    def open_count(self) -> int:
        """Return how many jobs wait or run."""
        ...

    def run_next(self) -> bool:
        """Do the next waiting job now, in the calling thread; False if there is none."""
        ...


class ThreadRunner:
    """Does the jobs of the table in daemon threads.

    Parameters
    ----------
    handlers
        Kind of job to the function that does it.
    failed
        Called with kind and subject when a job is given up.

    """

    def __init__(
        self,
        database: Database,
        handlers: Mapping[str, Handler],
        *,
        threads: int,
        attempts: int,
        stale_seconds: float,
        failed: Callable[[str, str], None],
    ) -> None:
        self._database = database
        self._handlers = handlers
        self._attempts = attempts
        self._stale_seconds = stale_seconds
        self._failed = failed
        self._news = threading.Event()
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._work, name=f"measuring-{i + 1}", daemon=True) for i in range(threads)
        ]

    def enqueue(self, session: Session, kind: str, subject_id: str) -> str:
        """Add a job in the caller's transaction and return its id."""
        if kind not in self._handlers:
            raise ValueError(f"no handler for jobs of kind {kind!r}")
        return jobs.add_job(session, kind, subject_id)

    def status(self, session: Session, subject_id: str) -> jobs.JobRecord | None:
        """Return the newest job about a subject."""
        return jobs.newest_job(session, subject_id)

    def wake(self) -> None:
        """Let the threads look for work now instead of at their next round."""
        self._news.set()

    def start(self) -> None:
        """Take up jobs that an earlier process left, and start the threads."""
        self._take_up_stale()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Finish the jobs in hand and end the threads."""
        self._stopping.set()
        self._news.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=30)

    def run_open_jobs(self) -> int:
        """Do every waiting job now, in the calling thread; returns how many were tried."""
        count = 0
        while self.run_next():
            count += 1
        return count

    def _take_up_stale(self) -> None:
        """Take up the jobs whose worker died; one that took its worker down every time is given up."""
        with self._database.begin() as session:
            waiting, given_up = jobs.take_up_stale(session, self._stale_seconds, self._attempts)
        if waiting or given_up:
            log.warning("%d jobs had lost their worker and wait again, %d are given up", waiting, len(given_up))
        for job in given_up:
            self._failed(job.kind, job.subject_id)

    @contextmanager
    def _signs_of_life(self, job_id: str) -> Iterator[None]:
        """Let others see that the job is being done, however long it takes."""
        done = threading.Event()

        def beat() -> None:
            while not done.wait(self._stale_seconds / 4):
                try:
                    with self._database.begin() as session:
                        jobs.beat(session, job_id)
                except Exception:
                    log.exception("no sign of life could be left for job %s", job_id)

        beating = threading.Thread(target=beat, name="sign-of-life", daemon=True)
        beating.start()
        try:
            yield
        finally:
            done.set()
            beating.join()

    def _work(self) -> None:
        idle_rounds = 0
        while not self._stopping.is_set():
            try:
                if self.run_next():
                    continue
                idle_rounds += 1
                if idle_rounds % 20 == 0:
                    self._take_up_stale()
            except Exception:
                log.exception("the job table could not be read; trying again")
            self._news.wait(timeout=1.0)
            self._news.clear()

    def open_count(self) -> int:
        """Return how many jobs wait or run."""
        with self._database.begin() as session:
            return jobs.open_count(session)

    def run_next(self) -> bool:
        """Do the next waiting job now, in the calling thread; False if there is none."""
        with self._database.begin() as session:
            job = jobs.take_job(session)
        if job is None:
            return False
        try:
            with self._signs_of_life(job.id):
                self._handlers[job.kind](job.subject_id)
        except Exception as error:
            # whatever a photo does to the program, the queue goes on
            log.exception("job %s of kind %s failed, attempt %d", job.id, job.kind, job.attempts)
            with self._database.begin() as session:
                state = jobs.give_up_or_retry(session, job.id, type(error).__name__, self._attempts)
            if state == "failed":
                self._failed(job.kind, job.subject_id)
        else:
            with self._database.begin() as session:
                jobs.finish(session, job.id)
        return True
