"""Who is asking: the signed-in member of the practice, and what they may do."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal, cast

from fastapi import Depends
from starlette.requests import Request

from app.errors import NotAllowedError, SignInNeededError
from app.records import people, sign_ins
from app.records.columns import now
from app.security.rights import Right, may
from app.services import services
from app.settings import Settings

Role = Literal["owner", "clinician", "coach"]


@dataclass(frozen=True, slots=True)
class MemberContext:
    """The member on whose behalf a request is made, and what every page says about them."""

    practice_id: str
    member_id: str
    role: Role
    member_name: str
    practice_name: str
    demo: bool


def cookie_name(settings: Settings) -> str:
    """Return the name of the session cookie; over https browsers guard the prefix ``__Host-``."""
    return "__Host-kneelturn" if settings.public_url.startswith("https://") else "kneelturn"


def sent_secret(request: Request) -> str:
    """Return the secret a request came with, from a program's bearer token (RFC 6750) or the browser's cookie."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return token.strip()
    return request.cookies.get(cookie_name(services(request).settings), "")


def require_member(request: Request) -> MemberContext:
    """Return the member who is signed in; a demo signs its visitors in by itself, into a demo practice only.

    Raises
    ------
    SignInNeededError
        If nobody is signed in.

    """
    parts = services(request)
    secret = sent_secret(request)
    with parts.database.begin() as session:
        member = sign_ins.member_of(session, secret, now()) if secret else None
        if member is None and parts.settings.demo:
            member = people.first_member(session, demo=True)
        if member is None:
            raise SignInNeededError("Nobody is signed in.", "Sign in and try again.")
        practice = people.practice(session, member.practice_id)
    context = MemberContext(
        practice_id=member.practice_id,
        member_id=member.id,
        role=cast("Role", member.role),
        member_name=member.name,
        practice_name=practice.name,
        demo=practice.demo,
    )
    request.state.member = context  # the page layout names the member
    return context


SignedIn = Annotated[MemberContext, Depends(require_member)]


def require(right: Right) -> Callable[[MemberContext], MemberContext]:
    """Return a dependency that gives the signed-in member if they have ``right``."""

    def check(member: SignedIn) -> MemberContext:
        if not may(member.role, right):
            raise NotAllowedError(
                f"A {member.role} may not do this: {right}.", "Ask an owner of the practice, or somebody who may."
            )
        return member

    return check


Manager = Annotated[MemberContext, Depends(require(Right.MANAGE))]
Exporter = Annotated[MemberContext, Depends(require(Right.EXPORT))]
Eraser = Annotated[MemberContext, Depends(require(Right.ERASE))]
