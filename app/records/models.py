"""The tables.

practice -> member, athlete -> visit -> round -> trial -> photo -> measurement.

Measurements, fits and corrections are only ever added: the automatic result of a photo and of a trial
stays as it was, and what holds now follows from the newest correction that was not reverted.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from app.records.columns import Id, Json, UtcTime, new_id, now

NAMING = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Common base; constraint names are fixed so that migrations can name them on SQLite too."""


Base.metadata.naming_convention = NAMING


class Practice(Base):
    """A practice: everything below belongs to exactly one."""

    __tablename__ = "practice"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(200))
    demo: Mapped[bool] = mapped_column(default=False)
    # standard error of measurement of a side's mean from the practice's own agreement study
    own_sem_deg: Mapped[float | None]
    # photos are erased after this many days, their results stay; None keeps them
    keep_photos_days: Mapped[int | None]
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Member(Base):
    """Someone who works in a practice and signs in."""

    __tablename__ = "member"
    __table_args__ = (CheckConstraint("role in ('owner', 'clinician', 'coach')", name="role"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    name: Mapped[str] = mapped_column(String(200))
    email: Mapped[str | None] = mapped_column(String(320), unique=True)
    password_hash: Mapped[str | None] = mapped_column(String(300))
    role: Mapped[str] = mapped_column(String(20))
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    disabled_at: Mapped[datetime | None] = mapped_column(UtcTime)


class Athlete(Base):
    """The person measured; a code is enough, a name is never needed."""

    __tablename__ = "athlete"
    __table_args__ = (UniqueConstraint("practice_id", "code"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    code: Mapped[str] = mapped_column(String(100))
    # tape-measured biacromial breadth; narrows the body prior of every fit of this person
    breadth_mm: Mapped[float | None]
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Visit(Base):
    """One meeting, or one submission of a self-screen."""

    __tablename__ = "visit"
    __table_args__ = (CheckConstraint("kind in ('visit', 'self-screen')", name="kind"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    athlete_id: Mapped[str] = mapped_column(ForeignKey("athlete.id", ondelete="CASCADE"), index=True)
    kind: Mapped[str] = mapped_column(String(20), default="visit")
    started_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    note: Mapped[str] = mapped_column(Text, default="")
    # a self-screen enters no trend before a member accepted it
    accepted_at: Mapped[datetime | None] = mapped_column(UtcTime)
    accepted_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))


class Round(Base):
    """Start photo plus the trials of both sides, taken together."""

    __tablename__ = "round"
    __table_args__ = (UniqueConstraint("visit_id", "number"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    visit_id: Mapped[str] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"))
    number: Mapped[int]
    started_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    # how the position was set up (hand, height of the hips, camera place, warm-up), so that a retest repeats it
    setup: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)


class Trial(Base):
    """One end-range effort on one side, or the start position."""

    __tablename__ = "trial"
    __table_args__ = (
        CheckConstraint("side in ('start', 'left', 'right')", name="side"),
        CheckConstraint("pain is null or (pain >= 0 and pain <= 10)", name="pain"),
        UniqueConstraint("round_id", "number"),
    )
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    round_id: Mapped[str] = mapped_column(ForeignKey("round.id", ondelete="CASCADE"))
    side: Mapped[str] = mapped_column(String(10))
    number: Mapped[int]  # order within the round, over both sides
    pain: Mapped[int | None]
    end_feel: Mapped[str | None] = mapped_column(String(40))
    faults: Mapped[list[str]] = mapped_column(Json, default=list)
    left_out: Mapped[bool] = mapped_column(default=False)  # kept, shown, but not in the mean
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Photo(Base):
    """One photo of a trial; a trial may be seen from several viewpoints."""

    __tablename__ = "photo"
    __table_args__ = (
        UniqueConstraint("practice_id", "upload_key"),
        CheckConstraint("state in ('waiting', 'measuring', 'measured', 'not-measurable')", name="state"),
    )
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    trial_id: Mapped[str] = mapped_column(ForeignKey("trial.id", ondelete="CASCADE"), index=True)
    viewpoint: Mapped[int] = mapped_column(default=1)
    upload_key: Mapped[str] = mapped_column(String(100))  # makes a repeated sending harmless
    file_name: Mapped[str] = mapped_column(String(255), default="")
    digest: Mapped[str] = mapped_column(String(64), index=True)  # SHA-256 of the bytes as received
    byte_count: Mapped[int]
    state: Mapped[str] = mapped_column(String(20), default="waiting")
    # filled when the file was decoded
    width: Mapped[int | None]
    height: Mapped[int | None]
    focal_px: Mapped[float | None]
    media_type: Mapped[str | None] = mapped_column(String(50))
    taken_at: Mapped[str | None] = mapped_column(String(40))  # as the camera wrote it, without zone
    roll_deg: Mapped[float | None]  # from the phone's motion sensor, where it was stored with the photo
    erased_at: Mapped[datetime | None] = mapped_column(UtcTime)  # the files are gone, the results stay
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Measurement(Base):
    """The automatic result of one photo: landmarks and findings. Added, never changed."""

    __tablename__ = "measurement"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    photo_id: Mapped[str] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"), index=True)
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    finder: Mapped[str] = mapped_column(String(100))
    software: Mapped[str] = mapped_column(String(40))
    result: Mapped[dict[str, Any]] = mapped_column(Json)  # see app/records/stored.py


class Fit(Base):
    """The rotation of one trial from all its photos. Added, never changed; the newest of its origin holds."""

    __tablename__ = "fit"
    __table_args__ = (CheckConstraint("origin in ('automatic', 'moved', 'typed')", name="origin"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    trial_id: Mapped[str] = mapped_column(ForeignKey("trial.id", ondelete="CASCADE"), index=True)
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    number: Mapped[int]  # counts up within the trial
    origin: Mapped[str] = mapped_column(String(20))
    software: Mapped[str] = mapped_column(String(40))
    result: Mapped[dict[str, Any]] = mapped_column(Json)


class Correction(Base):
    """A person's change of the automatic result: moved landmarks of a photo, or an angle typed for a trial."""

    __tablename__ = "correction"
    __table_args__ = (
        CheckConstraint("kind in ('moved', 'typed')", name="kind"),
        CheckConstraint("(kind = 'moved') = (photo_id is not null)", name="photo"),
        CheckConstraint("(kind = 'typed') = (angle_deg is not null)", name="angle"),
    )
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    trial_id: Mapped[str] = mapped_column(ForeignKey("trial.id", ondelete="CASCADE"), index=True)
    photo_id: Mapped[str | None] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"))
    member_id: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    number: Mapped[int]  # counts up within the trial
    kind: Mapped[str] = mapped_column(String(10))
    moved: Mapped[dict[str, list[float]]] = mapped_column(Json, default=dict)  # name -> [x_px, y_px]
    angle_deg: Mapped[float | None]  # in the trial's direction, as shown
    angle_half_band_deg: Mapped[float | None]
    reason: Mapped[str] = mapped_column(Text, default="")
    blind: Mapped[bool] = mapped_column(default=False)  # made without seeing the first result
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    reverted_at: Mapped[datetime | None] = mapped_column(UtcTime)
    reverted_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))


class Job(Base):
    """Work to be done in the background; our own row, so that a crash loses nothing."""

    __tablename__ = "job"
    __table_args__ = (
        CheckConstraint("state in ('waiting', 'running', 'done', 'failed')", name="state"),
        Index("ix_job_state_created_at", "state", "created_at"),
    )
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    kind: Mapped[str] = mapped_column(String(40))
    subject_id: Mapped[str] = mapped_column(Id, index=True)
    state: Mapped[str] = mapped_column(String(10), default="waiting")
    attempts: Mapped[int] = mapped_column(default=0)
    error: Mapped[str] = mapped_column(Text, default="")
    created_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    heartbeat_at: Mapped[datetime | None] = mapped_column(UtcTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcTime)


class AuditEntry(Base):
    """Who read or changed what, when; holds no health data itself."""

    __tablename__ = "audit_entry"
    __table_args__ = (Index("ix_audit_entry_practice_id_at", "practice_id", "at"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    # no foreign keys: the log outlives the member and the athlete it speaks of
    member_id: Mapped[str | None] = mapped_column(Id)
    athlete_id: Mapped[str | None] = mapped_column(Id, index=True)
    at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    action: Mapped[str] = mapped_column(String(60))
    subject_kind: Mapped[str] = mapped_column(String(40))
    subject_id: Mapped[str] = mapped_column(Id)


class SignIn(Base):
    """A browser in which a member is signed in; ended by signing out, by an owner, or by time."""

    __tablename__ = "sign_in"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    member_id: Mapped[str] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"), index=True)
    token_digest: Mapped[str] = mapped_column(String(64), unique=True)  # the token itself is never stored
    browser: Mapped[str] = mapped_column(String(200), default="")
    began_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    seen_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    ended_at: Mapped[datetime | None] = mapped_column(UtcTime)


class Consent(Base):
    """What an athlete agreed to, when, and who wrote it down; withdrawn, never deleted."""

    __tablename__ = "consent"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    athlete_id: Mapped[str] = mapped_column(ForeignKey("athlete.id", ondelete="CASCADE"), index=True)
    purpose: Mapped[str] = mapped_column(String(40))  # see app/care/consent.py
    given_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    # None: given by the athlete through a link
    written_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcTime)


class SafetyScreen(Base):
    """One asking of the safety questions. Added, never changed; the newest of a visit holds."""

    __tablename__ = "safety_screen"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    visit_id: Mapped[str] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), index=True)
    number: Mapped[int]  # counts up within the visit
    answers: Mapped[dict[str, str]] = mapped_column(Json)
    asked_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    # None: answered by the athlete through a link
    asked_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))


class Clearance(Base):
    """A clinician's decision to go on although a screen stopped the test, with the reason."""

    __tablename__ = "clearance"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    screen_id: Mapped[str] = mapped_column(ForeignKey("safety_screen.id", ondelete="CASCADE"), unique=True)
    member_id: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    reason: Mapped[str] = mapped_column(Text)
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Complaint(Base):
    """What the athlete complains of at a visit. Added, never changed; the newest of a visit holds."""

    __tablename__ = "complaint"
    __table_args__ = (
        CheckConstraint("pain_now is null or (pain_now >= 0 and pain_now <= 10)", name="pain_now"),
        CheckConstraint("pain_worst is null or (pain_worst >= 0 and pain_worst <= 10)", name="pain_worst"),
    )
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    visit_id: Mapped[str] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), index=True)
    number: Mapped[int]
    words: Mapped[str] = mapped_column(Text, default="")
    pain_now: Mapped[int | None]
    pain_worst: Mapped[int | None]  # in the last seven days
    sites: Mapped[list[str]] = mapped_column(Json, default=list)
    told_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    written_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))


