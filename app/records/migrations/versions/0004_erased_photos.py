"""Photos whose files were erased after their time."""

import sqlalchemy as sa
from alembic import op

from app.records.columns import UtcTime

revision = "0004_erased_photos"
down_revision = "0003_self_screens"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.add_column(sa.Column("erased_at", UtcTime(), nullable=True))


def downgrade() -> None:
    """Take back."""
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.drop_column("erased_at")
