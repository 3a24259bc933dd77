"""The numbers of a lot: one value of one characteristic from one photograph, or from a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.lots.plan import LONGEST_NAME, Planned
from fitcheck.lots.sheets import Sheet
from fitcheck.measurement import Measurement
from fitcheck.plain_text import visible_text
from fitcheck.units import MM_PER_INCH
from fitcheck.views import VIEWS

COLUMNS = {
    "photo": ("file", "photograph"),
    "part": ("pad", "piece"),
    "operator": ("by", "who"),
    "repeat": ("trial",),
    "subgroup": ("batch",),
    "characteristic": ("name",),
    "value": (),
    "unit": (),
    "standard_uncertainty": ("u",),
    "warnings": (),
}
# As tables write them: the unit that is kept, and how many of it one is.
UNITS = {
    "mm": ("mm", 1.0),
    "in": ("mm", MM_PER_INCH),
    "inch": ("mm", MM_PER_INCH),
    "deg": ("deg", 1.0),
    "°": ("deg", 1.0),
}
EXPANDED = 1.96  # where only a standard uncertainty is stated
KNOWN_UNITS = {name: unit for view in VIEWS.values() for name, unit in view.units.items()}
STATED = "as stated"  # source of an uncertainty that came without a budget


@dataclass(frozen=True, slots=True)
class Value:
    """One number.

    Attributes
    ----------
    photo, part, operator, repeat, subgroup
        As in :class:`fitcheck.lots.plan.Planned`; the photograph may be empty in a table.
    characteristic, value, unit
        What it is; ``"mm"`` or ``"deg"``.
    standard_uncertainty
        In the same unit; None where nobody states one.
    budget
        Source to standard uncertainty.
    warnings
        Codes of the photograph's warnings.
    expanded
        Half the width of its 95 % interval; None where nobody states one.
    """

    photo: str
    part: str
    operator: str
    repeat: int
    subgroup: str
    characteristic: str
    value: float
    unit: str
    standard_uncertainty: float | None = None
    budget: Mapping[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    expanded: float | None = None


def values_of(planned: Planned, found: Measurement) -> Iterator[Value]:
    """Return the numbers of one photograph; none if it was refused."""
    codes = tuple(dict.fromkeys(note.code for note in found.warnings))
    for one in found.characteristics:
        yield Value(
            planned.file,
            planned.part,
            planned.operator,
            planned.repeat,
            planned.subgroup,
            one.name,
            one.value,
            one.unit,
            one.standard_uncertainty,
            one.budget,
            codes,
            one.expanded_uncertainty,
        )


def read_values(path: Path) -> list[Value]:
    """Read numbers from a table: such as a lot's own results, or those of other gauges.

    Columns ``part``, ``value`` and ``unit`` are needed; ``characteristic``, ``operator``,
    ``repeat``, ``subgroup``, ``standard_uncertainty``, ``photo`` and ``warnings`` may be there.
    Lines without a value, as of a photograph that was refused, are passed over. Inches are
    turned into millimetres.

    Raises
    ------
    BadInput
        With the line that cannot be used.
    """
    sheet = Sheet(path, COLUMNS)
    missing = [name for name in ("part", "value", "unit") if name not in sheet.columns]
    if missing:
        raise sheet.wrong(
            1,
            f"does not name the column {missing[0]}",
            "Begin with part,operator,repeat,characteristic,value,unit,standard_uncertainty.",
        )
    units: dict[str, str] = {}
    found = []
    counted: dict[tuple[str, str, str], int] = {}
    seen: set[tuple[str, str, str, int]] = set()
    for line, cells in sheet.rows:
        value = sheet.number(line, cells, "value")
        if value is None:
            continue
        name = cells.get("characteristic", "") or "value"
        part, written = cells.get("part", ""), cells.get("unit", "")
        if not part or len(part) > LONGEST_NAME:
            raise sheet.wrong(line, "names no part, or one too long", "Fill the field.")
        if written.lower() not in UNITS:
            raise sheet.wrong(
                line, f"has the unit {visible_text(written)[:20]!r}", "Write mm, in or deg."
            )
        unit, factor = UNITS[written.lower()]
        value *= factor
        if name in KNOWN_UNITS and KNOWN_UNITS[name] != unit:
            raise sheet.wrong(
                line,
                f"has {name} in {unit}; its limits are in {KNOWN_UNITS[name]}",
                f"Give it in {KNOWN_UNITS[name]}, or call it by another name.",
            )
        if units.setdefault(name, unit) != unit:
            raise sheet.wrong(
                line,
                f"has {visible_text(name)[:40]} in {unit} and not in {units[name]}",
                "Use one.",
            )
        u = sheet.number(line, cells, "standard_uncertainty")
        if u is not None and u <= 0:
            raise sheet.wrong(
                line, f"has the standard uncertainty {u:g}", "Write a number above zero or none."
            )
        u = None if u is None else u * factor
        operator = cells.get("operator", "")
        place = (part, operator, name)
        counted[place] = counted.get(place, 0) + 1
        repeat = sheet.whole(line, cells, "repeat") or counted[place]
        if (*place, repeat) in seen:
            raise sheet.wrong(
                line,
                f"is a second repeat {repeat} of {visible_text(name)[:40]} of part "
                f"{visible_text(part)[:40]}",
                "Number the repeats 1, 2, 3, or leave the numbers out.",
            )
        seen.add((*place, repeat))
        found.append(
            Value(
                cells.get("photo", ""),
                part,
                operator,
                repeat,
                cells.get("subgroup", ""),
                name,
                value,
                unit,
                u,
                {} if u is None else {STATED: u},
                tuple(cells.get("warnings", "").split()),
                None if u is None else EXPANDED * u,
            )
        )
    if not found:
        raise BadInput(
            "empty_lot",
            f"The table {visible_text(path.name)} holds no value.",
            "Give one line for each value, with part, value and unit.",
        )
    return found
