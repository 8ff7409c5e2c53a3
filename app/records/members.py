"""The members of a practice: adding, changing, and finding the one who signs in."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from app.errors import InputError, NotFoundError
from app.records import models, sign_ins
from app.records.columns import now
from app.records.locks import lock_row
from app.records.people import MemberRecord


@dataclass(frozen=True, slots=True)
class MemberLine:
    """A member in the list of the practice."""

    id: str
    name: str
    email: str
    role: str
    disabled_at: datetime | None


@dataclass(frozen=True, slots=True)
class Credentials:
    """What signing in is checked against."""

    member: MemberRecord
    password_hash: str


def any_can_sign_in(session: Session) -> bool:
    """Return whether anybody at all can sign in; if not, the first owner is still to be made."""
    return session.scalar(select(models.Member.id).where(models.Member.password_hash.is_not(None)).limit(1)) is not None


def _plain(email: str) -> str:
    return email.strip().casefold()


def credentials(session: Session, email: str) -> Credentials | None:
    """Return the member with this e-mail who may sign in, or None."""
    row = session.scalars(
        select(models.Member).where(models.Member.email == _plain(email), models.Member.disabled_at.is_(None))
    ).first()
    if row is None or row.password_hash is None:
        return None
    return Credentials(MemberRecord(row.id, row.practice_id, row.name, row.role), row.password_hash)


def password_hash_of(session: Session, member_id: str) -> str | None:
    """Return the stored hash of a member, for checking the old password."""
    return session.get_one(models.Member, member_id).password_hash


def members(session: Session, practice_id: str) -> list[MemberLine]:
    """Return the members of the practice by name."""
    rows = session.scalars(
        select(models.Member).where(models.Member.practice_id == practice_id).order_by(models.Member.name)
    )
    return [MemberLine(r.id, r.name, r.email or "", r.role, r.disabled_at) for r in rows]


def add_member(
    session: Session, practice_id: str, *, name: str, email: str, role: str, password_hash: str
) -> MemberRecord:
    """Add a member who can sign in.

    Raises
    ------
    InputError
        If the e-mail is none, or belongs to somebody already.

    """
    address = _plain(email)
    if "@" not in address:
        raise InputError("This is not an e-mail address.", "Enter one, e.g. name@example.org.")
    if session.scalar(select(models.Member.id).where(models.Member.email == address)):
        raise InputError("Somebody signs in with this e-mail already.", "Use another address.")
    row = models.Member(practice_id=practice_id, name=name, email=address, role=role, password_hash=password_hash)
    session.add(row)
    session.flush()
    return MemberRecord(row.id, row.practice_id, row.name, row.role)


def _row(session: Session, practice_id: str, member_id: str) -> models.Member:
    row = session.get(models.Member, member_id)
    if row is None or row.practice_id != practice_id:
        raise NotFoundError("This member does not exist.")
    return row


def member_of_practice(session: Session, practice_id: str, member_id: str) -> MemberRecord:
    """Return one member.

    Raises
    ------
    NotFoundError
        If the practice has no such member.

    """
    row = _row(session, practice_id, member_id)
    return MemberRecord(row.id, row.practice_id, row.name, row.role)


def set_password(session: Session, member_id: str, password_hash: str) -> None:
    """Store a new password; browsers signed in before stay so unless they are ended."""
    session.get_one(models.Member, member_id).password_hash = password_hash


def set_role(session: Session, practice_id: str, member_id: str, role: str) -> None:
    """Give a member another role; the last owner keeps theirs.

    Raises
    ------
    InputError
        If nobody would be left who manages the practice.

    """
    lock_row(session, models.Practice, practice_id)
    row = _row(session, practice_id, member_id)
    if row.role == "owner" and role != "owner" and row.disabled_at is None:
        _keep_an_owner(session, practice_id)
    row.role = role


def set_disabled(session: Session, practice_id: str, member_id: str, disabled: bool) -> None:
    """Shut a member out, everywhere and at once, or let them in again.

    Raises
    ------
    InputError
        If nobody would be left who manages the practice.

    """
    lock_row(session, models.Practice, practice_id)
    row = _row(session, practice_id, member_id)
    if disabled and row.disabled_at is None:
        if row.role == "owner":
            _keep_an_owner(session, practice_id)
        row.disabled_at = now()
        sign_ins.end_all(session, member_id)
    elif not disabled:
        row.disabled_at = None


def _keep_an_owner(session: Session, practice_id: str) -> None:
    owners = session.scalar(
        select(func.count())
        .select_from(models.Member)
        .where(
            models.Member.practice_id == practice_id,
            models.Member.role == "owner",
            models.Member.disabled_at.is_(None),
        )
    )
    if (owners or 0) < 2:
        raise InputError("The practice needs at least one owner.", "Make another member an owner first.")
