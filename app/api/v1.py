"""The JSON interface, version 1: read an athlete's data in open formats.

Programs sign in with ``POST /api/v1/sessions`` and send the token as ``Authorization: Bearer ...``; a browser
that is signed in needs nothing more. Errors are problem documents (RFC 9457).
"""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Request, Response
from fastapi.openapi.utils import get_openapi
from starlette.responses import JSONResponse

from app.api import archive, fhir, gather, tables
from app.api.content import AthleteContent
from app.errors import NotAllowedError
from app.records import audit, members, people, sign_ins
from app.records.columns import now
from app.security import passwords
from app.security.members import Exporter, MemberContext, SignedIn, sent_secret
from app.services import services

VERSION = "1.0"
router = APIRouter(prefix="/api/v1")


@dataclass(frozen=True, slots=True)
class AthleteLine:
    """An athlete in the list."""

    id: str
    code: str
    created_at: datetime


@dataclass(frozen=True, slots=True)
class Session:
    """A token for further requests; it ends after twelve hours without use."""

    token: str


@router.post("/sessions", status_code=201, summary="Sign a program in")
def sign_in(request: Request, email: Annotated[str, Body()], password: Annotated[str, Body()]) -> Session:
    """Return a token for the member with this e-mail and password."""
    parts = services(request)
    parts.sign_in_limit.spend(f"address {request.client.host if request.client else ''}")
    parts.sign_in_limit.spend(f"account {email.strip().casefold()}")
    with parts.database.begin() as session:
        found = members.credentials(session, email)
    if not passwords.password_fits(found.password_hash if found else None, password) or found is None:
        raise NotAllowedError("E-mail or password is wrong.", "Check both and try again.")
    with parts.database.begin() as session:
        token = sign_ins.begin(session, found.member.id, "program: " + request.headers.get("user-agent", ""))
        audit.note(session, found.member.practice_id, found.member.id, "signed in", "member", found.member.id)
    return Session(token)


@router.delete("/sessions", status_code=204, summary="Sign this program out")
def sign_out(request: Request, member: SignedIn) -> None:
    """End the token this request was sent with."""
    parts = services(request)
    with parts.database.begin() as session:
        sign_ins.end(session, sent_secret(request))
        audit.note(session, member.practice_id, member.member_id, "signed out", "member", member.member_id)


@router.get("/athletes", summary="List the athletes")
def athletes(request: Request, member: SignedIn) -> list[AthleteLine]:
    """Return the athletes of the practice by code."""
    with services(request).database.begin() as session:
        found = people.athletes(session, member.practice_id)
        audit.note(session, member.practice_id, member.member_id, "read", "athlete list", member.practice_id)
    return [AthleteLine(a.id, a.code, a.created_at) for a in found]


def _content(request: Request, member: MemberContext, athlete_id: str, form: str) -> AthleteContent:
    with services(request).database.begin() as session:
        content = gather.athlete_content(session, member.practice_id, athlete_id)
        audit.note(session, member.practice_id, member.member_id, "took out", form, athlete_id, athlete_id=athlete_id)
    return content


@router.get("/athletes/{athlete_id}", summary="One athlete, whole")
def athlete(request: Request, member: Exporter, athlete_id: str) -> AthleteContent:
    """Return everything about one athlete; angles are degrees in the side's own direction."""
    return _content(request, member, athlete_id, "JSON")


@router.get("/athletes/{athlete_id}/fhir", summary="One athlete as a FHIR R4 bundle", response_class=Response)
def athlete_fhir(request: Request, member: Exporter, athlete_id: str) -> Response:
    """Return a bundle of type collection (application/fhir+json)."""
    bundle = fhir.bundle(_content(request, member, athlete_id, "FHIR"), now())
    return Response(json.dumps(bundle, ensure_ascii=False), media_type="application/fhir+json")


@router.get("/athletes/{athlete_id}/trials.csv", summary="One athlete's trials as a table", response_class=Response)
def athlete_csv(request: Request, member: Exporter, athlete_id: str) -> Response:
    """Return one line a trial (UTF-8, units in the headings)."""
    data = tables.trials_csv([_content(request, member, athlete_id, "CSV")])
    headers = {"Content-Disposition": 'attachment; filename="trials.csv"'}
    return Response(data, media_type="text/csv; charset=utf-8", headers=headers)


@router.get("/athletes/{athlete_id}/archive.zip", summary="Everything, photos too", response_class=Response)
def athlete_archive(request: Request, member: Exporter, athlete_id: str) -> Response:
    """Return a ZIP file with JSON, CSV, FHIR bundle and the photos as received."""
    parts = services(request)
    content = _content(request, member, athlete_id, "archive")
    with parts.database.begin() as session:
        files = gather.photo_files(session, parts.store, member.practice_id, content)
    data = archive.athlete_zip(content, files, now())
    headers = {"Content-Disposition": f'attachment; filename="athlete-{athlete_id[:8]}.zip"'}
    return Response(data, media_type="application/zip", headers=headers)


def description() -> dict[str, Any]:
    """Return the OpenAPI 3.1 description of this interface."""
    return get_openapi(
        title="Kneelturn",
        version=VERSION,
        description=__doc__ or "",
        routes=[r for r in router.routes if getattr(r, "path", "") != "/api/v1/openapi.json"],
    )


@router.get("/openapi.json", include_in_schema=False)
def openapi() -> JSONResponse:
    """Return the description; it holds no data and needs no sign-in."""
    return JSONResponse(description())
