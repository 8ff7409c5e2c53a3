"""Whether the program can serve: asked by whatever keeps it running."""

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from app.services import services

router = APIRouter()


@router.get("/health")
def health(request: Request) -> PlainTextResponse:
    """Answer 200 when the database answers, else 503; tells nothing about anybody, so nobody signs in for it."""
    try:
        with services(request).database.begin() as session:
            session.execute(text("SELECT 1"))
    except SQLAlchemyError:
        return PlainTextResponse("database does not answer\n", status_code=503)
    return PlainTextResponse("ok\n")
