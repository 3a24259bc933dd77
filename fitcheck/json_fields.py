"""JSON read strictly: each field is asked for by name, and what nobody asked for is refused.

NaN, huge numbers, duplicate keys and deep nesting are refused as well, each with a sentence
that names the place.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Callable, Iterable
from typing import Any, NoReturn, TypeVar

from fitcheck.errors import BadInput
from fitcheck.quantities import Quantity, quantity

DEEPEST = 16
LONGEST_TEXT = 2000
MOST_ENTRIES = 500
LARGEST_NUMBER = 1e9

_T = TypeVar("_T")


def parse_json(text: str, what: str) -> Any:
    """Parse JSON without trusting it.

    Parameters
    ----------
    text
        The text.
    what
        What it is, in the middle of a sentence: ``"the inspection"``.

    Returns
    -------
    Whatever it holds.

    Raises
    ------
    BadInput
        ``too_deep`` or ``not_json``.
    """
    _check_depth(text, what)

    def no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise BadInput(
                "not_json",
                f"{what.capitalize()} names the field “{twice[:40]}” twice in one place.",
                "Keep one of them.",
            )
        return found

    def no_constant(word: str) -> NoReturn:
        raise BadInput(
            "not_json",
            f"{what.capitalize()} holds {word}, which is no number.",
            "Leave the field out where nothing was measured.",
        )

    problem: Exception
    try:
        found = json.loads(text, object_pairs_hook=no_duplicates, parse_constant=no_constant)
        json.dumps(found, ensure_ascii=False).encode("utf-8")
        return found
    except UnicodeEncodeError as error:  # "\\ud800": no sentence about it could be printed
        words, problem = "a text in it holds half a character", error
    except json.JSONDecodeError as error:
        words = f"line {error.lineno}, column {error.colno}: {error.msg.lower()}"
        problem = error
    except RecursionError as error:
        words, problem = "it is nested too deep", error
    except ValueError as error:  # Python refuses to read whole numbers of thousands of digits
        words, problem = "it holds a number with too many digits", error
    raise BadInput(
        "not_json", f"{what.capitalize()} is not JSON: {words}.", "Check it with a JSON editor."
    ) from problem


class Fields:
    """The fields of one JSON object, taken one by one; what is left at the end is refused."""

    def __init__(self, raw: object, place: str) -> None:
        self.place = place
        self.taken: list[str] = []
        if not isinstance(raw, dict):
            invalid(self.place, "it is not an object of fields", "Write it as { … }.")
        self.left: dict[str, Any] = dict(raw)

    def invalid(self, what: str, advice: str) -> NoReturn:
        """Refuse what was found at this place."""
        invalid(self.place, what, advice)

    def take(self, name: str) -> Any:
        """Return a field as it is; None where it is missing or null."""
        self.taken.append(name)
        return self.left.pop(name, None)

    def sub(self, raw: object, name: str) -> Fields:
        """Return the fields of an object found here under a name."""
        return Fields(raw, f"“{name}” in {self.place}")

    def fields(self, name: str) -> Fields:
        """Return an object's fields; none where it is missing."""
        raw = self.take(name)
        return self.sub({} if raw is None else raw, name)

    def each(self, name: str, read: Callable[[Fields], _T]) -> Iterable[_T]:
        """Read every entry of a list of objects; none where it is missing."""
        raw = self.take(name)
        if raw is None:
            return []
        if not isinstance(raw, list):
            self.invalid(f"“{name}” is not a list", "Write it as [ … ].")
        if len(raw) > MOST_ENTRIES:
            self.invalid(f"“{name}” has {len(raw)} entries", f"At most {MOST_ENTRIES} are read.")
        return [
            read(Fields(item, f"entry {i} of “{name}” in {self.place}"))
            for i, item in enumerate(raw, start=1)
        ]

    def text(self, name: str) -> str:
        """Return a text; empty where it is missing."""
        raw = self.take(name)
        if raw is None:
            return ""
        if not isinstance(raw, str):
            self.invalid(f"“{name}” is not text", 'Write it in quotation marks: "…".')
        if any("\ud800" <= letter <= "\udfff" for letter in raw):
            self.invalid(f"“{name}” holds half a character", "Write the text again.")
        if len(raw) > LONGEST_TEXT:
            self.invalid(f"“{name}” has {len(raw)} letters", f"At most {LONGEST_TEXT} are kept.")
        return raw

    def choice(self, name: str, allowed: tuple[str, ...]) -> str:
        """Return one of the texts allowed; empty where it is missing."""
        chosen = self.text(name)
        if chosen and chosen not in allowed:
            near = difflib.get_close_matches(chosen, allowed, 1)
            listed = ", ".join(a for a in allowed if a)
            self.invalid(
                f"“{name}” is “{chosen[:40]}”",
                f"Did you mean “{near[0]}”? Choose one of: {listed}."
                if near
                else f"Choose one of: {listed}.",
            )
        return chosen

    def flag(self, name: str, otherwise: bool) -> bool:
        """Return true or false, by default if it is missing."""
        raw = self.take(name)
        if raw is None:
            return otherwise
        if not isinstance(raw, bool):
            self.invalid(f"“{name}” is neither true nor false", "Write true or false.")
        return raw

    def whole(self, name: str) -> int | None:
        """Return a whole number; None where it is missing."""
        raw = self.take(name)
        if raw is None:
            return None
        if isinstance(raw, bool) or not isinstance(raw, int):
            self.invalid(f"“{name}” is not a whole number", "Write it without quotation marks.")
        return raw

    def number(self, name: str, otherwise: float | None = None) -> float:
        """Return a number, by default if it is missing; refused if there is no default."""
        raw = self.take(name)
        if raw is None and otherwise is not None:
            return otherwise
        if not is_number(raw):
            self.invalid(f"“{name}” is not a number", "Write it without quotation marks.")
        return float(raw)

    def plain(self, name: str) -> dict[str, Any]:
        """Return an object as it is; empty where it is missing."""
        raw = self.take(name)
        if raw is None:
            return {}
        if not isinstance(raw, dict):
            self.invalid(f"“{name}” is not an object of fields", "Write it as { … }.")
        return raw

    def quantity(self, name: str, unit: str) -> Quantity | None:
        """Return a quantity with its unit; None where it is missing or empty."""
        raw = self.take(name)
        return None if raw is None or raw == "" else self._quantity(raw, name, unit)

    def quantities(self, name: str, unit: str) -> tuple[Quantity, ...]:
        """Return one quantity or several of a list."""
        raw = self.take(name)
        if raw is None:
            return ()
        return tuple(
            self._quantity(v, name, unit) for v in (raw if isinstance(raw, list) else [raw])
        )

    def _quantity(self, raw: object, name: str, unit: str) -> Quantity:
        if is_number(raw):
            self.invalid(
                f"“{name}” is the bare number {raw}",
                f'Write it with its unit, in quotation marks: "{raw} {unit}".',
            )
        if not isinstance(raw, str):
            self.invalid(f"“{name}” is not a quantity", f'Write it as text: "1 {unit}".')
        return quantity(raw, unit, f"“{name}” in {self.place}")

    def end(self) -> None:
        """Refuse what nobody asked for: a misspelt field would otherwise be lost in silence."""
        for unknown in self.left:
            near = difflib.get_close_matches(unknown, self.taken, 1)
            self.invalid(
                f"there is an unknown field “{unknown[:40]}”",
                f"Did you mean “{near[0]}”?" if near else f"Known are: {', '.join(self.taken)}.",
            )


