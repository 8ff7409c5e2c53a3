"""Errors of the web side; they join the one family of :mod:`vision.errors`."""

from vision.errors import KneelturnError


class NotFoundError(KneelturnError):
    """The thing asked for does not exist, or belongs to another practice."""

    code = "not-found"


class NotAllowedError(KneelturnError):
    """The member is signed in, but this is not theirs to do."""

    code = "not-allowed"


class SignInNeededError(KneelturnError):
    """Nobody is signed in."""

    code = "sign-in-needed"


class InputError(KneelturnError):
    """A form holds something that cannot be used."""

    code = "input-unusable"


class TooLargeError(KneelturnError):
    """The request carries more bytes than the settings allow."""

    code = "too-large"


class TooManyTriesError(KneelturnError):
    """The same thing was tried too often in a short time."""

    code = "too-many-tries"


class CrossSiteError(KneelturnError):
    """A change was asked for by a page of another site."""

    code = "cross-site"


HTTP_STATUS: dict[type[KneelturnError], int] = {
    NotFoundError: 404,
    NotAllowedError: 403,
    SignInNeededError: 401,
    InputError: 422,
    TooLargeError: 413,
    TooManyTriesError: 429,
    CrossSiteError: 403,
}


def http_status(error: KneelturnError) -> int:
    """Return the HTTP status that fits ``error``; 422 for an error that has no entry of its own."""
    return next((HTTP_STATUS[kind] for kind in type(error).__mro__ if kind in HTTP_STATUS), 422)
