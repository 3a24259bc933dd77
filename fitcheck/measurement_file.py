"""A measurement read back from the JSON that ``fitcheck measure --json`` prints.

What is needed must be right. More than that is passed over: the contract may grow.
"""

from __future__ import annotations

from typing import cast

from fitcheck.json_fields import Fields, check_numbers, is_number
from fitcheck.measurement import (
    CardSeen,
    Characteristic,
    Edge,
    LensFound,
    Measurement,
    Note,
)


def measurement_from_json(raw: object) -> Measurement:
    """Read a measurement as :meth:`fitcheck.measurement.Measurement.to_json` writes it.

    Raises
    ------
    BadInput
        ``invalid`` with the place and what belongs there.
    """
    check_numbers(raw, "the measurement")
    return read_measurement(Fields(raw, "the measurement"))


def read_measurement(f: Fields) -> Measurement:
    """Read a measurement from its fields; see :func:`measurement_from_json`."""
    lens = f.take("lens")
    size = f.take("size_px")
    if size is None:
        size = [0, 0]
    if not (isinstance(size, list) and len(size) == 2 and all(is_number(v) for v in size)):
        f.invalid("“size_px” is not two numbers", "Write width and height in pixels.")
    refused = f.take("refused")
    measurement = Measurement(
        photo=f.text("photo"),
        view=f.text("view"),
        cards=tuple(f.each("cards", _card)),
        lens=None if lens is None else _lens(f.sub(lens, "lens")),
        edges=tuple(f.each("edges", _edge)),
        characteristics=tuple(f.each("characteristics", _characteristic)),
        warnings=tuple(f.each("warnings", _note)),
        refused=None if refused is None else _note(f.sub(refused, "refused")),
        size_px=(int(size[0]), int(size[1])),
        inputs=dict(f.plain("inputs")),
        observed={str(k): str(v) for k, v in f.plain("observed").items()},
    )
    names = [c.name for c in measurement.characteristics]
    if len(set(names)) != len(names):
        f.invalid("a measurement names a characteristic twice", "Keep one of them.")
    return measurement


def _card(f: Fields) -> CardSeen:
    raw = f.take("outline_px")
    if raw is None:
        raw = []
    if not (isinstance(raw, list) and len(raw) in (0, 4) and all(_is_point(p) for p in raw)):
        f.invalid("the outline of a card is not four points", "Write four points of two numbers.")
    outline = tuple((float(x), float(y)) for x, y in cast(list[list[float]], raw))
    return CardSeen(
        f.text("card"), int(f.number("corners", 0.0)), f.number("residual_px", 0.0), outline
    )


def _is_point(raw: object) -> bool:
    return isinstance(raw, list) and len(raw) == 2 and all(is_number(v) for v in raw)


def _lens(f: Fields) -> LensFound:
    lens = LensFound(f.number("focal_px"), f.number("k1", 0.0), f.number("k2", 0.0))
    return lens


def _edge(f: Fields) -> Edge:
    raw = f.take("pixels")
    good = isinstance(raw, list) and len(raw) == 2 and all(_is_point(p) for p in raw)
    if not good:
        f.invalid("an edge has no two points of pixels", "Write two points of two numbers.")
    ends = cast(list[list[float]], raw)
    edge = Edge(
        f.text("edge"),
        ((float(ends[0][0]), float(ends[0][1])), (float(ends[1][0]), float(ends[1][1]))),
        f.number("scatter_mm", 0.0),
        f.text("origin") or "search",
    )
    return edge


def _characteristic(f: Fields) -> Characteristic:
    name, unit = f.text("name"), f.choice("unit", ("mm", "deg"))
    value, u = f.number("value"), f.number("standard_uncertainty")
    interval = f.take("interval95")
    if interval is None:
        interval = [value - 1.96 * u, value + 1.96 * u]
    good = (
        isinstance(interval, list)
        and len(interval) == 2
        and all(is_number(v) for v in interval)
        and interval[0] <= interval[1]
    )
    if not good:
        f.invalid(f"“interval95” of {name[:40]} is not two ends", "Write low and high end.")
    if u <= 0:
        f.invalid(f"“standard_uncertainty” of {name[:40]} is {u:g}", "Write a number above zero.")
    budget = f.plain("budget")
    if not all(is_number(v) and v >= 0 for v in budget.values()):
        f.invalid(
            f"the budget of {name[:40]} has a part below zero", "Write parts of zero or more."
        )
    found = Characteristic(
        name,
        value,
        unit,
        u,
        (float(interval[0]), float(interval[1])),
        {str(k): float(v) for k, v in budget.items()},
    )
    if not name or not unit:
        f.invalid("a characteristic has no “name” or no “unit”", "Write both.")
    return found


def _note(f: Fields) -> Note:
    note = Note(f.text("code"), f.text("message"), f.text("advice"))
    return note
