"""The first tables."""

import sqlalchemy as sa
from alembic import op

from app.records.columns import Id, Json, UtcTime

revision = "0001_first_tables"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "job",
        sa.Column("id", Id, nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("subject_id", Id, nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("heartbeat_at", UtcTime(), nullable=True),
        sa.Column("finished_at", UtcTime(), nullable=True),
        sa.CheckConstraint("state in ('waiting', 'running', 'done', 'failed')", name=op.f("ck_job_state")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.create_index("ix_job_state_created_at", ["state", "created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_job_subject_id"), ["subject_id"], unique=False)

    op.create_table(
        "practice",
        sa.Column("id", Id, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("demo", sa.Boolean(), nullable=False),
        sa.Column("own_sem_deg", sa.Double(), nullable=True),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice")),
    )
    op.create_table(
        "athlete",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("code", sa.String(length=100), nullable=False),
        sa.Column("breadth_mm", sa.Double(), nullable=True),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_athlete_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_athlete")),
        sa.UniqueConstraint("practice_id", "code", name=op.f("uq_athlete_practice_id")),
    )
    op.create_table(
        "audit_entry",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("member_id", Id, nullable=True),
        sa.Column("athlete_id", Id, nullable=True),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("subject_kind", sa.String(length=40), nullable=False),
        sa.Column("subject_id", Id, nullable=False),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_audit_entry_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
    )
    with op.batch_alter_table("audit_entry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_audit_entry_athlete_id"), ["athlete_id"], unique=False)
        batch_op.create_index("ix_audit_entry_practice_id_at", ["practice_id", "at"], unique=False)

    op.create_table(
        "member",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("email", sa.String(length=320), nullable=True),
        sa.Column("password_hash", sa.String(length=300), nullable=True),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("disabled_at", UtcTime(), nullable=True),
        sa.CheckConstraint("role in ('owner', 'clinician', 'coach')", name=op.f("ck_member_role")),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_member_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_member")),
        sa.UniqueConstraint("email", name=op.f("uq_member_email")),
    )
    with op.batch_alter_table("member", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_member_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "visit",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("athlete_id", Id, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("started_at", UtcTime(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("accepted_at", UtcTime(), nullable=True),
        sa.Column("accepted_by", Id, nullable=True),
        sa.CheckConstraint("kind in ('visit', 'self-screen')", name=op.f("ck_visit_kind")),
        sa.ForeignKeyConstraint(
            ["accepted_by"], ["member.id"], name=op.f("fk_visit_accepted_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["athlete_id"], ["athlete.id"], name=op.f("fk_visit_athlete_id_athlete"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_visit_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_visit_athlete_id"), ["athlete_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_visit_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "round",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("visit_id", Id, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("started_at", UtcTime(), nullable=False),
        sa.Column("setup", Json, nullable=False),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_round_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["visit_id"], ["visit.id"], name=op.f("fk_round_visit_id_visit"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_round")),
        sa.UniqueConstraint("visit_id", "number", name=op.f("uq_round_visit_id")),
    )
    with op.batch_alter_table("round", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_round_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "trial",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("round_id", Id, nullable=False),
        sa.Column("side", sa.String(length=10), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("pain", sa.Integer(), nullable=True),
        sa.Column("end_feel", sa.String(length=40), nullable=True),
        sa.Column("faults", Json, nullable=False),
        sa.Column("left_out", sa.Boolean(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.CheckConstraint("side in ('start', 'left', 'right')", name=op.f("ck_trial_side")),
        sa.CheckConstraint("pain is null or (pain >= 0 and pain <= 10)", name=op.f("ck_trial_pain")),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_trial_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["round_id"], ["round.id"], name=op.f("fk_trial_round_id_round"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trial")),
        sa.UniqueConstraint("round_id", "number", name=op.f("uq_trial_round_id")),
    )
    with op.batch_alter_table("trial", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_trial_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "fit",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("trial_id", Id, nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("origin", sa.String(length=20), nullable=False),
        sa.Column("software", sa.String(length=40), nullable=False),
        sa.Column("result", Json, nullable=False),
        sa.CheckConstraint("origin in ('automatic', 'moved', 'typed')", name=op.f("ck_fit_origin")),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_fit_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["trial_id"], ["trial.id"], name=op.f("fk_fit_trial_id_trial"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fit")),
    )
    with op.batch_alter_table("fit", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_fit_trial_id"), ["trial_id"], unique=False)

    op.create_table(
        "photo",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("trial_id", Id, nullable=False),
        sa.Column("viewpoint", sa.Integer(), nullable=False),
        sa.Column("upload_key", sa.String(length=100), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("byte_count", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("width", sa.Integer(), nullable=True),
        sa.Column("height", sa.Integer(), nullable=True),
        sa.Column("focal_px", sa.Double(), nullable=True),
        sa.Column("media_type", sa.String(length=50), nullable=True),
        sa.Column("taken_at", sa.String(length=40), nullable=True),
        sa.Column("roll_deg", sa.Double(), nullable=True),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.CheckConstraint(
            "state in ('waiting', 'measuring', 'measured', 'not-measurable')", name=op.f("ck_photo_state")
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_photo_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(["trial_id"], ["trial.id"], name=op.f("fk_photo_trial_id_trial"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("practice_id", "upload_key", name=op.f("uq_photo_practice_id")),
    )
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photo_digest"), ["digest"], unique=False)
        batch_op.create_index(batch_op.f("ix_photo_trial_id"), ["trial_id"], unique=False)

    op.create_table(
        "correction",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("trial_id", Id, nullable=False),
        sa.Column("photo_id", Id, nullable=True),
        sa.Column("member_id", Id, nullable=True),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("moved", Json, nullable=False),
        sa.Column("angle_deg", sa.Double(), nullable=True),
        sa.Column("angle_half_band_deg", sa.Double(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("blind", sa.Boolean(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("reverted_at", UtcTime(), nullable=True),
        sa.Column("reverted_by", Id, nullable=True),
        sa.CheckConstraint("(kind = 'moved') = (photo_id is not null)", name=op.f("ck_correction_photo")),
        sa.CheckConstraint("(kind = 'typed') = (angle_deg is not null)", name=op.f("ck_correction_angle")),
        sa.CheckConstraint("kind in ('moved', 'typed')", name=op.f("ck_correction_kind")),
        sa.ForeignKeyConstraint(
            ["member_id"], ["member.id"], name=op.f("fk_correction_member_id_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["photo_id"], ["photo.id"], name=op.f("fk_correction_photo_id_photo"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_correction_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["reverted_by"], ["member.id"], name=op.f("fk_correction_reverted_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trial.id"], name=op.f("fk_correction_trial_id_trial"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    with op.batch_alter_table("correction", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_correction_trial_id"), ["trial_id"], unique=False)

    op.create_table(
        "measurement",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("photo_id", Id, nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("finder", sa.String(length=100), nullable=False),
        sa.Column("software", sa.String(length=40), nullable=False),
        sa.Column("result", Json, nullable=False),
        sa.ForeignKeyConstraint(
            ["photo_id"], ["photo.id"], name=op.f("fk_measurement_photo_id_photo"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_measurement_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurement")),
    )
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_measurement_photo_id"), ["photo_id"], unique=False)


def downgrade() -> None:
    """Take back."""
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_measurement_photo_id"))

    op.drop_table("measurement")
    with op.batch_alter_table("correction", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_correction_trial_id"))

    op.drop_table("correction")
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photo_trial_id"))
        batch_op.drop_index(batch_op.f("ix_photo_digest"))

    op.drop_table("photo")
    with op.batch_alter_table("fit", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_fit_trial_id"))

    op.drop_table("fit")
    with op.batch_alter_table("trial", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_trial_practice_id"))

    op.drop_table("trial")
    with op.batch_alter_table("round", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_round_practice_id"))

    op.drop_table("round")
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_visit_practice_id"))
        batch_op.drop_index(batch_op.f("ix_visit_athlete_id"))

    op.drop_table("visit")
    with op.batch_alter_table("member", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_member_practice_id"))

    op.drop_table("member")
    with op.batch_alter_table("audit_entry", schema=None) as batch_op:
        batch_op.drop_index("ix_audit_entry_practice_id_at")
        batch_op.drop_index(batch_op.f("ix_audit_entry_athlete_id"))

    op.drop_table("audit_entry")
    op.drop_table("athlete")
    op.drop_table("practice")
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_job_subject_id"))
        batch_op.drop_index("ix_job_state_created_at")

    op.drop_table("job")
