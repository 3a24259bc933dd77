"""A lot's plan from a folder: its names, a CSV file, or a ``lot.json`` with the cards' readings.

::

    photo,part,operator,repeat,subgroup
    P01-ines-1.jpg,P01,Ines,1,Monday

    {"view": "pad", "card_thickness_mm": 0.8, "print_scale": [1.0015, 1.001],
     "name": "", "date": "2026-11-25",
     "photos": [{"photo": "P01-ines-1.jpg", "part": "P01", "operator": "Ines", "repeat": 1}],
     "parts": {"P01": {"pad_squareness": 0.087}}}

In JSON ``pad`` and ``pads`` may stand for ``part`` and ``parts``, ``trial`` for ``repeat``;
fields that nobody asks for are passed over. ``parts`` holds what is truly so, where that is
known.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.json_fields import is_number, parse_json
from fitcheck.lots.plan import (
    NAMED,
    LotPlan,
    Planned,
    checked,
    count,
    pictures_in,
    plan_from_names,
)
from fitcheck.lots.sheets import Sheet, head_of
from fitcheck.measurement import Note
from fitcheck.plain_text import visible_text
from fitcheck.setup import Setup, setup_from
from fitcheck.views import VIEWS

LOT_FILE = "lot.json"
RESULT_TABLES = ("lot-photos.csv", "lot-parts.csv")  # where results lie beside the photographs
MOST_BYTES = 64 * 2**20
COLUMNS = {
    "photo": ("file", "photograph", "picture"),
    "part": ("pad", "piece"),
    "operator": ("by", "who"),
    "repeat": ("trial",),
    "subgroup": ("batch",),
}


def read_plan(
    folder: Path,
    plan: Path | None = None,
    view: str = "",
    setup: Setup | None = None,
) -> LotPlan:
    """Read a lot's plan.

    Parameters
    ----------
    folder
        The photographs' folder.
    plan
        A CSV or JSON file; None to take the folder's ``lot.json`` if it has one, else its only
        CSV file that names photographs and parts, else the photographs' names.
    view
        Of the photographs; empty to take what the JSON file says, else ``pad``.
    setup
        The cards; None to take what the JSON file says, else nothing measured.

    Raises
    ------
    BadInput
        With a sentence that names what cannot be used.
    """
    pictures, others = pictures_in(folder)
    notes: list[Note] = []
    if plan is None:
        plan = folder / LOT_FILE
        if not plan.is_file():
            plan = _only_table(folder, notes)
    raw: Mapping[str, Any] = {}
    if plan is None:
        photos = plan_from_names(pictures) if pictures else checked([])
    elif plan.suffix.lower() == ".json":
        raw = _json(plan)
        photos = _photos(raw.get("photos"))
    else:
        photos = _rows(plan)
    planned = {p.file for p in photos}
    beside = [name for name in pictures if name not in planned]
    if beside:
        notes.append(
            Note(
                "not_in_plan",
                f"{count(len(beside), 'photograph')} of the folder "
                f"{'is' if len(beside) == 1 else 'are'} not in the plan and not measured: "
                f"{_some(beside)}.",
            )
        )
    if others:
        notes.append(
            Note(
                "no_photographs",
                f"{count(len(others), 'file')} of the folder "
                f"{'is no photograph' if len(others) == 1 else 'are no photographs'}: "
                f"{_some(others)}.",
            )
        )
    view = view or str(raw.get("view") or "pad")
    if view not in VIEWS:
        raise BadInput(
            "unknown_view",
            f"There is no view called {visible_text(view)[:40]!r}.",
            f"Choose one of: {', '.join(VIEWS)}.",
        )
    name = str(raw.get("name") or folder.resolve().name)
    return LotPlan(
        folder,
        name[:120],
        view,
        setup or _setup(raw),
        photos,
        str(raw.get("date") or "")[:10],
        _truth(raw),
        tuple(notes),
    )


def _only_table(folder: Path, notes: list[Note]) -> Path | None:
    """The table in a lot's folder that says what its photographs show; None if there is none."""
    tables = [
        path
        for path in sorted(folder.glob("*.[cC][sS][vV]"))
        if path.name not in RESULT_TABLES and _names_photographs(path)
    ]
    if len(tables) > 1:
        notes.append(
            Note(
                "several_tables",
                f"{len(tables)} tables of the folder name photographs, and none of them was used: "
                f"{_some([path.name for path in tables])}.",
                "Name the one that counts with --plan, or take the others out.",
            )
        )
    return tables[0] if len(tables) == 1 else None


