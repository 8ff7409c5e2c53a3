"""Makes two transactions that change the same thing wait for each other, on SQLite and on PostgreSQL alike."""

from sqlalchemy import update
from sqlalchemy.orm import Session

from app.records import models

Lockable = type[models.Practice | models.Round | models.Trial | models.Submission]


def lock_row(session: Session, table: Lockable, row_id: str) -> None:
    """Let every other transaction that locks this row wait until this one ends; call it before reading.

    It is an UPDATE that changes nothing: PostgreSQL locks the row by it, SQLite, which knows no locks of rows, the
    whole database for writing.
    """
    session.execute(
        update(table).where(table.id == row_id).values(id=table.id).execution_options(synchronize_session=False)
    )
