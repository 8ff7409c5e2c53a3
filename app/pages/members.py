"""Members of the practice and their roles; one's own password and signed-in browsers; the audit log."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import AwareDatetime
from starlette.responses import RedirectResponse

from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, erasing, members, people, sign_ins
from app.records.columns import now
from app.security import passwords
from app.security.members import Manager, SignedIn, cookie_name
from app.security.rights import RIGHTS, ROLE_WORDS, Right
from app.services import services

router = APIRouter()

# within what every zone and both databases can say
Moment = Annotated[AwareDatetime, Query(gt=datetime(1970, 1, 1, tzinfo=UTC), lt=datetime(2200, 1, 1, tzinfo=UTC))]


@template("members.html")
@dataclass(frozen=True, slots=True)
class MembersPage:
    """The members, what each role may do, and how long photos are kept."""

    members: tuple[members.MemberLine, ...]
    own_id: str
    roles: Mapping[str, str]
    rights: tuple[tuple[str, tuple[bool, ...]], ...]
    shortest: int
    keep_photos_days: int | None
    tombstones: tuple[erasing.TombstoneRecord, ...]
    names: Mapping[str, str]


@template("account.html")
@dataclass(frozen=True, slots=True)
class AccountPage:
    """One's own account."""

    email: str
    role_words: str
    browsers: tuple[sign_ins.SignInRecord, ...]
    shortest: int


@template("audit_log.html")
@dataclass(frozen=True, slots=True)
class AuditLogPage:
    """The newest entries, or those about one athlete."""

    entries: tuple[audit.EntryRecord, ...]
    names: Mapping[str, str]
    codes: Mapping[str, str]
    athlete_id: str
    until: datetime | None


@router.get("/members")
def show_members(request: Request, member: Manager) -> Response:
    """Show the members."""
    with services(request).database.begin() as session:
        found = members.members(session, member.practice_id)
        keep = people.practice(session, member.practice_id).keep_photos_days
        erased = erasing.tombstones(session, member.practice_id)
        names = people.member_names(session, member.practice_id)
    table = tuple((str(right), tuple(right in RIGHTS[role] for role in ROLE_WORDS)) for right in Right)
    page = MembersPage(
        members=tuple(found),
        own_id=member.member_id,
        roles=ROLE_WORDS,
        rights=table,
        shortest=passwords.SHORTEST,
        keep_photos_days=keep,
        tombstones=tuple(erased),
        names=names,
    )
    return render(request, page)


@router.post("/members")
def add_member(request: Request, member: Manager, form: SentForm) -> Response:
    """Add a member with a first password."""
    hashed = passwords.hash_password(form.secret("password"))
    with services(request).database.begin() as session:
        added = members.add_member(
            session,
            member.practice_id,
            name=form.text("name", longest=200, needed="The name"),
            email=form.text("email", longest=320, needed="The e-mail"),
            role=form.one_of("role", ROLE_WORDS.keys(), "The role"),
            password_hash=hashed,
        )
        audit.note(session, member.practice_id, member.member_id, "added", "member", added.id)
    return RedirectResponse("/members", 303)


@router.post("/members/{member_id}")
def change_member(request: Request, member: Manager, member_id: str, form: SentForm) -> Response:
    """Change a member's role, shut them out or let them in, or give them a new password."""
    what = form.one_of("what", ("role", "shut-out", "let-in", "password"), "What to change")
    with services(request).database.begin() as session:
        if what == "role":
            role = form.one_of("role", ROLE_WORDS.keys(), "The role")
            members.set_role(session, member.practice_id, member_id, role)
        elif what == "password":
            members.member_of_practice(session, member.practice_id, member_id)
            members.set_password(session, member_id, passwords.hash_password(form.secret("password")))
            sign_ins.end_all(session, member_id)
        else:
            members.set_disabled(session, member.practice_id, member_id, what == "shut-out")
        audit.note(session, member.practice_id, member.member_id, f"changed {what}", "member", member_id)
    return RedirectResponse("/members", 303)


@router.post("/practice")
def change_practice(request: Request, member: Manager, form: SentForm) -> Response:
    """Set after how many days photos are erased; empty keeps them."""
    days = form.whole("keep_photos_days", 1, 36500, "Days")
    with services(request).database.begin() as session:
        people.set_keep_photos_days(session, member.practice_id, days)
        audit.note(session, member.practice_id, member.member_id, "changed", "practice", member.practice_id)
    return RedirectResponse("/members", 303)


@router.get("/account")
def account(request: Request, member: SignedIn) -> Response:
    """Show one's own account."""
    with services(request).database.begin() as session:
        (line,) = (m for m in members.members(session, member.practice_id) if m.id == member.member_id)
        browsers = sign_ins.sign_ins_of(session, member.member_id, now())
    return render(request, AccountPage(line.email, ROLE_WORDS[line.role], tuple(browsers), passwords.SHORTEST))


@router.post("/account/password")
def change_password(request: Request, member: SignedIn, form: SentForm) -> Response:
    """Change one's own password; every other browser is signed out."""
    parts = services(request)
    parts.sign_in_limit.spend(f"account {member.member_id}")
    with parts.database.begin() as session:
        stored = members.password_hash_of(session, member.member_id)
    if not passwords.password_fits(stored, form.secret("old")):
        raise InputError("The present password is wrong.", "Go back and enter it again.")
    hashed = passwords.hash_password(form.secret("password"))
    with parts.database.begin() as session:
        members.set_password(session, member.member_id, hashed)
        sign_ins.end_all(session, member.member_id, but=request.cookies.get(cookie_name(parts.settings), ""))
        audit.note(session, member.practice_id, member.member_id, "changed password", "member", member.member_id)
    return RedirectResponse("/account", 303)


@router.post("/account/browsers/{sign_in_id}")
def end_browser(request: Request, member: SignedIn, sign_in_id: str) -> Response:
    """Sign one of one's own browsers out."""
    with services(request).database.begin() as session:
        sign_ins.end_one(session, member.member_id, sign_in_id)
    return RedirectResponse("/account", 303)


@router.get("/audit-log")
def audit_log(request: Request, member: Manager, athlete: str = "", until: Moment | None = None) -> Response:
    """Show who read or changed what."""
    with services(request).database.begin() as session:
        entries = audit.entries(session, member.practice_id, athlete_id=athlete or None, until=until)
        names = people.member_names(session, member.practice_id)
        codes = {a.id: a.code for a in people.athletes(session, member.practice_id)}
    return render(
        request,
        AuditLogPage(tuple(entries), names, codes, athlete, entries[-1].at if len(entries) == audit.A_PAGE else None),
    )
