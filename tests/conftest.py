"""Servers that several parts of the suite need."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from app.records.database import Database

# A suite says the same about the same program every time, on a slow machine too: the examples are always the same and
# no time is measured. To look for new ones: pytest --hypothesis-profile=explore
UNTIMED = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("same", derandomize=True, **UNTIMED)
settings.register_profile("explore", max_examples=1000, **UNTIMED)
settings.load_profile("same")


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str]:
    """Address of an empty database on a PostgreSQL server of Debian's package, started for this run.

    The server listens on a socket in its own folder and on no port. As root it runs as the user postgres,
    since it refuses root; pytest's own temporary folders are closed to other users, hence a folder beside them.
    """
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    if not programs:
        pytest.skip("Debian's package postgresql is not installed")
    folder = Path(tempfile.mkdtemp(prefix="kneelturn-postgres-"))
    as_postgres = {}
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
        as_postgres = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}

    def run(program: str, *arguments: str) -> None:
        subprocess.run(
            [programs[-1] / program, "-D", folder / "data", *arguments],
            check=True,
            cwd=folder,
            env={**os.environ, "HOME": str(folder), "LC_ALL": "C.UTF-8"},
            stdout=subprocess.DEVNULL,
            **as_postgres,
        )

    try:
        run("initdb", "-U", "kneelturn", "--auth=trust", "--no-sync", "-E", "UTF8")
        options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off"
        run("pg_ctl", "-l", str(folder / "log"), "-o", options, "-w", "start")
        try:
            yield f"postgresql+psycopg://kneelturn@/postgres?host={folder}"
        finally:
            run("pg_ctl", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with empty tables; copying it is much faster than migrating anew."""
    path = tmp_path_factory.mktemp("migrated") / "kneelturn.sqlite3"
    database = Database(f"sqlite:///{path}")
    database.migrate()
    database.close()
    return path
