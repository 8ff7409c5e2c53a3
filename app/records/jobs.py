"""Rows of background jobs."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from app.records import models
from app.records.columns import now

State = Literal["waiting", "running", "done", "failed"]


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A job."""

    id: str
    kind: str
    subject_id: str
    state: State
    attempts: int
    error: str


def _record(row: models.Job) -> JobRecord:
    return JobRecord(row.id, row.kind, row.subject_id, row.state, row.attempts, row.error)  # type: ignore[arg-type]


def add_job(session: Session, kind: str, subject_id: str) -> str:
    """Add a waiting job in the caller's transaction, so that it exists exactly if its subject does."""
    row = models.Job(kind=kind, subject_id=subject_id)
    session.add(row)
    session.flush()
    return row.id


def job(session: Session, job_id: str) -> JobRecord | None:
    """Return a job, or None."""
    row = session.get(models.Job, job_id)
    return None if row is None else _record(row)


def newest_job(session: Session, subject_id: str) -> JobRecord | None:
    """Return the newest job about a subject, or None."""
    row = session.scalars(
        select(models.Job).where(models.Job.subject_id == subject_id).order_by(models.Job.created_at.desc()).limit(1)
    ).first()
    return None if row is None else _record(row)


def take_job(session: Session) -> JobRecord | None:
    """Mark the oldest waiting job as running and return it; None if there is none or another worker was faster."""
    job_id = session.scalar(
        select(models.Job.id)
        .where(models.Job.state == "waiting")
        .order_by(models.Job.created_at, models.Job.id)
        .limit(1)
    )
    if job_id is None:
        return None
    taken = session.execute(
        update(models.Job)
        .where(models.Job.id == job_id, models.Job.state == "waiting")
        .values(state="running", attempts=models.Job.attempts + 1, heartbeat_at=now())
        .returning(models.Job.id)
    ).first()
    return None if taken is None else _record(session.get_one(models.Job, job_id, populate_existing=True))


def beat(session: Session, job_id: str) -> None:
    """Leave a sign of life."""
    session.execute(update(models.Job).where(models.Job.id == job_id).values(heartbeat_at=now()))


def finish(session: Session, job_id: str) -> None:
    """Mark a job as done."""
    session.execute(update(models.Job).where(models.Job.id == job_id).values(state="done", finished_at=now(), error=""))


def give_up_or_retry(session: Session, job_id: str, error: str, most_attempts: int) -> State:
    """Put a job that failed back in the queue, or mark it failed after ``most_attempts``; returns its new state."""
    row = session.get(models.Job, job_id, populate_existing=True)
    if row is None:
        return "failed"  # removed with its subject while it was being done
    row.error = error
    if row.attempts >= most_attempts:
        row.state, row.finished_at = "failed", now()
    else:
        row.state = "waiting"
    session.flush()
    return row.state  # type: ignore[return-value]


def take_up_stale(session: Session, stale_seconds: float, most_attempts: int) -> tuple[int, list[JobRecord]]:
    """Put running jobs without a sign of life back in the queue, or mark them failed after ``most_attempts``.

    Returns how many wait again, and those that failed: a job that takes its process down every time must not do so
    for ever.
    """
    limit = now() - timedelta(seconds=stale_seconds)
    stale = (
        models.Job.state == "running",
        or_(models.Job.heartbeat_at.is_(None), models.Job.heartbeat_at < limit),
    )
    failed = session.scalars(
        update(models.Job)
        .where(*stale, models.Job.attempts >= most_attempts)
        .values(state="failed", finished_at=now(), error="WorkerLost")
        .returning(models.Job)
    ).all()
    waiting = session.execute(update(models.Job).where(*stale).values(state="waiting").returning(models.Job.id)).all()
    return len(waiting), [_record(row) for row in failed]


def open_count(session: Session) -> int:
    """Return how many jobs wait or run."""
    return len(session.scalars(select(models.Job.id).where(models.Job.state.in_(["waiting", "running"]))).all())
