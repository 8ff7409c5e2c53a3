"""The connection to the database, and bringing it up to date."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine, event
from sqlalchemy.engine import Engine, make_url
from sqlalchemy.orm import Session, sessionmaker

MIGRATIONS = Path(__file__).parent / "migrations"
_MIGRATION_LOCK = 7_406_011  # any number that nothing else in the database takes as a lock


class Database:
    """An engine and its sessions.

    Parameters
    ----------
    address
        SQLAlchemy address; SQLite and PostgreSQL (psycopg) are supported.

    """

    def __init__(self, address: str) -> None:
        url = make_url(address)
        if url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:"):
            Path(str(url.database)).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            Path(str(url.database)).touch(mode=0o600)  # health data: for the server's own user alone
        self.engine: Engine = create_engine(
            url,
            pool_pre_ping=url.get_backend_name() != "sqlite",
            hide_parameters=True,  # an error that is logged must not carry what was told about pain
        )
        if url.get_backend_name() == "sqlite":
            event.listen(self.engine, "connect", _prepare_sqlite)
        self._sessions = sessionmaker(self.engine, expire_on_commit=False)

    @contextmanager
    def begin(self) -> Iterator[Session]:
        """Give a session in one transaction: committed at the end, rolled back if an error is raised."""
        with self._sessions.begin() as session:
            yield session

    def migrate(self) -> None:
        """Bring the tables to the newest revision, whole or not at all; safe to call at every start, at once too.

        A server and its workers may be started together: the first one migrates, the others wait for it.
        """
        sqlite = self.engine.url.get_backend_name() == "sqlite"
        with self.engine.connect() as connection:
            try:
                if sqlite:
                    # a table that is made anew is dropped first, and its children would go with it
                    connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
                    connection.exec_driver_sql("BEGIN IMMEDIATE")
                else:
                    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_MIGRATION_LOCK})")
                config = Config()
                config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
                connection.commit()
            finally:
                connection.invalidate()  # the next one begins with foreign keys again

    def forget_erased(self) -> None:
        """Let nothing of erased rows stay in SQLite's write-ahead log; other databases need no such step here."""
        if self.engine.url.get_backend_name() == "sqlite":
            with self.engine.connect() as connection:
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def _prepare_sqlite(connection: Any, _record: object) -> None:  # noqa: ANN401 - the driver's own class
    cursor = connection.cursor()
    cursor.execute("PRAGMA busy_timeout=10000")  # first, as the next one may have to wait
    cursor.execute("PRAGMA journal_mode=WAL")  # readers do not wait for the measuring thread
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA secure_delete=ON")  # an erased athlete leaves no readable pages behind
    cursor.close()
