"""Invitations to self-screens, the submissions made through them, and requests for one more photo."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.errors import InputError, NotFoundError
from app.records import models
from app.records.columns import now
from app.records.locks import lock_row
from app.records.people import athlete
from app.records.rounds import add_round, add_visit
from app.records.visits import last_setup
from app.remote.links import Begun, Opens, Standing, standing
from app.security.tokens import digest, new_token

Face = Literal["shown", "blurred-on-phone", "to-be-blurred", "blurred-on-arrival", "head-not-found"]
Source = Literal["camera", "file"]
Decision = Literal["accepted", "set-aside"]

_NO_ID = "0" * 32
_USUAL_SETUP = {"hand": "low-back", "hips": "on-heels", "camera": "opening", "warm_up": "none", "first_side": "left"}


@dataclass(frozen=True, slots=True)
class InvitationRecord:
    """An invitation and how many submissions were begun through it."""

    id: str
    practice_id: str
    athlete_id: str
    purpose: str
    submissions_allowed: int
    begun: int
    made_at: datetime
    made_by: str | None
    expires_at: datetime
    revoked_at: datetime | None
    standing: Standing


@dataclass(frozen=True, slots=True)
class RequestRecord:
    """A request for one more photo."""

    id: str
    step: str
    reason: str
    asked_at: datetime
    asked_by: str | None
    answered_at: datetime | None


@dataclass(frozen=True, slots=True)
class CaptureRecord:
    """For which step a photo was taken."""

    photo_id: str
    request_id: str | None
    step: str
    source: Source
    face: Face
    taken_at: datetime


@dataclass(frozen=True, slots=True)
class SubmissionRecord:
    """One submission; captures and requests oldest first.

    Attributes
    ----------
    round_id
        None until the first photo.

    """

    id: str
    practice_id: str
    invitation_id: str
    athlete_id: str
    athlete_code: str
    purpose: str
    visit_id: str
    round_id: str | None
    begun_at: datetime
    sent_at: datetime | None
    decision: Decision | None
    decided_at: datetime | None
    decided_by: str | None
    note: str
    captures: tuple[CaptureRecord, ...]
    requests: tuple[RequestRecord, ...]

    @property
    def open_requests(self) -> tuple[RequestRecord, ...]:
        """The requests that were not answered yet."""
        return tuple(r for r in self.requests if r.answered_at is None)


def invite(
    session: Session,
    practice_id: str,
    athlete_id: str,
    member_id: str,
    *,
    purpose: str,
    days: int,
    submissions: int,
) -> tuple[str, str]:
    """Make an invitation; returns its id and the secret for the link, which is not stored and shown only now."""
    athlete(session, practice_id, athlete_id)
    token = new_token()
    row = models.Invitation(
        practice_id=practice_id,
        athlete_id=athlete_id,
        purpose=purpose,
        token_digest=token.digest,
        submissions_allowed=submissions,
        made_by=member_id,
        expires_at=now() + timedelta(days=days),
    )
    session.add(row)
    session.flush()
    return row.id, token.secret


def _begun(session: Session, invitation_ids: Sequence[str]) -> dict[str, list[Begun]]:
    """Return invitation id to its submissions, oldest first; always two queries."""
    rows = session.scalars(
        select(models.Submission)
        .where(models.Submission.invitation_id.in_(invitation_ids))
        .order_by(models.Submission.begun_at, models.Submission.id)
    ).all()
    open_requests = session.execute(
        select(models.PhotoRequest.submission_id, models.PhotoRequest.asked_at)
        .join(models.Submission, models.Submission.id == models.PhotoRequest.submission_id)
        .where(
            models.Submission.invitation_id.in_(invitation_ids),
            models.Submission.decision.is_(None),
            models.PhotoRequest.answered_at.is_(None),
        )
        .order_by(models.PhotoRequest.asked_at)
    ).all()
    asked = {row.submission_id: row.asked_at for row in open_requests}  # the newest request holds
    result: dict[str, list[Begun]] = defaultdict(list)
    for row in rows:
        done = row.sent_at is not None or row.decision is not None
        result[row.invitation_id].append(Begun(row.id, done, asked.get(row.id)))
    return result


def _invitation(row: models.Invitation, begun: Sequence[Begun], at: datetime) -> InvitationRecord:
    return InvitationRecord(
        id=row.id,
        practice_id=row.practice_id,
        athlete_id=row.athlete_id,
        purpose=row.purpose,
        submissions_allowed=row.submissions_allowed,
        begun=len(begun),
        made_at=row.made_at,
        made_by=row.made_by,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        standing=standing(
            expires_at=row.expires_at,
            revoked=row.revoked_at is not None,
            submissions_allowed=row.submissions_allowed,
            begun=begun,
            at=at,
        ),
    )


def invitations_of(session: Session, practice_id: str, athlete_id: str) -> list[InvitationRecord]:
    """Return the athlete's invitations, newest first."""
    athlete(session, practice_id, athlete_id)
    rows = session.scalars(
        select(models.Invitation)
        .where(models.Invitation.athlete_id == athlete_id)
        .order_by(models.Invitation.made_at.desc(), models.Invitation.id)
    ).all()
    begun = _begun(session, [r.id for r in rows])
    return [_invitation(row, begun[row.id], now()) for row in rows]


