"""The one family of errors of Kneelturn: each message is written for the person who must act."""

from typing import Self

from vision.findings import Finding


class KneelturnError(Exception):
    """Base of every error raised on purpose.

    Parameters
    ----------
    message
        What went wrong, in plain words.
    advice
        What the person can do about it.
    code
        Stable identifier for scripts, e.g. ``photo-damaged``.

    """

    code = "error"

    def __init__(self, message: str, advice: str = "", code: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        if code is not None:
            self.code = code

    @classmethod
    def of(cls, finding: Finding) -> Self:
        """Make the error that says what a finding says, under the same code."""
        return cls(finding.message, finding.advice, finding.code)

    def __str__(self) -> str:
        return f"{self.message} {self.advice}".strip()


class PhotoError(KneelturnError):
    """The bytes cannot be used as a photo at all."""

    code = "photo-unreadable"


class FitError(KneelturnError):
    """The landmarks do not allow any torso fit."""

    code = "fit-impossible"
