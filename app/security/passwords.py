"""Passwords: how they are kept (Argon2id, RFC 9106) and which are taken."""

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from app.errors import InputError

SHORTEST = 12
LONGEST = 200  # longer ones only cost the server time

_HASHER = PasswordHasher()  # the second recommended option of RFC 9106: 3 passes over 64 MiB, 4 lanes
# compared with when nobody has the given e-mail, so that the answer takes as long as for a member
_NOBODY = _HASHER.hash("no member has this password, and no password matches it")


def hash_password(password: str) -> str:
    """Return what is stored in place of ``password``.

    Raises
    ------
    InputError
        If the password is too short, too long, or one character over and over.

    """
    if len(password) < SHORTEST:
        raise InputError(
            f"The password has {len(password)} characters, too few.",
            f"Choose at least {SHORTEST}; a few words in a row are easy to remember.",
        )
    if len(password) > LONGEST:
        raise InputError("The password is too long.", f"Choose at most {LONGEST} characters.")
    if len(set(password)) < 4:
        raise InputError("The password repeats the same few characters.", "Choose a few words in a row.")
    return _HASHER.hash(password)


def password_fits(stored: str | None, password: str) -> bool:
    """Return whether ``password`` belongs to ``stored``; None (no such member) takes as long and says no."""
    try:
        _HASHER.verify(stored or _NOBODY, password[:LONGEST])
    except (VerificationError, InvalidHashError):
        return False
    return stored is not None


def should_hash_again(stored: str) -> bool:
    """Return whether ``stored`` was made with weaker settings than today's."""
    return _HASHER.check_needs_rehash(stored)
