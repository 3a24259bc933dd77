"""Lengths as people type them: millimetres, inches, and fractions of an inch."""

from __future__ import annotations

import re
from fractions import Fraction

from fitcheck.errors import BadInput
from fitcheck.units import MINUS, MM_PER_INCH

_LENGTH = re.compile(
    r"""
    (?P<sign>[+-]?)\s*
    (?:
        (?:(?P<whole>\d{1,4})(?:\s+|-))?(?P<over>\d{1,4})\s*/\s*(?P<under>\d{1,4})
        | (?P<decimal>\d{1,6}(?:[.,]\d*)?|[.,]\d+)
    )
    \s*(?P<unit>mm|in|inch|inches|"|”|″)?\.?
    """,
    re.VERBOSE,
)


def length_mm(text: str, what: str) -> float | None:
    """Read a length.

    Parameters
    ----------
    text
        ``"0.42"``, ``"0,42 mm"``, ``"0.0165 in"``, ``"1 3/16 in"``. A plain number is in
        millimetres, a fraction without a unit in inches: nobody says 3/64 of a millimetre.
    what
        What the length is of, to begin a sentence with.

    Returns
    -------
    Millimetres; None if nothing was typed.

    Raises
    ------
    BadInput
        ``not_a_length`` if the text cannot be read as a length.
    """
    typed = text.strip()
    if not typed:
        return None
    found = _LENGTH.fullmatch(typed.lower().replace(MINUS, "-"))
    if found is None or (found["under"] and int(found["under"]) == 0):
        raise BadInput(
            "not_a_length",
            f"{what} is given as “{typed[:40]}”, which is not a length.",
            "Write it as 0.42 or 0.42 mm, or in inches as 0.0165 in or 1/64 in.",
        )
    if found["under"]:
        number = float(
            int(found["whole"] or 0) + Fraction(int(found["over"]), int(found["under"]))
        )
    else:
        number = float(found["decimal"].replace(",", "."))
    if found["sign"] == "-":
        number = -number
    in_millimetres = found["unit"] == "mm" or (not found["unit"] and not found["under"])
    return number if in_millimetres else number * MM_PER_INCH