def revoke(session: Session, practice_id: str, invitation_id: str) -> str:
    """Close a link at once and return the id of its athlete.

    Raises
    ------
    NotFoundError
        If the practice has no such invitation.

    """
    row = session.get(models.Invitation, invitation_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This invitation does not exist.", "Go back to the athlete and choose another.")
    row.revoked_at = row.revoked_at or now()
    return row.athlete_id


def open_link(session: Session, secret: str, at: datetime) -> InvitationRecord | None:
    """Return the invitation of a link that opens something, else None.

    A link that never existed takes the same queries as one that is expired, revoked or used up, so that the time
    of the answer does not tell them apart.
    """
    row = session.scalars(select(models.Invitation).where(models.Invitation.token_digest == digest(secret))).first()
    invitation_id = row.id if row is not None else _NO_ID
    begun = _begun(session, [invitation_id])
    if row is None:
        return None
    record = _invitation(row, begun[row.id], at)
    return None if record.standing.opens is Opens.NOTHING else record


def invitation_of_submission(session: Session, secret: str, submission_id: str) -> bool:
    """Return whether the submission was made through this very link, whatever the link opens now."""
    return (
        session.scalar(
            select(models.Submission.id)
            .join(models.Invitation, models.Invitation.id == models.Submission.invitation_id)
            .where(models.Invitation.token_digest == digest(secret), models.Submission.id == submission_id)
        )
        is not None
    )


def begin(session: Session, invitation: InvitationRecord, *, begun_at: datetime | None = None) -> str:
    """Begin a submission, now unless another moment is given, with a visit of its own and return its id."""
    at = begun_at or now()
    practice_id = invitation.practice_id
    visit_id = add_visit(session, practice_id, invitation.athlete_id, "self-screen", started_at=at)
    row = models.Submission(practice_id=practice_id, invitation_id=invitation.id, visit_id=visit_id, begun_at=at)
    session.add(row)
    session.flush()
    return row.id


def _row(session: Session, practice_id: str, submission_id: str) -> models.Submission:
    row = session.get(models.Submission, submission_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This self-screen does not exist.", "Go back to the list and choose another.")
    return row


def submission(session: Session, practice_id: str, submission_id: str) -> SubmissionRecord:
    """Read one submission.

    Raises
    ------
    NotFoundError
        If the practice has no such submission.

    """
    return _record(session, _row(session, practice_id, submission_id))


def _record(session: Session, row: models.Submission) -> SubmissionRecord:
    invitation = session.get_one(models.Invitation, row.invitation_id)
    captures = session.scalars(
        select(models.Capture)
        .where(models.Capture.submission_id == row.id)
        .order_by(models.Capture.taken_at, models.Capture.photo_id)
    )
    requests = session.scalars(
        select(models.PhotoRequest)
        .where(models.PhotoRequest.submission_id == row.id)
        .order_by(models.PhotoRequest.asked_at, models.PhotoRequest.id)
    )
    return SubmissionRecord(
        id=row.id,
        practice_id=row.practice_id,
        invitation_id=row.invitation_id,
        athlete_id=invitation.athlete_id,
        athlete_code=athlete(session, row.practice_id, invitation.athlete_id).code,
        purpose=invitation.purpose,
        visit_id=row.visit_id,
        round_id=session.scalar(
            select(models.Round.id).where(models.Round.visit_id == row.visit_id).order_by(models.Round.number).limit(1)
        ),
        begun_at=row.begun_at,
        sent_at=row.sent_at,
        decision=row.decision,  # type: ignore[arg-type]  # the table's check constraint
        decided_at=row.decided_at,
        decided_by=row.decided_by,
        note=row.note,
        captures=tuple(
            CaptureRecord(c.photo_id, c.request_id, c.step, c.source, c.face, c.taken_at)  # type: ignore[arg-type]
            for c in captures
        ),
        requests=tuple(RequestRecord(r.id, r.step, r.reason, r.asked_at, r.asked_by, r.answered_at) for r in requests),
    )


def undecided(session: Session, practice_id: str) -> list[SubmissionRecord]:
    """Return the submissions that no member has decided on, oldest first."""
    rows = session.scalars(
        select(models.Submission)
        .where(models.Submission.practice_id == practice_id, models.Submission.decision.is_(None))
        .order_by(models.Submission.begun_at, models.Submission.id)
    )
    return [_record(session, row) for row in rows]


def submission_of_photo(session: Session, photo_id: str) -> SubmissionRecord | None:
    """Return the submission that a photo belongs to, or None if it was not sent through a link."""
    row = session.scalars(
        select(models.Submission)
        .join(models.Capture, models.Capture.submission_id == models.Submission.id)
        .where(models.Capture.photo_id == photo_id)
    ).first()
    return None if row is None else _record(session, row)


def submission_of_visit(session: Session, practice_id: str, visit_id: str) -> str | None:
    """Return the id of the submission whose visit this is, or None if it is no self-screen."""
    return session.scalar(
        select(models.Submission.id).where(
            models.Submission.visit_id == visit_id, models.Submission.practice_id == practice_id
        )
    )


def round_for(session: Session, record: SubmissionRecord) -> str:
    """Return the round of a submission, beginning it with the athlete's last set-up if there is none yet."""
    if record.round_id is not None:
        return record.round_id
    setup = last_setup(session, record.practice_id, record.athlete_id) or _USUAL_SETUP
    return add_round(session, record.practice_id, record.visit_id, {**setup, "camera": "opening"})


def photo_sent_before(
    session: Session, record: SubmissionRecord, upload_keys: Collection[str], digest: str
) -> str | None:
    """Return the id of the photo with these bytes that was sent under one of these keys before, if any."""
    return session.scalar(
        select(models.Photo.id).where(
            models.Photo.practice_id == record.practice_id,
            models.Photo.upload_key.in_(upload_keys),
            models.Photo.digest == digest,
        )
    )


def add_capture(
    session: Session, record: SubmissionRecord, photo_id: str, *, step: str, source: Source, face: Face
) -> bool:
    """Note for which step a photo was taken; returns False if that was noted before."""
    if session.get(models.Capture, photo_id) is not None:
        return False
    asked = [r for r in record.open_requests if r.step == step]
    session.add(
        models.Capture(
            photo_id=photo_id,
            practice_id=record.practice_id,
            submission_id=record.id,
            request_id=asked[-1].id if asked else None,
            step=step,
            source=source,
            face=face,
        )
    )
    session.flush()
    return True


def set_face(session: Session, photo_id: str, face: Face) -> None:
    """Store how the face of a photo was treated."""
    session.get_one(models.Capture, photo_id).face = face


def count_only(session: Session, trial_ids: Sequence[str], counted: str | None) -> None:
    """Leave all of these trials out of the mean but the one that counts."""
    for row in session.scalars(select(models.Trial).where(models.Trial.id.in_(trial_ids))):
        row.left_out = row.id != counted


def set_pain(session: Session, practice_id: str, round_id: str, side: str, pain: int | None) -> None:
    """Store how much turning to one side hurt, with each of its trials."""
    for row in session.scalars(
        select(models.Trial).where(
            models.Trial.round_id == round_id, models.Trial.practice_id == practice_id, models.Trial.side == side
        )
    ):
        row.pain = pain


def send(session: Session, practice_id: str, submission_id: str) -> None:
    """Note that the athlete sent the submission off, or answered what was asked for; sending again changes nothing."""
    row = _row(session, practice_id, submission_id)
    row.sent_at = row.sent_at or now()
    for request in session.scalars(
        select(models.PhotoRequest).where(
            models.PhotoRequest.submission_id == submission_id, models.PhotoRequest.answered_at.is_(None)
        )
    ):
        request.answered_at = now()


def ask_for_photo(
    session: Session, practice_id: str, submission_id: str, member_id: str, *, step: str, reason: str
) -> None:
    """Ask for one more photo of a step, which opens the link again there.

    Raises
    ------
    InputError
        If the link was revoked, or somebody has decided on the submission.

    """
    row = _row(session, practice_id, submission_id)
    invitation = session.get_one(models.Invitation, row.invitation_id)
    if invitation.revoked_at is not None:
        raise InputError(
            "The link of this self-screen was revoked, so it cannot be opened again.", "Make a new invitation."
        )
    if row.decision is not None:
        raise InputError("Somebody has decided on this self-screen already.", "Make a new invitation.")
    session.add(
        models.PhotoRequest(
            practice_id=practice_id, submission_id=submission_id, step=step, reason=reason, asked_by=member_id
        )
    )
    session.flush()


def decide(
    session: Session, practice_id: str, submission_id: str, member_id: str, decision: Decision, note: str
) -> None:
    """Store a member's decision; only an accepted submission enters the trend.

    Raises
    ------
    InputError
        If somebody decided before.

    """
    lock_row(session, models.Submission, submission_id)
    row = _row(session, practice_id, submission_id)
    session.refresh(row)  # it may have been read before the lock was free
    if row.decision is not None:
        if row.decision == decision:
            return  # sent twice
        raise InputError("Somebody has decided on this self-screen already.", "Reload the page to see what.")
    row.decision, row.decided_at, row.decided_by, row.note = decision, now(), member_id, note
    if decision == "accepted":
        visit = session.get_one(models.Visit, row.visit_id)
        visit.accepted_at, visit.accepted_by = now(), member_id
