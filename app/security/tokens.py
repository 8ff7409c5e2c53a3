"""Unguessable tokens for sessions and links: the holder has the token, we keep only its digest."""

import hashlib
import secrets
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Token:
    """A fresh token.

    Attributes
    ----------
    secret
        What the holder gets: 256 random bits, 43 letters that are safe in an address. Never stored.
    digest
        SHA-256 of ``secret``, hex; what is stored and looked up.

    """

    secret: str
    digest: str


def new_token() -> Token:
    """Return a fresh token."""
    secret = secrets.token_urlsafe(32)
    return Token(secret, digest(secret))


def digest(secret: str) -> str:
    """Return the digest under which a token is stored."""
    return hashlib.sha256(secret.encode()).hexdigest()
