"""Refuses requests with more bytes than they can need, before they fill the memory or the disk."""

from collections.abc import Callable

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.errors import TooLargeError

FORM_BYTES = 3_000_000  # an agreement study pasted as text, the longest of our forms, has about one million


class BodyLimit:
    """ASGI middleware that counts the bytes of each request.

    Parameters
    ----------
    most_bytes
        Path to the most bytes of one request to it.
    refusal
        Error to the ASGI application that answers, with it, a request that says from the start that it is too large.

    """

    def __init__(
        self, app: ASGIApp, *, most_bytes: Callable[[str], int], refusal: Callable[[TooLargeError], ASGIApp]
    ) -> None:
        self._app = app
        self._most_bytes = most_bytes
        self._refusal = refusal

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        most = self._most_bytes(scope["path"])
        declared = Headers(scope=scope).get("content-length", "")
        if declared.isdigit() and int(declared) > most:
            await self._refusal(too_large(most))(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                raise too_large(most)
            return message

        await self._app(scope, counted, send)


def too_large(most: int) -> TooLargeError:
    """Return the error of a request with more than ``most`` bytes."""
    return TooLargeError(
        f"More than {most / 1e6:.0f} million bytes were sent at once.", "Send photos in smaller groups, and less text."
    )


def most_bytes_by_path(max_photo_bytes: int, max_photos: int) -> Callable[[str], int]:
    """Return the rule for :class:`BodyLimit`: only where photos are sent is more taken than a form of words needs."""

    def most(path: str) -> int:
        if not path.endswith("/photos"):
            return FORM_BYTES
        photos = 1 if path.startswith("/self-screen/") else max_photos
        return photos * max_photo_bytes + FORM_BYTES

    return most
