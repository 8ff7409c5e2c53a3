"""Gives out the copies of photos that pages show; never the originals."""

from fastapi import APIRouter, Request, Response

from app.errors import NotFoundError
from app.photos.store import SHOWN, SMALL
from app.records import audit, photos, rounds
from app.security.members import SignedIn
from app.services import services

router = APIRouter()

_ERASED = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 300"><rect width="400" height="300" fill="#d5dce2"/>'
    '<text x="200" y="155" text-anchor="middle" font-family="sans-serif" font-size="22">Photo erased, '
    "its result is kept</text></svg>"
)


@router.get("/photos/{photo_id}/picture")
def picture(request: Request, member: SignedIn, photo_id: str, small: bool = False) -> Response:
    """Return the upright copy without metadata, or the small one for lists; caches are told to keep nothing."""
    parts = services(request)
    with parts.database.begin() as session:
        photo = photos.photo(session, member.practice_id, photo_id)
        athlete_id = rounds.athlete_of_trial(session, member.practice_id, photo.trial_id)
        audit.note(session, member.practice_id, member.member_id, "read", "photo", photo_id, athlete_id=athlete_id)
    if photo.erased_at is not None:
        return Response(_ERASED, media_type="image/svg+xml")
    data = parts.store.get(photo_id, SMALL if small else SHOWN)
    if data is None:
        raise NotFoundError("There is no picture to show for this photo.")
    return Response(data, media_type="image/jpeg")
