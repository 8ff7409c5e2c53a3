"""Turns a context, a frozen dataclass, into a page through the template that belongs to it."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from app.pages.words import said_once
from vision.rotation import Rotation
from vision.sides import Side

PAGES = Path(__file__).parent
STATIC = PAGES / "static"

CONTEXTS: dict[str, type] = {}
TEMPLATE_OF: dict[type, str] = {}

Context = TypeVar("Context")


@dataclass(frozen=True, slots=True)
class Shell:
    """What the layout around every page needs.

    Attributes
    ----------
    member_name, practice_name
        Empty on pages shown without sign-in.
    path
        Path of this page, to mark the current place in the navigation.

    """

    member_name: str
    practice_name: str
    demo: bool
    path: str


def template(name: str) -> Callable[[type[Context]], type[Context]]:
    """Declare a frozen dataclass as the one context of the template ``name``."""

    def declare(context: type[Context]) -> type[Context]:
        CONTEXTS[name] = context
        TEMPLATE_OF[context] = name
        return context

    return declare


@cache
def static_version() -> str:
    """Return a short digest of all static files; it stands in their address, so that they can be kept for long."""
    digest = hashlib.sha256()
    for path in sorted(p for p in STATIC.rglob("*") if p.is_file()):
        digest.update(path.relative_to(STATIC).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def static_url(name: str) -> str:
    """Return the address of a static file.

    Raises
    ------
    FileNotFoundError
        If there is no such file, so that a wrong name shows in every test of the page.

    """
    if not (STATIC / name).is_file():
        raise FileNotFoundError(name)
    return f"/static/{static_version()}/{name}"


def degrees(value: float | None, digits: int = 0) -> str:
    """Return ``12°``, or a dash in words' place when there is no value; minus signs are typographic."""
    if value is None:
        return "–"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−") + "°"


def degree_band(band: tuple[float, float] | None, digits: int = 0) -> str:
    """Return ``12° to 20°``."""
    return "–" if band is None else f"{degrees(band[0], digits)} to {degrees(band[1], digits)}"


def start_words(right_deg: float | None) -> str:
    """Return the start position's angle in words, e.g. ``3° toward the left``."""
    if right_deg is None:
        return "–"
    if round(right_deg) == 0:
        return "level (0°)"
    return f"{degrees(abs(right_deg))} toward the {'right' if right_deg > 0 else 'left'}"


def angle_words(rotation: Rotation | None) -> str:
    """Return a rotation's angle in the direction of its side, in words for the start position."""
    if rotation is None or rotation.right_deg is None:
        return "no angle"
    return start_words(rotation.right_deg) if rotation.side is Side.START else degrees(rotation.magnitude_deg)


def moment(value: datetime) -> str:
    """Return a time for reading in the zone of this computer, e.g. ``25 November 2026, 08:15 UTC``."""
    here = value.astimezone()
    return f"{day(value)}, {here:%H:%M %Z}"


def day(value: datetime) -> str:
    """Return the day on which a moment was here, e.g. ``25 November 2026``."""
    here = value.astimezone()
    return f"{here.day} {here:%B %Y}"


@cache
def environment() -> Environment:
    """Return the template environment; an unknown name in a template is an error, not an empty string."""
    result = Environment(
        loader=FileSystemLoader(PAGES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    result.globals["static"] = static_url
    result.filters["degrees"] = degrees
    result.filters["degree_band"] = degree_band
    result.filters["start_words"] = start_words
    result.filters["angle"] = angle_words
    result.filters["moment"] = moment
    result.filters["day"] = day
    result.filters["said_once"] = said_once
    return result


def render(request: Request, context: object, status: int = 200) -> HTMLResponse:
    """Return the page of ``context``, an instance of a class declared with :func:`template`."""
    member = getattr(request.state, "member", None)
    shell = Shell(
        member_name=member.member_name if member else "",
        practice_name=member.practice_name if member else "",
        demo=member.demo if member else request.app.state.services.settings.demo,
        path=request.url.path,
    )
    values: dict[str, Any] = {f.name: getattr(context, f.name) for f in fields(context)}  # type: ignore[arg-type]
    html = environment().get_template(TEMPLATE_OF[type(context)]).render(values, shell=shell)
    return HTMLResponse(html, status_code=status)
