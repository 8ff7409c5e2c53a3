"""Invitations of an athlete to self-screens: made, shown once with their QR code, revoked."""

import io
from base64 import b64encode
from dataclasses import dataclass

import segno
from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.care.position import Choice, words_for
from app.pages.form import SentForm
from app.pages.rendering import moment, render, template
from app.records import audit, people, self_screens
from app.remote.links import FINISHING, MOST_DAYS, MOST_SUBMISSIONS, Opens
from app.remote.purposes import PURPOSES
from app.security.members import SignedIn
from app.services import services

router = APIRouter()

USUAL_DAYS = 14


@dataclass(frozen=True, slots=True)
class InvitationLine:
    """One invitation in words."""

    id: str
    purpose: str
    made: str
    state: str
    used: str
    revocable: bool


@template("self_screen_links.html")
@dataclass(frozen=True, slots=True)
class LinksPage:
    """The invitations of an athlete and the form for a new one."""

    athlete: people.AthleteRecord
    invitations: tuple[InvitationLine, ...]
    purposes: tuple[Choice, ...]
    usual_days: int
    most_days: int
    most_submissions: int


@template("self_screen_link.html")
@dataclass(frozen=True, slots=True)
class NewLinkPage:
    """A fresh link; it is shown this once.

    Attributes
    ----------
    qr_code
        Address of the QR code as a data URI.

    """

    athlete: people.AthleteRecord
    purpose: str
    link: str
    qr_code: str
    until: str
    submissions: int
    finishing_hours: int


def _line(record: self_screens.InvitationRecord) -> InvitationLine:
    states = {
        Opens.NOTHING: f"ended {moment(record.expires_at)}",
        Opens.A_NEW_SUBMISSION: f"works until {moment(record.expires_at)}",
        Opens.A_BEGUN_SUBMISSION: "begun, not sent yet",
        Opens.A_REQUEST: "open for one more photo",
    }
    state = states[record.standing.opens]
    if record.revoked_at is not None:
        state = f"revoked {moment(record.revoked_at)}"
    elif record.standing.opens is Opens.NOTHING and record.begun >= record.submissions_allowed:
        state = "used up"
    return InvitationLine(
        id=record.id,
        purpose=words_for(PURPOSES, record.purpose),
        made=moment(record.made_at),
        state=state,
        used=f"{record.begun} of {record.submissions_allowed} used",
        revocable=record.revoked_at is None and record.standing.opens is not Opens.NOTHING,
    )


@router.get("/athletes/{athlete_id}/self-screens")
def links(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Show the invitations."""
    with services(request).database.begin() as session:
        who = people.athlete(session, member.practice_id, athlete_id)
        held = self_screens.invitations_of(session, member.practice_id, athlete_id)
        audit.note(
            session, member.practice_id, member.member_id, "read", "invitations", athlete_id, athlete_id=athlete_id
        )
    page = LinksPage(who, tuple(_line(r) for r in held), PURPOSES, USUAL_DAYS, MOST_DAYS, MOST_SUBMISSIONS)
    return render(request, page)


@router.post("/athletes/{athlete_id}/self-screens")
def invite(request: Request, member: SignedIn, athlete_id: str, form: SentForm) -> Response:
    """Make an invitation and show its link, this once."""
    purpose = form.one_of("purpose", [p.key for p in PURPOSES], "Purpose")
    days = form.whole("days", 1, MOST_DAYS, "Days") or USUAL_DAYS
    submissions = form.whole("submissions", 1, MOST_SUBMISSIONS, "Self-screens") or 1
    parts = services(request)
    with parts.database.begin() as session:
        who = people.athlete(session, member.practice_id, athlete_id)
        invitation_id, secret = self_screens.invite(
            session,
            member.practice_id,
            athlete_id,
            member.member_id,
            purpose=purpose,
            days=days,
            submissions=submissions,
        )
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "made",
            "invitation",
            invitation_id,
            athlete_id=athlete_id,
        )
        (made,) = (
            r for r in self_screens.invitations_of(session, member.practice_id, athlete_id) if r.id == invitation_id
        )
    link = f"{(parts.settings.public_url or str(request.base_url)).rstrip('/')}/self-screen/{secret}"
    page = NewLinkPage(
        athlete=who,
        purpose=words_for(PURPOSES, purpose),
        link=link,
        qr_code=qr_code(link),
        until=moment(made.expires_at),
        submissions=submissions,
        finishing_hours=round(FINISHING.total_seconds() / 3600),
    )
    return render(request, page, 201)


def qr_code(text: str) -> str:
    """Return a QR code (ISO/IEC 18004, error correction M) as an SVG data URI."""
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", border=4, dark="#000", light="#fff", scale=4)
    # as an image of its own: styles inside the page are not allowed
    return f"data:image/svg+xml;base64,{b64encode(out.getvalue()).decode()}"


@router.post("/invitations/{invitation_id}/revoke")
def revoke(request: Request, member: SignedIn, invitation_id: str) -> Response:
    """Close a link at once."""
    with services(request).database.begin() as session:
        athlete_id = self_screens.revoke(session, member.practice_id, invitation_id)
        audit.note(
            session,
            member.practice_id,
            member.member_id,
            "revoked",
            "invitation",
            invitation_id,
            athlete_id=athlete_id,
        )
    return RedirectResponse(f"/athletes/{athlete_id}/self-screens", 303)
