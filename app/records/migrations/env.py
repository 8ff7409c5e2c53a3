"""Runs the migrations on the connection that :meth:`app.records.database.Database.migrate` hands over."""

from alembic import context

from app.records.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,  # SQLite cannot alter most things in place
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
