"""Refuses requests with more bytes than the settings allow, before they fill the disk."""

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.errors import TooLargeError


class BodyLimit:
    """ASGI middleware that counts the bytes of each request.

    Parameters
    ----------
    refusal
        The ASGI application that answers a request that says from the start that it is too large.
    max_bytes
        Most bytes of one request.

    """

    def __init__(self, app: ASGIApp, *, refusal: ASGIApp, max_bytes: int) -> None:
        self._app = app
        self._refusal = refusal
        self._max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        declared = Headers(scope=scope).get("content-length", "")
        if declared.isdigit() and int(declared) > self._max_bytes:
            await self._refusal(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self._max_bytes:
                raise too_large(self._max_bytes)
            return message

        await self._app(scope, counted, send)


def too_large(max_bytes: int) -> TooLargeError:
    """Return the error of a request with too many bytes."""
    return TooLargeError(
        f"More than {max_bytes / 1e6:.0f} million bytes were sent at once.", "Send the photos in smaller groups."
    )
