"""Tables as people's spreadsheets write them: read with care, told with the line's number.

UTF-8 with or without a byte-order mark, or UTF-16 with one; commas, semicolons or tabs; a
decimal comma where the fields are not separated by commas.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.plain_text import visible_text

MOST_BYTES = 64 * 2**20
MOST_ROWS = 500_000
LONGEST_FIELD = 2000
SEPARATORS = ",;\t"


def head_of(path: Path, names: Mapping[str, tuple[str, ...]]) -> frozenset[str]:
    """Return the columns that a table's head names; raises ``sheet_unreadable``."""
    text = _text(path)
    first = text.split("\n", 1)[0]
    separator = max(SEPARATORS, key=first.count)
    known = _known(names)
    cells = (cell.strip().strip('"').lower() for cell in first.split(separator))
    return frozenset(known[cell] for cell in cells if cell in known)


def _text(path: Path) -> str:
    shown = visible_text(path.name)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadInput(
                "sheet_unreadable",
                f"The table {shown} is larger than {MOST_BYTES // 2**20} MB.",
                "Split it.",
            )
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(
            "sheet_unreadable",
            f"The table {shown} cannot be read: {error.strerror or error}.",
            "Check its name and folder.",
        ) from error
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(
            "sheet_unreadable",
            f"The table {shown} is not UTF-8 text.",
            "Save it as “CSV UTF-8”.",
        ) from error
    if "\0" in text:
        raise BadInput("sheet_unreadable", f"{shown} is no table of text.", "Give a CSV file.")
    return text


def _known(names: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    return {other: name for name, others in names.items() for other in (name, *others)}


class Sheet:
    """A table with a header.

    Parameters
    ----------
    path
        A CSV file.
    names
        Column to the other names that it may have, lower case.

    Attributes
    ----------
    rows
        Number of the line in the file, and cells by column, blanks taken off; empty lines and
        unknown columns are left out.
    columns
        Those of ``names`` that it has.

    Raises
    ------
    BadInput
        ``sheet_unreadable`` or ``sheet_malformed``.
    """

    def __init__(self, path: Path, names: Mapping[str, tuple[str, ...]]) -> None:
        self._name = visible_text(path.name)
        text = _text(path)
        first = text.split("\n", 1)[0]
        separator = max(SEPARATORS, key=first.count)
        self._decimal_comma = separator != ","
        known = _known(names)
        self.rows: list[tuple[int, dict[str, str]]] = []
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        try:
            header = [known.get(cell.strip().lower(), "") for cell in next(reader, [])]
            self.columns = frozenset(filter(None, header))
            twice = [name for name in self.columns if header.count(name) > 1]
            if twice:
                raise self.wrong(1, f"has two columns for {twice[0]}", "Keep one of them.")
            for cells in reader:
                self._take(reader.line_num, header, cells)
        except csv.Error as error:
            raise self.wrong(
                reader.line_num, f"cannot be read: {error}", "Save it again."
            ) from error

    def _take(self, line: int, header: list[str], cells: list[str]) -> None:
        if not any(cell.strip() for cell in cells):
            return
        if len(cells) > len(header) and any(c.strip() for c in cells[len(header) :]):
            raise self.wrong(
                line,
                f"has {len(cells)} fields where the header has {len(header)}",
                "Put texts that hold the separator in quotation marks.",
            )
        if len(self.rows) >= MOST_ROWS:
            raise self.wrong(line, f"is the row after {MOST_ROWS}", "Split the table.")
        if any(len(cell) > LONGEST_FIELD for cell in cells):
            raise self.wrong(line, f"has a field of over {LONGEST_FIELD} letters", "Shorten it.")
        pairs = zip(header, cells, strict=False)
        self.rows.append((line, {name: cell.strip() for name, cell in pairs if name}))

    def wrong(self, line: int, what: str, advice: str) -> BadInput:
        """An error that names the line."""
        return BadInput("sheet_malformed", f"Line {line} of {self._name} {what}.", advice)

    def number(self, line: int, cells: Mapping[str, str], column: str) -> float | None:
        """Return a cell as a finite number, None where it is empty.

        Raises
        ------
        BadInput
            ``sheet_malformed``.
        """
        text = cells.get(column, "")
        if not text:
            return None
        plain = text.replace("\N{MINUS SIGN}", "-")
        if self._decimal_comma and "." not in plain:
            plain = plain.replace(",", ".", 1)
        try:
            value = float(plain) if "_" not in plain else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or abs(value) > 1e9:
            raise self.wrong(
                line,
                f"has {visible_text(text)[:40]!r} where a number belongs ({column})",
                "Write a plain number, or leave the field empty where nothing was measured.",
            )
        return value

    def whole(self, line: int, cells: Mapping[str, str], column: str) -> int | None:
        """Return a cell as a whole number above zero, None where it is empty; raises as above."""
        value = self.number(line, cells, column)
        if value is None:
            return None
        if value != int(value) or value < 1:
            raise self.wrong(line, f"has {value:g} as {column}", "Write 1, 2, 3.")
        return int(value)
