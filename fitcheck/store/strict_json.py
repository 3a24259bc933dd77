"""JSON as it may enter the store: finite, not deep, no name twice, every text writable.

RFC 8259 leaves open what a reader does with NaN, huge numbers, deep nesting, names that come
twice and lone surrogates. Here they are refused, each with its reason.
"""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn

from fitcheck.errors import BadInput

MOST_BYTES = 16 * 2**20
DEEPEST = 32
MOST_VALUES = 500_000
LONGEST_TEXT = 200_000  # letters of one text
LARGEST_WHOLE = 2**53  # beyond it a reader that uses doubles takes another number (RFC 7493)


def read_json(data: bytes, what: str) -> Any:
    """Read JSON that comes from outside.

    Parameters
    ----------
    data
        UTF-8, with or without its byte order mark.
    what
        Begins the sentence if it is refused: "inspection.json".

    Returns
    -------
    Values of JSON: dict, list, str, int, float, bool, None.

    Raises
    ------
    BadInput
        ``json_refused``.
    """
    if len(data) > MOST_BYTES:
        raise _refused(what, f"it is larger than {MOST_BYTES // 2**20} MiB")
    try:
        value = json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_each_name_once, parse_constant=_no_number
        )
    except UnicodeDecodeError as error:
        raise _refused(what, "it is not UTF-8 text") from error
    except RecursionError as error:
        raise _refused(what, f"it is nested more than {DEEPEST} deep") from error
    except ValueError as error:  # also: a whole number of thousands of digits
        reason = str(error) if isinstance(error, _Reason) else "it is not JSON"
        raise _refused(what, reason) from error
    check_json(value, what)
    return value


def check_json(value: Any, what: str) -> None:
    """Refuse what cannot be written as JSON and read back the same.

    Raises
    ------
    BadInput
        ``json_refused``, as :func:`read_json` does.
    """
    left = MOST_VALUES
    layer: list[Any] = [value]
    for _ in range(DEEPEST + 1):
        left -= len(layer)
        if left < 0:
            raise _refused(what, f"it holds more than {MOST_VALUES} values")
        below: list[Any] = []
        for one in layer:
            if isinstance(one, dict):
                for name in one:
                    if not isinstance(name, str):
                        raise _refused(what, "a name in it is not text")
                    _check_text(name, what)
                below.extend(one.values())
            elif isinstance(one, list):
                below.extend(one)
            else:
                _check_plain(one, what)
        if not below:
            return
        layer = below
    raise _refused(what, f"it is nested more than {DEEPEST} deep")


def write_json(value: Any) -> str:
    """Write values of JSON compactly, names in their order."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def same_json(one: Any, other: Any) -> bool:
    """Tell whether two values are the same JSON, whatever the order of names.

    Python's ``==`` does not do: it holds ``True``, ``1`` and ``1.0`` for the same.
    """
    return json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def _check_plain(value: Any, what: str) -> None:
    if isinstance(value, str):
        _check_text(value, what)
    elif isinstance(value, bool) or value is None:
        return
    elif isinstance(value, int):
        if abs(value) > LARGEST_WHOLE:
            raise _refused(what, "a number in it is too large")
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise _refused(what, "a number in it is not finite")
    else:
        raise _refused(what, f"it holds a {type(value).__name__}, which JSON has not")


def _check_text(text: str, what: str) -> None:
    if len(text) > LONGEST_TEXT:
        raise _refused(what, f"a text in it is longer than {LONGEST_TEXT} letters")
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise _refused(what, "a text in it holds half a character") from error


class _Reason(ValueError):
    """A reason of ours, to be told apart from those of the reader."""


def _each_name_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    names = dict(pairs)
    if len(names) < len(pairs):
        raise _Reason("a name in it comes twice")
    return names


def _no_number(_: str) -> NoReturn:
    raise _Reason("a number in it is not finite")


def _refused(what: str, reason: str) -> BadInput:
    return BadInput(
        "json_refused",
        f"{what} cannot be taken: {reason}.",
        "Write it anew with fitcheck, or ask whoever sent it to do so.",
    )
