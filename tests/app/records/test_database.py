"""The database keeps to itself what it holds."""

import stat

import pytest
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from app.records.database import Database


def test_a_new_database_file_can_be_read_by_the_servers_own_user_alone(tmp_path):
    database = Database(f"sqlite:///{tmp_path / 'data' / 'kneelturn.sqlite3'}")
    database.migrate()
    files = list((tmp_path / "data").iterdir())
    assert files
    for path in (tmp_path / "data", *files):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path
    database.close()


def test_an_error_of_the_database_does_not_carry_what_was_to_be_stored(tmp_path):
    database = Database(f"sqlite:///{tmp_path / 'kneelturn.sqlite3'}")
    with pytest.raises(SQLAlchemyError) as error, database.begin() as session:
        session.execute(text("insert into nowhere values (:words)"), {"words": "pain at night"})
    assert "pain at night" not in str(error.value)
    database.close()
