"""Gives out the copies of photos that pages show; never the originals."""

from fastapi import APIRouter, Request, Response

from app.errors import NotFoundError
from app.photos.store import SHOWN
from app.records import photos
from app.security.members import SignedIn
from app.services import services

router = APIRouter()


@router.get("/photos/{photo_id}/picture")
def picture(request: Request, member: SignedIn, photo_id: str) -> Response:
    """Return the upright copy without metadata; caches are told to keep nothing."""
    parts = services(request)
    with parts.database.begin() as session:
        photos.photo(session, member.practice_id, photo_id)
    data = parts.store.get(photo_id, SHOWN)
    if data is None:
        raise NotFoundError("There is no picture to show for this photo.")
    return Response(data, media_type="image/jpeg")
