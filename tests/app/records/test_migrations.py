"""The migrations make exactly the tables of the models, on SQLite and on PostgreSQL."""

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from app.records import people, rounds
from app.records.database import Database
from app.records.models import Base
from vision.sides import Side


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
