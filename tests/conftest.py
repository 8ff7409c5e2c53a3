"""Servers that several parts of the suite need."""

import os
import pwd
import shutil
import socket
import subprocess
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def postgres_address(tmp_path_factory):
    """Address of an empty database on a PostgreSQL server of Debian's package, started for this run."""
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    if not programs:
        pytest.skip("Debian's package postgresql is not installed")
    bin_folder = programs[-1]
    folder = tmp_path_factory.mktemp("postgres")
    as_postgres = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        user = pwd.getpwnam("postgres")
        shutil.chown(folder, user.pw_uid, user.pw_gid)
        for parent in folder.parents:
            if parent.stat().st_uid == 0 and parent != Path("/") and "pytest" in str(parent):
                parent.chmod(0o755)
        as_postgres = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    environment = {**os.environ, "HOME": str(folder), "LC_ALL": "C.UTF-8"}
    data = folder / "data"

    def run(*command):
        subprocess.run(
            [str(bin_folder / command[0]), *command[1:]],
            check=True,
            cwd=folder,
            env=environment,
            stdout=subprocess.DEVNULL,
            **as_postgres,
        )

    run("initdb", "-D", str(data), "-U", "kneelturn", "--auth=trust", "--no-sync", "-E", "UTF8")
    options = f"-c port={port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} -c fsync=off"
    run("pg_ctl", "-D", str(data), "-l", str(folder / "log"), "-o", options, "-w", "start")
    try:
        yield f"postgresql+psycopg://kneelturn@127.0.0.1:{port}/postgres"
    finally:
        run("pg_ctl", "-D", str(data), "-m", "immediate", "stop")
