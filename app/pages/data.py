"""An athlete's data out and away: downloads, erasing; and the description of the JSON interface for people."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.responses import RedirectResponse

from app.api import v1
from app.errors import InputError
from app.pages.form import SentForm
from app.pages.rendering import render, template
from app.records import audit, erasing, people
from app.security.members import Eraser, SignedIn
from app.security.rights import Right, may
from app.services import services

router = APIRouter()


@template("data.html")
@dataclass(frozen=True, slots=True)
class DataPage:
    """What can be taken out or erased."""

    athlete: people.AthleteRecord
    may_export: bool
    may_erase: bool


@dataclass(frozen=True, slots=True)
class Operation:
    """One request of the interface."""

    method: str
    path: str
    summary: str
    description: str


@dataclass(frozen=True, slots=True)
class Shape:
    """One kind of object the interface returns: field to its type in words."""

    name: str
    description: str
    fields: Mapping[str, str]


@template("api_docs.html")
@dataclass(frozen=True, slots=True)
class ApiDocsPage:
    """The interface, written from its OpenAPI description."""

    version: str
    introduction: str
    operations: tuple[Operation, ...]
    shapes: tuple[Shape, ...]


@router.get("/athletes/{athlete_id}/data")
def data(request: Request, member: SignedIn, athlete_id: str) -> Response:
    """Show what can be taken out or erased."""
    with services(request).database.begin() as session:
        athlete = people.athlete(session, member.practice_id, athlete_id)
        audit.note(session, member.practice_id, member.member_id, "read", "athlete", athlete_id, athlete_id=athlete_id)
    return render(request, DataPage(athlete, may(member.role, Right.EXPORT), may(member.role, Right.ERASE)))


@router.post("/athletes/{athlete_id}/erase")
def erase(request: Request, member: Eraser, athlete_id: str, form: SentForm) -> Response:
    """Erase the athlete for good: files first, then every row; a tombstone without a name stays."""
    parts = services(request)
    with parts.database.begin() as session:
        athlete = people.athlete(session, member.practice_id, athlete_id)
        if form.text("code") != athlete.code:
            raise InputError("The code does not match.", f"Type {athlete.code} to erase this athlete.")
        photo_ids = erasing.photo_ids_of(session, member.practice_id, athlete_id)
    for photo_id in photo_ids:
        parts.store.erase(photo_id)
    with parts.database.begin() as session:
        late = erasing.photo_ids_of(session, member.practice_id, athlete_id)
        erasing.erase_athlete(session, member.practice_id, athlete_id, member.member_id)
        audit.note(
            session, member.practice_id, member.member_id, "erased", "athlete", athlete_id, athlete_id=athlete_id
        )
    parts.database.forget_erased()
    for photo_id in late:
        parts.store.erase(photo_id)  # what a measuring job or an upload wrote in between
    return RedirectResponse("/athletes", 303)


def _type_words(schema: Mapping[str, Any]) -> str:
    if "$ref" in schema:
        return str(schema["$ref"]).rsplit("/", 1)[-1]
    if "anyOf" in schema:
        return " or ".join(_type_words(s) for s in schema["anyOf"])
    if "enum" in schema:
        return " or ".join(f"“{v}”" for v in schema["enum"])
    if schema.get("type") == "array":
        return f"list of {_type_words(schema.get('items', {}))}"
    if schema.get("format") == "date-time":
        return "time, ISO 8601 with zone"
    return {"null": "null", "object": "object", "integer": "whole number"}.get(
        str(schema.get("type")), str(schema.get("type", "anything"))
    )


@router.get("/api/docs")
def api_docs(request: Request) -> Response:
    """Describe the JSON interface; it holds no data and needs no sign-in."""
    told = v1.description()
    operations = tuple(
        Operation(method.upper(), path, o.get("summary", ""), o.get("description", ""))
        for path, methods in told["paths"].items()
        for method, o in methods.items()
    )
    shapes = tuple(
        Shape(name, s.get("description", ""), {k: _type_words(v) for k, v in s["properties"].items()})
        for name, s in told["components"]["schemas"].items()
        if "properties" in s and "Validation" not in name and not name.startswith("Body_")
    )
    return render(request, ApiDocsPage(told["info"]["version"], told["info"]["description"], operations, shapes))
