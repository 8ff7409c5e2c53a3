"""Errors in words: what went wrong and what to do about it; never a stack trace."""

import json
import logging
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import quote

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import DataError, IntegrityError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import Receive, Scope, Send

from app.errors import CrossSiteError, SignInNeededError, http_status
from app.pages.rendering import render, template
from app.security.headers import HEADERS
from vision.errors import KneelturnError

log = logging.getLogger("kneelturn.pages")


@template("problem.html")
@dataclass(frozen=True, slots=True)
class ProblemPage:
    """What went wrong, and the remedy."""

    message: str
    advice: str


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "") or request.url.path.startswith("/api/")


def answer(request: Request, status: int, code: str, message: str, advice: str) -> Response:
    """Return the problem as a page, or as RFC 9457 JSON where JSON was asked for."""
    if _wants_json(request):
        problem = {"type": "about:blank", "title": message, "status": status, "code": code, "detail": advice}
        return Response(json.dumps(problem), status, media_type="application/problem+json")
    return render(request, ProblemPage(message=message, advice=advice), status)


def _own_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, KneelturnError)  # noqa: S101 - registered for this class only
    if isinstance(error, SignInNeededError) and request.method == "GET" and not _wants_json(request):
        return RedirectResponse(f"/sign-in?next={quote(request.url.path)}", 303)
    return answer(request, http_status(error), error.code, error.message, error.advice)


def _http_error(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {
        404: ("This page does not exist.", "Check the address, or go back to the start page."),
        405: ("This address does not take that kind of request.", "Go back and use the buttons of the page."),
    }
    message, advice = words.get(status, (f"{HTTPStatus(status).phrase}.", "Go back and try again."))
    return answer(request, status, f"http-{status}", message, advice)


def _form_error(request: Request, error: Exception) -> Response:
    names = []
    if isinstance(error, RequestValidationError):
        names = [str(e["loc"][-1]).replace("_", " ") for e in error.errors()]
    message = "The form holds something that cannot be used" + (f": {', '.join(names)}." if names else ".")
    return answer(request, 422, "input-unusable", message, "Go back, correct it and send it again.")


def _unexpected(request: Request, error: Exception) -> Response:
    log.error("unexpected error at %s", request.scope.get("route", ""), exc_info=error)
    response = answer(
        request,
        500,
        "unexpected",
        "Something went wrong on our side.",
        "Nothing that was stored is lost. Go back and try again; if it happens again, tell whoever runs this program.",
    )
    # this page is made outside of the middleware that adds them elsewhere
    response.headers.update(HEADERS)
    return response


def _at_the_same_moment(request: Request, error: Exception) -> Response:
    log.warning("refused by the database at %s: %s", request.scope.get("route", ""), type(error).__name__)
    return answer(
        request,
        409,
        "changed-meanwhile",
        "The same thing was changed by somebody else at this moment.",
        "Nothing that was stored is lost. Go back, reload the page and try again.",
    )


def _not_storable(request: Request, error: Exception) -> Response:
    log.warning("refused by the database at %s: %s", request.scope.get("route", ""), type(error).__name__)
    return _form_error(request, error)


class Refusal:
    """ASGI application that answers every request with one error; for middleware that stops a request early."""

    def __init__(self, error: KneelturnError, app: FastAPI) -> None:
        self._error = error
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request with the error."""
        scope = {**scope, "app": self._app}
        await _own_error(Request(scope, receive), self._error)(scope, receive, send)


CROSS_SITE = CrossSiteError(
    "This change was asked for by another site, so it was not made.",
    "If you meant it, open Kneelturn itself and do it there.",
)


def add_error_pages(app: FastAPI) -> None:
    """Let ``app`` answer every error in words."""
    app.add_exception_handler(KneelturnError, _own_error)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(RequestValidationError, _form_error)
    app.add_exception_handler(IntegrityError, _at_the_same_moment)
    app.add_exception_handler(DataError, _not_storable)
    app.add_exception_handler(Exception, _unexpected)
