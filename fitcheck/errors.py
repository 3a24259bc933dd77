"""What can go wrong, told so that the user knows what to do next.

Every error carries a stable ``code`` for programs, a ``message`` that says what is
wrong and an ``advice`` that says what to do about it.
"""

from __future__ import annotations


class FitcheckError(Exception):
    """Base of all errors that fitcheck raises on purpose.

    Parameters
    ----------
    code
        Stable short name, lower case with underscores.
    message
        One sentence: what is wrong.
    advice
        One sentence: what to do about it.
    """

    def __init__(self, code: str, message: str, advice: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.message} {self.advice}".strip()


class BadInput(FitcheckError):
    """The input itself is wrong: an unreadable file, an impossible argument."""


class Refused(FitcheckError):
    """The photograph is readable, but no honest number can be had from it."""
