"""A sent form, read in one place: what is missing, too long or out of range is said in words."""

from collections.abc import AsyncIterator, Collection
from typing import Annotated

from fastapi import Depends
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request

from app.errors import InputError
from app.security.members import SignedIn


class Form:
    """The fields of a form."""

    def __init__(self, data: FormData) -> None:
        self._data = data

    def text(self, name: str, *, longest: int = 2000, needed: str = "") -> str:
        """Return a field without surrounding blanks, empty if it was not sent.

        Parameters
        ----------
        name
            Name of the field.
        longest
            Most characters.
        needed
            What to call the field when it must not be empty; empty allows that.

        Raises
        ------
        InputError
            If it is too long, or empty although needed.

        """
        value = self._data.get(name, "")
        # PostgreSQL stores no text with this character in it, and nobody can type it
        text = value.replace("\0", "").strip() if isinstance(value, str) else ""
        if needed and not text:
            raise InputError(f"{needed} is missing.", "Go back and fill it in.")
        if len(text) > longest:
            raise InputError(f"The text has {len(text)} characters.", f"Shorten it to {longest}.")
        return text

    def secret(self, name: str) -> str:
        """Return a field exactly as sent, blanks too."""
        value = self._data.get(name, "")
        return value if isinstance(value, str) else ""

    def files(self, name: str) -> list[UploadFile]:
        """Return the files chosen; an empty file field, which arrives as text, is none."""
        return [f for f in self._data.getlist(name) if isinstance(f, UploadFile) and f.filename]

    def whole(self, name: str, low: int, high: int, words: str) -> int | None:
        """Return a whole number, or None if the field is empty.

        Raises
        ------
        InputError
            If it is no whole number from ``low`` to ``high``.

        """
        text = self.text(name)
        if not text:
            return None
        try:
            value = int(text)
        except ValueError:
            value = low - 1
        if not low <= value <= high:
            raise InputError(
                f"{words}: {text!r} is not a whole number from {low} to {high}.", "Go back and correct it."
            )
        return value

    def one_of(self, name: str, keys: Collection[str], words: str) -> str:
        """Return the key chosen.

        Raises
        ------
        InputError
            If none of ``keys`` was chosen.

        """
        value = self.text(name)
        if value not in keys:
            raise InputError(f"{words}: nothing was chosen.", "Go back and choose one.")
        return value

    def many_of(self, name: str, keys: Collection[str]) -> tuple[str, ...]:
        """Return the keys ticked, in the order of ``keys``; anything else that was sent is ignored."""
        sent = set(self._data.getlist(name))
        return tuple(key for key in keys if key in sent)


async def _sent(request: Request) -> Form:
    return Form(await request.form(max_files=0))


SentForm = Annotated[Form, Depends(_sent)]


async def _sent_by_member(request: Request, _member: SignedIn) -> AsyncIterator[Form]:
    async with request.form() as data:
        yield Form(data)


MemberPhotos = Annotated[Form, Depends(_sent_by_member)]
"""A form with photos in it; nothing of it is read before somebody is known to be signed in."""
