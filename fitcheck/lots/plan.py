"""What a lot is: which photograph shows which part, taken by whom, the how-manieth time."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.measurement import Note
from fitcheck.plain_text import visible_text
from fitcheck.setup import Setup

PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
BESIDE = (".json", ".csv", ".txt", ".md", ".pdf")  # what may lie beside them without a word
MOST_PHOTOS = 100_000
LONGEST_NAME = 120
NAMED = 3  # examples in a sentence


@dataclass(frozen=True)
class Planned:
    """One photograph of a lot.

    Attributes
    ----------
    file
        Its file, below the lot's folder.
    part
        What it shows.
    operator
        Who took it; empty if nobody says.
    repeat
        1 for the first photograph of that part by that operator.
    subgroup
        Parts made together, for charts of subgroups; empty if nobody says.
    """

    file: str
    part: str
    operator: str = ""
    repeat: int = 1
    subgroup: str = ""


@dataclass(frozen=True)
class LotPlan:
    """A lot that is to be measured.

    Attributes
    ----------
    folder
        Where the photographs lie.
    name
        Of the lot, for its report.
    date
        ISO 8601, or empty.
    view
        Of all its photographs.
    setup
        The cards.
    photos
        In the order the parts were made, as far as that is known.
    truth
        Part to characteristic to its known value, for lots made to try the method with.
    notes
        What is to be said of how the plan was read.
    """

    folder: Path
    name: str
    view: str
    setup: Setup
    photos: tuple[Planned, ...]
    date: str = ""
    truth: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    @property
    def summary(self) -> str:
        """How the plan was understood, in a sentence."""
        parts = len({p.part for p in self.photos})
        operators = len({p.operator for p in self.photos if p.operator})
        most = max(Counter((p.part, p.operator) for p in self.photos).values())
        said = [f"{count(len(self.photos), 'photograph')} of {count(parts, 'part')}"]
        if operators:
            said.append(f"by {count(operators, 'operator')}")
        if most > 1:
            said.append(f"up to {most} of each" + (" by each of them" if operators > 1 else ""))
        return ", ".join(said) + "."


def count(number: int, noun: str) -> str:
    """``1 part``, ``2 parts``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def pictures_in(folder: Path) -> tuple[list[str], list[str]]:
    """Return the names of a folder's photographs, and of what is none, in natural order.

    Raises
    ------
    BadInput
        ``no_folder``.
    """
    try:
        files = [path for path in folder.iterdir() if path.is_file()]
    except OSError as error:
        raise BadInput(
            "no_folder",
            f"The folder {visible_text(str(folder))} cannot be read: {error.strerror or error}.",
            "Give the folder that holds the lot's photographs.",
        ) from error
    names = sorted((p.name for p in files if not p.name.startswith(".")), key=natural)
    pictures = [n for n in names if Path(n).suffix.lower() in PICTURES]
    others = [n for n in names if Path(n).suffix.lower() not in (*PICTURES, *BESIDE)]
    return pictures, others


def plan_from_names(names: Sequence[str]) -> tuple[Planned, ...]:
    """Read the plan from names: ``PART-OPERATOR-REPEAT``, ``PART-REPEAT`` or ``PART``.

    Parameters
    ----------
    names
        Of the photographs.

    Raises
    ------
    BadInput
        ``names_unclear`` where they do not all have one form, or two say the same.
    """
    pieces = {name: Path(name).stem.split("-") for name in names}
    kinds = {len(p) for p in pieces.values()}
    form = kinds.pop() if len(kinds) == 1 else 0
    numbered = all(p[-1].isascii() and p[-1].isdigit() for p in pieces.values())
    if form == 1:
        planned = [Planned(n, p[0]) for n, p in pieces.items()]
    elif form == 2 and numbered:
        planned = [Planned(n, p[0], "", int(p[1])) for n, p in pieces.items()]
    elif form == 3 and numbered:
        planned = [Planned(n, p[0], p[1], int(p[2])) for n, p in pieces.items()]
    else:
        shown = ", ".join(_on_one_line(name) for name in _odd_ones(pieces)[:NAMED])
        raise BadInput(
            "names_unclear",
            f"The names do not say which part each photograph shows, such as: {shown}.",
            "Name all of them PART-OPERATOR-REPEAT, such as P01-ines-1.jpg, or PART-REPEAT, or "
            "PART; or give a CSV file with the columns photo, part, operator, repeat.",
        )
    return checked(planned)


def _odd_ones(pieces: Mapping[str, Sequence[str]]) -> list[str]:
    """The names that keep a folder's names from having one form, as far as they can be told."""

    def form(parts: Sequence[str]) -> tuple[int, bool]:
        return len(parts), len(parts) == 1 or (parts[-1].isascii() and parts[-1].isdigit())

    forms = Counter(form(parts) for parts in pieces.values())
    usable = [f for f in forms if f[0] <= 3 and f[1]]
    if not usable:
        return list(pieces)
    usual = max(usable, key=forms.__getitem__)
    return [name for name, parts in pieces.items() if form(parts) != usual]


def _on_one_line(name: str) -> str:
    return " ".join(visible_text(name)[:LONGEST_NAME].split())


def checked(planned: Sequence[Planned]) -> tuple[Planned, ...]:
    """Check a plan from whatever source.

    Raises
    ------
    BadInput
        ``empty_lot``, ``lot_too_large``, ``photo_twice``, ``repeat_twice`` or ``bad_name``.
    """
    if not planned:
        raise BadInput(
            "empty_lot",
            "The lot has no photograph.",
            f"Give a folder with photographs ({', '.join(PICTURES[:2])}, … {PICTURES[-1]}).",
        )
    if len(planned) > MOST_PHOTOS:
        raise BadInput(
            "lot_too_large",
            f"The lot has {len(planned)} photographs, more than {MOST_PHOTOS}.",
            "Split it.",
        )
    files: set[str] = set()
    places: dict[tuple[str, str, int], str] = {}
    for one in planned:
        for what, text in (("part", one.part), ("operator", one.operator)):
            if len(text) > LONGEST_NAME or (what == "part" and not text.strip()):
                raise BadInput(
                    "bad_name",
                    f"The photograph {visible_text(one.file)[:LONGEST_NAME]} names no {what} "
                    "or one too long.",
                    f"Give it a name of 1 to {LONGEST_NAME} letters.",
                )
        if one.file in files:
            raise BadInput(
                "photo_twice",
                f"The plan names the photograph {visible_text(one.file)} twice.",
                "Keep one of the two lines.",
            )
        files.add(one.file)
        place = (one.part, one.operator, one.repeat)
        if place in places:
            by = f" by {visible_text(one.operator)}" if one.operator else ""
            raise BadInput(
                "repeat_twice",
                f"{visible_text(places[place])} and {visible_text(one.file)} are both repeat "
                f"{one.repeat} of part {visible_text(one.part)}{by}.",
                "Number them 1, 2, 3, or leave the numbers out.",
            )
        places[place] = one.file
    return tuple(planned)


def natural(text: str) -> list[tuple[int, int, str]]:
    """Sort key by which P2 comes before P10."""
    return [
        (0, int(piece), "") if piece.isascii() and piece.isdigit() else (1, 0, piece.casefold())
        for piece in re.split(r"([0-9]{1,15})", text)
        if piece
    ]