class DrillPlan(Base):
    """Drills given to an athlete, with their dose; the newest one holds."""

    __tablename__ = "drill_plan"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    athlete_id: Mapped[str] = mapped_column(ForeignKey("athlete.id", ondelete="CASCADE"), index=True)
    items: Mapped[list[dict[str, Any]]] = mapped_column(Json)  # see app/records/plans.py
    note: Mapped[str] = mapped_column(Text, default="")
    given_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    given_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    # the link that shows it without sign-in; its token is never stored
    link_digest: Mapped[str | None] = mapped_column(String(64), unique=True)
    link_until: Mapped[datetime | None] = mapped_column(UtcTime)


class DrillDone(Base):
    """A drill of a plan done on one day, as the athlete noted it."""

    __tablename__ = "drill_done"
    __table_args__ = (UniqueConstraint("plan_id", "drill", "day"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    plan_id: Mapped[str] = mapped_column(ForeignKey("drill_plan.id", ondelete="CASCADE"))
    drill: Mapped[str] = mapped_column(String(40))
    day: Mapped[str] = mapped_column(String(10))  # as the athlete's calendar says, YYYY-MM-DD
    pain: Mapped[int | None]
    noted_at: Mapped[datetime] = mapped_column(UtcTime, default=now)


class Tombstone(Base):
    """That an athlete was erased: when, by whom and how much, and nothing about the person."""

    __tablename__ = "tombstone"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    erased_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    erased_by: Mapped[str | None] = mapped_column(Id)  # no foreign key: outlives the member
    visits: Mapped[int]
    photos: Mapped[int]


class Invitation(Base):
    """A link through which an athlete sends self-screens; its secret is never stored."""

    __tablename__ = "invitation"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    athlete_id: Mapped[str] = mapped_column(ForeignKey("athlete.id", ondelete="CASCADE"), index=True)
    purpose: Mapped[str] = mapped_column(String(40))  # see app/remote/purposes.py
    token_digest: Mapped[str] = mapped_column(String(64), unique=True)
    submissions_allowed: Mapped[int]
    made_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    made_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    expires_at: Mapped[datetime] = mapped_column(UtcTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcTime)


class Submission(Base):
    """One self-screen begun through an invitation; its visit holds answers, photos and results."""

    __tablename__ = "submission"
    __table_args__ = (CheckConstraint("decision in ('accepted', 'set-aside')", name="decision"),)
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"), index=True)
    invitation_id: Mapped[str] = mapped_column(ForeignKey("invitation.id", ondelete="CASCADE"), index=True)
    visit_id: Mapped[str] = mapped_column(ForeignKey("visit.id", ondelete="CASCADE"), unique=True)
    begun_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    sent_at: Mapped[datetime | None] = mapped_column(UtcTime)
    decision: Mapped[str | None] = mapped_column(String(20))
    decided_at: Mapped[datetime | None] = mapped_column(UtcTime)
    decided_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    note: Mapped[str] = mapped_column(Text, default="")  # of the member who decided


class PhotoRequest(Base):
    """A member asked the athlete for one more photo of a step, with the reason."""

    __tablename__ = "photo_request"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    submission_id: Mapped[str] = mapped_column(ForeignKey("submission.id", ondelete="CASCADE"), index=True)
    step: Mapped[str] = mapped_column(String(20))  # see app/remote/steps.py
    reason: Mapped[str] = mapped_column(Text)
    asked_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
    asked_by: Mapped[str | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    answered_at: Mapped[datetime | None] = mapped_column(UtcTime)


class Capture(Base):
    """Which step of a self-screen a photo was taken for, and how the face was treated."""

    __tablename__ = "capture"
    __table_args__ = (
        CheckConstraint("source in ('camera', 'file')", name="source"),
        CheckConstraint(
            "face in ('shown', 'blurred-on-phone', 'to-be-blurred', 'blurred-on-arrival', 'head-not-found')",
            name="face",
        ),
    )
    photo_id: Mapped[str] = mapped_column(ForeignKey("photo.id", ondelete="CASCADE"), primary_key=True)
    practice_id: Mapped[str] = mapped_column(ForeignKey("practice.id", ondelete="CASCADE"))
    submission_id: Mapped[str] = mapped_column(ForeignKey("submission.id", ondelete="CASCADE"), index=True)
    request_id: Mapped[str | None] = mapped_column(ForeignKey("photo_request.id", ondelete="SET NULL"))
    step: Mapped[str] = mapped_column(String(20))
    source: Mapped[str] = mapped_column(String(10))
    face: Mapped[str] = mapped_column(String(20))
    taken_at: Mapped[datetime] = mapped_column(UtcTime, default=now)
