"""Refuses changes asked for by pages of other sites (cross-site request forgery).

Every current browser says where a request comes from: ``Sec-Fetch-Site`` (Fetch Metadata, W3C) or, before
that, ``Origin`` (RFC 6454) on every POST. A form of another site can therefore be recognised without tokens
in each of our forms. A request with neither header comes from no browser and carries no cookies by accident.
"""

from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


def comes_from_elsewhere(headers: Headers, own_hosts: frozenset[str]) -> bool:
    """Return whether a browser says that the request was made by another site's page."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site not in ("same-origin", "none")
    origin = headers.get("origin")
    if origin is None:
        return False
    return urlsplit(origin).netloc not in own_hosts


class CrossSiteGuard:
    """ASGI middleware that answers such requests with 403 before anything is read.

    Parameters
    ----------
    refusal
        The ASGI application that says so.
    public_host
        Host name people use, if a proxy changes the Host header.

    """

    def __init__(self, app: ASGIApp, *, refusal: ASGIApp, public_host: str = "") -> None:
        self._app = app
        self._refusal = refusal
        self._public_host = public_host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "http" and scope["method"] not in SAFE_METHODS:
            headers = Headers(scope=scope)
            hosts = frozenset({headers.get("host", ""), self._public_host} - {""})
            if comes_from_elsewhere(headers, hosts):
                await self._refusal(scope, receive, send)
                return
        await self._app(scope, receive, send)
