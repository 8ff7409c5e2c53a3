"""The migrations make exactly the tables of the models, on SQLite and on PostgreSQL."""

import shutil
import subprocess
import sys

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from app.records import database as database_module
from app.records import people, rounds
from app.records.database import Database
from app.records.models import Base
from vision.sides import Side

LATER = f'''
import sqlalchemy as sa
from alembic import op

revision = "0099_later"
down_revision = "{ScriptDirectory(str(database_module.MIGRATIONS)).get_current_head()}"
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table("photo", recreate="always") as table:
        table.add_column(sa.Column("later", sa.Integer(), nullable=True))
'''


def assert_tables_match_models(database):
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_migrations_make_the_tables_of_the_models_on_sqlite(tmp_path):
    database = Database(f"sqlite:///{tmp_path / 'new.sqlite3'}")
    database.migrate()
    database.migrate()  # a second start changes nothing
    assert_tables_match_models(database)
    database.close()


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_processes_that_start_together_migrate_once(kind, tmp_path, request):
    address = f"sqlite:///{tmp_path / 'new.sqlite3'}"
    if kind == "postgresql":
        address = request.getfixturevalue("postgres_address")
        emptied = Database(address)
        with emptied.engine.begin() as connection:  # shared by the tests of a run
            connection.execute(text("drop schema public cascade"))
            connection.execute(text("create schema public"))
        emptied.close()
    migrate = f"from app.records.database import Database; Database({address!r}).migrate()"
    started = [subprocess.Popen([sys.executable, "-c", migrate], stderr=subprocess.PIPE) for _ in range(3)]
    told = [process.communicate(timeout=120)[1].decode()[-500:] for process in started]
    assert [process.returncode for process in started] == [0, 0, 0], told
    database = Database(address)
    assert_tables_match_models(database)
    database.close()


def test_a_table_made_anew_by_a_migration_keeps_what_belongs_to_its_rows(practice, tmp_path, monkeypatch):
    round_id = practice.round("left")
    later = tmp_path / "migrations"
    shutil.copytree(database_module.MIGRATIONS, later)
    (later / "versions" / "0099_later.py").write_text(LATER)
    monkeypatch.setattr(database_module, "MIGRATIONS", later)
    practice.services.database.migrate()
    with practice.services.database.begin() as session:
        assert session.scalar(text("select count(*) from measurement")) == 1
        assert session.scalar(text("PRAGMA foreign_keys")) == 1
    assert practice.load(round_id).trials[0].current.rotation


def test_a_migration_that_breaks_changes_nothing(practice, tmp_path, monkeypatch):
    later = tmp_path / "migrations"
    shutil.copytree(database_module.MIGRATIONS, later)
    (later / "versions" / "0099_later.py").write_text(LATER + "    raise RuntimeError('power cut')\n")
    monkeypatch.setattr(database_module, "MIGRATIONS", later)
    with pytest.raises(RuntimeError, match="power cut"):
        practice.services.database.migrate()
    monkeypatch.undo()
    practice.services.database.migrate()
    assert_tables_match_models(practice.services.database)


@pytest.mark.postgres
def test_migrations_and_records_work_on_postgresql(postgres_address):
    database = Database(postgres_address)
    database.migrate()
    assert_tables_match_models(database)
    with database.begin() as session:
        practice = people.add_practice(session, "Hillside")
        athlete = people.athlete_by_code(session, practice.id, "A-1")
        visit_id = rounds.add_visit(session, practice.id, athlete.id)
        round_id = rounds.add_round(session, practice.id, visit_id, {"hand": "low back"})
        rounds.add_trial(session, practice.id, round_id, Side.LEFT)
    with database.begin() as session:
        loaded = rounds.load_round(session, practice.id, round_id)
    assert loaded.setup == {"hand": "low back"}
    assert [t.side for t in loaded.trials] == [Side.LEFT]
    assert loaded.started_at.utcoffset().total_seconds() == 0
    database.close()
