"""Sign-ins, consent, safety questions, complaints, drill plans, tombstones."""

import sqlalchemy as sa
from alembic import op

from app.records.columns import Id, Json, UtcTime

revision = "0002_visits_and_sign_ins"
down_revision = "0001_first_tables"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "tombstone",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("erased_at", UtcTime(), nullable=False),
        sa.Column("erased_by", Id, nullable=True),
        sa.Column("visits", sa.Integer(), nullable=False),
        sa.Column("photos", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_tombstone_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tombstone")),
    )
    with op.batch_alter_table("tombstone", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_tombstone_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "consent",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("athlete_id", Id, nullable=False),
        sa.Column("purpose", sa.String(length=40), nullable=False),
        sa.Column("given_at", UtcTime(), nullable=False),
        sa.Column("written_by", Id, nullable=True),
        sa.Column("withdrawn_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["athlete_id"], ["athlete.id"], name=op.f("fk_consent_athlete_id_athlete"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_consent_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["written_by"], ["member.id"], name=op.f("fk_consent_written_by_member"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consent")),
    )
    with op.batch_alter_table("consent", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_consent_athlete_id"), ["athlete_id"], unique=False)

    op.create_table(
        "drill_plan",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("athlete_id", Id, nullable=False),
        sa.Column("items", Json, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("given_at", UtcTime(), nullable=False),
        sa.Column("given_by", Id, nullable=True),
        sa.Column("link_digest", sa.String(length=64), nullable=True),
        sa.Column("link_until", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["athlete_id"], ["athlete.id"], name=op.f("fk_drill_plan_athlete_id_athlete"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["given_by"], ["member.id"], name=op.f("fk_drill_plan_given_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_drill_plan_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drill_plan")),
        sa.UniqueConstraint("link_digest", name=op.f("uq_drill_plan_link_digest")),
    )
    with op.batch_alter_table("drill_plan", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_drill_plan_athlete_id"), ["athlete_id"], unique=False)

    op.create_table(
        "sign_in",
        sa.Column("id", Id, nullable=False),
        sa.Column("member_id", Id, nullable=False),
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("browser", sa.String(length=200), nullable=False),
        sa.Column("began_at", UtcTime(), nullable=False),
        sa.Column("seen_at", UtcTime(), nullable=False),
        sa.Column("ended_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["member_id"], ["member.id"], name=op.f("fk_sign_in_member_id_member"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in")),
        sa.UniqueConstraint("token_digest", name=op.f("uq_sign_in_token_digest")),
    )
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_member_id"), ["member_id"], unique=False)

    op.create_table(
        "complaint",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("visit_id", Id, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("pain_now", sa.Integer(), nullable=True),
        sa.Column("pain_worst", sa.Integer(), nullable=True),
        sa.Column("sites", Json, nullable=False),
        sa.Column("told_at", UtcTime(), nullable=False),
        sa.Column("written_by", Id, nullable=True),
        sa.CheckConstraint(
            "pain_now is null or (pain_now >= 0 and pain_now <= 10)", name=op.f("ck_complaint_pain_now")
        ),
        sa.CheckConstraint(
            "pain_worst is null or (pain_worst >= 0 and pain_worst <= 10)", name=op.f("ck_complaint_pain_worst")
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_complaint_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_complaint_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["written_by"], ["member.id"], name=op.f("fk_complaint_written_by_member"), ondelete="SET NULL"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_complaint")),
    )
    with op.batch_alter_table("complaint", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_complaint_visit_id"), ["visit_id"], unique=False)

    op.create_table(
        "drill_done",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("plan_id", Id, nullable=False),
        sa.Column("drill", sa.String(length=40), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("pain", sa.Integer(), nullable=True),
        sa.Column("noted_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_id"], ["drill_plan.id"], name=op.f("fk_drill_done_plan_id_drill_plan"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_drill_done_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drill_done")),
        sa.UniqueConstraint("plan_id", "drill", "day", name=op.f("uq_drill_done_plan_id")),
    )
    op.create_table(
        "safety_screen",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("visit_id", Id, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("answers", Json, nullable=False),
        sa.Column("asked_at", UtcTime(), nullable=False),
        sa.Column("asked_by", Id, nullable=True),
        sa.ForeignKeyConstraint(
            ["asked_by"], ["member.id"], name=op.f("fk_safety_screen_asked_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_safety_screen_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_safety_screen_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_safety_screen")),
    )
    with op.batch_alter_table("safety_screen", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_safety_screen_visit_id"), ["visit_id"], unique=False)

    op.create_table(
        "clearance",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("screen_id", Id, nullable=False),
        sa.Column("member_id", Id, nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["member_id"], ["member.id"], name=op.f("fk_clearance_member_id_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_clearance_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["screen_id"], ["safety_screen.id"], name=op.f("fk_clearance_screen_id_safety_screen"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clearance")),
        sa.UniqueConstraint("screen_id", name=op.f("uq_clearance_screen_id")),
    )
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.add_column(sa.Column("keep_photos_days", sa.Integer(), nullable=True))


def downgrade() -> None:
    """Take back."""
    with op.batch_alter_table("practice", schema=None) as batch_op:
        batch_op.drop_column("keep_photos_days")

    op.drop_table("clearance")
    with op.batch_alter_table("safety_screen", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_safety_screen_visit_id"))

    op.drop_table("safety_screen")
    op.drop_table("drill_done")
    with op.batch_alter_table("complaint", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_complaint_visit_id"))

    op.drop_table("complaint")
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_member_id"))

    op.drop_table("sign_in")
    with op.batch_alter_table("drill_plan", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_drill_plan_athlete_id"))

    op.drop_table("drill_plan")
    with op.batch_alter_table("consent", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_consent_athlete_id"))

    op.drop_table("consent")
    with op.batch_alter_table("tombstone", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_tombstone_practice_id"))

    op.drop_table("tombstone")