def _names_photographs(path: Path) -> bool:
    """Whether a table's head names both columns; what is wrong below is told when it is read."""
    try:
        return {"photo", "part"} <= head_of(path, COLUMNS)
    except BadInput:
        return False


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(visible_text(name) for name in names[:NAMED])
    return shown + (" …" if len(names) > NAMED else "")


def _rows(path: Path) -> tuple[Planned, ...]:
    sheet = Sheet(path, COLUMNS)
    if not {"photo", "part"} <= sheet.columns:
        raise sheet.wrong(
            1, "does not name the columns photo and part", "Begin with photo,part,operator,repeat."
        )
    counted: defaultdict[tuple[str, str], int] = defaultdict(int)
    found = []
    for line, cells in sheet.rows:
        file, part = cells.get("photo", ""), cells.get("part", "")
        if not file or not part:
            missing = "photo" if not file else "part"
            raise sheet.wrong(line, f"names no {missing}", "Fill the field, or delete the line.")
        operator = cells.get("operator", "")
        counted[part, operator] += 1
        repeat = sheet.whole(line, cells, "repeat") or counted[part, operator]
        found.append(Planned(_inside(file), part, operator, repeat, cells.get("subgroup", "")))
    return checked(found)


def _json(path: Path) -> Mapping[str, Any]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadInput("plan_unreadable", f"{path.name} is too large for a plan.", "Split it.")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(
            "plan_unreadable",
            f"The plan {visible_text(path.name)} cannot be read: "
            f"{getattr(error, 'strerror', None) or 'it is not UTF-8 text'}.",
            "Check its name and folder.",
        ) from error
    raw = parse_json(text, "the plan of the lot")
    if not isinstance(raw, dict):
        raise _malformed("holds no object")
    return raw


def _photos(raw: Any) -> tuple[Planned, ...]:
    if not isinstance(raw, list) or not all(isinstance(one, dict) for one in raw):
        raise _malformed("has no list of “photos”")
    counted: defaultdict[tuple[str, str], int] = defaultdict(int)
    found = []
    for place, one in enumerate(raw, start=1):
        file, part = one.get("photo"), one.get("part", one.get("pad"))
        if not isinstance(file, str) or not isinstance(part, str) or not file or not part:
            raise _malformed(f"names no photo or no part in its photograph {place}")
        operator, subgroup = str(one.get("operator", "")), str(one.get("subgroup", ""))
        counted[part, operator] += 1
        repeat = one.get("repeat", one.get("trial", counted[part, operator]))
        if not isinstance(repeat, int) or isinstance(repeat, bool) or repeat < 1:
            raise _malformed(f"has a repeat in its photograph {place} that is not 1, 2, 3 …")
        found.append(Planned(_inside(file), part, operator, repeat, subgroup))
    return checked(found)


def _inside(file: str) -> str:
    """A name that stays in the folder."""
    path = PurePosixPath(file.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or "\0" in file or ":" in path.parts[0]:
        raise BadInput(
            "outside_folder",
            f"The photograph {visible_text(file)[:120]} lies outside the lot's folder.",
            "Copy it into the folder, and give its name there.",
        )
    return str(path)


def _setup(raw: Mapping[str, Any]) -> Setup:
    thickness, scale = raw.get("card_thickness_mm"), raw.get("print_scale")
    if thickness is not None and not is_number(thickness):
        raise _malformed("has a “card_thickness_mm” that is no number")
    if scale is None:
        return setup_from(thickness)
    if not (isinstance(scale, list) and len(scale) == 2 and all(map(is_number, scale))):
        raise _malformed("has a “print_scale” that is not two numbers")
    return setup_from(thickness, (float(scale[0]), float(scale[1])))


def _truth(raw: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    parts = raw.get("parts", raw.get("pads", {}))
    if not isinstance(parts, dict) or not all(isinstance(p, dict) for p in parts.values()):
        raise _malformed("has “parts” that are no objects")
    return {
        str(part): {
            str(name): float(value)
            for name, value in values.items()
            if is_number(value) and math.isfinite(value)
        }
        for part, values in parts.items()
    }


def _malformed(what: str) -> BadInput:
    return BadInput(
        "plan_malformed",
        f"The plan of the lot {what}.",
        'Write {"view": "pad", "photos": [{"photo": "P1.jpg", "part": "P1"}]}.',
    )
