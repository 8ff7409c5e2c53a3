"""Who is asking: the signed-in member of the practice."""

from dataclasses import dataclass
from typing import Annotated, Literal, cast

from fastapi import Depends
from starlette.requests import Request

from app.errors import SignInNeededError
from app.records import people
from app.services import services

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


def require_member(request: Request) -> MemberContext:
    """Return the member who is signed in.

    The program listens on this computer alone and has one member, made at the first start: that one.

    Raises
    ------
    SignInNeededError
        If nobody is signed in.

    """
    with services(request).database.begin() as session:
        member = people.first_member(session)
        if member is None:
            raise SignInNeededError("This practice has no member yet.", "Run kneelturn serve: it makes the first one.")
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