def invalid(place: str, what: str, advice: str) -> NoReturn:
    """Refuse what was found at a place. Raises BadInput with the code ``invalid``."""
    raise BadInput("invalid", f"In {place}: {what}.", advice)


def is_number(raw: object) -> bool:
    """Whether it is a finite number of a size that a reading can have."""
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        return False
    return abs(raw) <= LARGEST_NUMBER and math.isfinite(raw)


def _check_depth(text: str, what: str) -> None:
    """Refuse deep nesting before anything recurses into it."""
    depth, inside, escaped = 0, False, False
    for letter in text:
        if inside:
            if escaped:
                escaped = False
            elif letter == "\\":
                escaped = True
            elif letter == '"':
                inside = False
        elif letter == '"':
            inside = True
        elif letter in "[{":
            depth += 1
            if depth > DEEPEST:
                raise BadInput(
                    "too_deep",
                    f"{what.capitalize()} is nested more than {DEEPEST} deep.",
                    "No such file is so deep: check where it came from.",
                )
        elif letter in "]}":
            depth -= 1


def check_numbers(raw: object, place: str, depth: int = 0) -> None:
    """Refuse numbers that no reading can have, wherever they stand."""
    if depth > DEEPEST:
        raise BadInput(
            "too_deep",
            f"{place.capitalize()} is nested more than {DEEPEST} deep.",
            "No such file is so deep: check where it came from.",
        )
    if isinstance(raw, dict):
        for value in raw.values():
            check_numbers(value, place, depth + 1)
    elif isinstance(raw, list):
        for value in raw:
            check_numbers(value, place, depth + 1)
    elif isinstance(raw, int | float) and not isinstance(raw, bool) and not is_number(raw):
        invalid(place, "there is a number that no reading can have", "Check its digits.")
