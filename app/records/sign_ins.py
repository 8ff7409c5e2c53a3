"""Signed-in browsers: begun, recognised, ended. Only the digest of a token is ever stored."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app.records import models
from app.records.columns import now
from app.records.people import MemberRecord
from app.security.tokens import digest, new_token

IDLE = timedelta(hours=12)  # a working day; a phone left in the gym is signed out by the next morning
LONGEST = timedelta(days=30)
_SEEN_STEP = timedelta(minutes=5)  # how exactly the last use is written down


@dataclass(frozen=True, slots=True)
class SignInRecord:
    """One browser in which a member is signed in."""

    id: str
    browser: str
    began_at: datetime
    seen_at: datetime


def begin(session: Session, member_id: str, browser: str) -> str:
    """Sign a member in and return the secret for the cookie."""
    token = new_token()
    session.add(models.SignIn(member_id=member_id, token_digest=token.digest, browser=browser[:200]))
    session.flush()
    return token.secret


def _alive(row: models.SignIn, at: datetime) -> bool:
    return row.ended_at is None and at - row.seen_at < IDLE and at - row.began_at < LONGEST


def member_of(session: Session, secret: str, at: datetime) -> MemberRecord | None:
    """Return who is signed in with this secret, or None if nobody is (any more)."""
    row = session.scalars(select(models.SignIn).where(models.SignIn.token_digest == digest(secret))).first()
    if row is None or not _alive(row, at):
        return None
    member = session.get_one(models.Member, row.member_id)
    if member.disabled_at is not None:
        return None
    if at - row.seen_at > _SEEN_STEP:
        row.seen_at = at
    return MemberRecord(member.id, member.practice_id, member.name, member.role)


def end(session: Session, secret: str) -> None:
    """Sign this browser out; no error if it is not signed in."""
    session.execute(
        update(models.SignIn)
        .where(models.SignIn.token_digest == digest(secret), models.SignIn.ended_at.is_(None))
        .values(ended_at=now())
    )


def end_one(session: Session, member_id: str, sign_in_id: str) -> None:
    """Sign one of the member's browsers out."""
    session.execute(
        update(models.SignIn)
        .where(models.SignIn.id == sign_in_id, models.SignIn.member_id == member_id)
        .values(ended_at=now())
    )


def end_all(session: Session, member_id: str, *, but: str = "") -> None:
    """Sign every browser of the member out, except the one with the secret ``but``."""
    session.execute(
        update(models.SignIn)
        .where(
            models.SignIn.member_id == member_id,
            models.SignIn.ended_at.is_(None),
            models.SignIn.token_digest != digest(but),
        )
        .values(ended_at=now())
    )


def sign_ins_of(session: Session, member_id: str, at: datetime) -> list[SignInRecord]:
    """Return the browsers in which the member is signed in, newest use first."""
    rows = session.scalars(
        select(models.SignIn).where(models.SignIn.member_id == member_id).order_by(models.SignIn.seen_at.desc())
    )
    return [SignInRecord(r.id, r.browser, r.began_at, r.seen_at) for r in rows if _alive(r, at)]
