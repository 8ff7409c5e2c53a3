"""Invitations to self-screens, what was sent through them, requests for one more photo."""

import sqlalchemy as sa
from alembic import op

from app.records.columns import Id, UtcTime

revision = "0003_self_screens"
down_revision = "0002_visits_and_sign_ins"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Apply."""
    op.create_table(
        "invitation",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("athlete_id", Id, nullable=False),
        sa.Column("purpose", sa.String(length=40), nullable=False),
        sa.Column("token_digest", sa.String(length=64), nullable=False),
        sa.Column("submissions_allowed", sa.Integer(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.Column("made_by", Id, nullable=True),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("revoked_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["athlete_id"], ["athlete.id"], name=op.f("fk_invitation_athlete_id_athlete"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["made_by"], ["member.id"], name=op.f("fk_invitation_made_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_invitation_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_invitation")),
        sa.UniqueConstraint("token_digest", name=op.f("uq_invitation_token_digest")),
    )
    with op.batch_alter_table("invitation", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_invitation_athlete_id"), ["athlete_id"], unique=False)

    op.create_table(
        "submission",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("invitation_id", Id, nullable=False),
        sa.Column("visit_id", Id, nullable=False),
        sa.Column("begun_at", UtcTime(), nullable=False),
        sa.Column("sent_at", UtcTime(), nullable=True),
        sa.Column("decision", sa.String(length=20), nullable=True),
        sa.Column("decided_at", UtcTime(), nullable=True),
        sa.Column("decided_by", Id, nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.CheckConstraint("decision in ('accepted', 'set-aside')", name=op.f("ck_submission_decision")),
        sa.ForeignKeyConstraint(
            ["decided_by"], ["member.id"], name=op.f("fk_submission_decided_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["invitation_id"],
            ["invitation.id"],
            name=op.f("fk_submission_invitation_id_invitation"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_submission_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_submission_visit_id_visit"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_submission")),
        sa.UniqueConstraint("visit_id", name=op.f("uq_submission_visit_id")),
    )
    with op.batch_alter_table("submission", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_submission_invitation_id"), ["invitation_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_submission_practice_id"), ["practice_id"], unique=False)

    op.create_table(
        "photo_request",
        sa.Column("id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("submission_id", Id, nullable=False),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("asked_at", UtcTime(), nullable=False),
        sa.Column("asked_by", Id, nullable=True),
        sa.Column("answered_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["asked_by"], ["member.id"], name=op.f("fk_photo_request_asked_by_member"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_photo_request_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["submission_id"],
            ["submission.id"],
            name=op.f("fk_photo_request_submission_id_submission"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo_request")),
    )
    with op.batch_alter_table("photo_request", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photo_request_submission_id"), ["submission_id"], unique=False)

    op.create_table(
        "capture",
        sa.Column("photo_id", Id, nullable=False),
        sa.Column("practice_id", Id, nullable=False),
        sa.Column("submission_id", Id, nullable=False),
        sa.Column("request_id", Id, nullable=True),
        sa.Column("step", sa.String(length=20), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.Column("taken_at", UtcTime(), nullable=False),
        sa.CheckConstraint(
            "face in ('shown', 'blurred-on-phone', 'to-be-blurred', 'blurred-on-arrival', 'head-not-found')",
            name=op.f("ck_capture_face"),
        ),
        sa.CheckConstraint("source in ('camera', 'file')", name=op.f("ck_capture_source")),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_capture_photo_id_photo"), ondelete="CASCADE"),
        sa.ForeignKeyConstraint(
            ["practice_id"], ["practice.id"], name=op.f("fk_capture_practice_id_practice"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["request_id"], ["photo_request.id"], name=op.f("fk_capture_request_id_photo_request"), ondelete="SET NULL"
        ),
        sa.ForeignKeyConstraint(
            ["submission_id"], ["submission.id"], name=op.f("fk_capture_submission_id_submission"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("photo_id", name=op.f("pk_capture")),
    )
    with op.batch_alter_table("capture", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_capture_submission_id"), ["submission_id"], unique=False)


def downgrade() -> None:
    """Take back."""
    with op.batch_alter_table("capture", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_capture_submission_id"))

    op.drop_table("capture")
    with op.batch_alter_table("photo_request", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photo_request_submission_id"))

    op.drop_table("photo_request")
    with op.batch_alter_table("submission", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_submission_practice_id"))
        batch_op.drop_index(batch_op.f("ix_submission_invitation_id"))

    op.drop_table("submission")
    with op.batch_alter_table("invitation", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_invitation_athlete_id"))

    op.drop_table("invitation")
