"""The inspection file: everything about one bow but the pictures, as versioned JSON.

It names the photographs, says what each shows and how it was taken, and holds what was read
with other tools, what was looked at, and the limits that were in force. It is read as
strictly as it is written: an unknown field, a bare number where a unit belongs, NaN, a
duplicate key or a file name that leads out of the folder is refused with a sentence.
"""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, cast

from fitcheck.errors import BadInput
from fitcheck.inspection import (
    ARRANGEMENTS,
    BANDS,
    CONDITION_ITEMS,
    ENDS,
    LIMIT_UNITS,
    PURPOSES,
    SIDES,
    STAGES,
    STRING_PLACES,
    Arrangement,
    Arrow,
    Bow,
    ConditionEntry,
    DrawPoint,
    End,
    EndReadings,
    FeelerReading,
    Inspection,
    Limb,
    LimbReadings,
    LimitEntry,
    PhotoEntry,
    Readings,
    Side,
    StringReading,
    TillerReading,
    placed_by,
)
from fitcheck.json_fields import Fields, check_numbers, invalid, is_number, parse_json
from fitcheck.measurement import Point
from fitcheck.measurement_file import read_measurement
from fitcheck.quantities import Quantity
from fitcheck.views import VIEWS

FORMAT = "fitcheck inspection"
VERSION = 1
FILE_NAME = "inspection.json"
MOST_BYTES = 8_000_000
MOST_DRAW_WEIGHT_LB = 200.0


def read_inspection(path: Path) -> Inspection:
    """Read an inspection file, or the one in a folder.

    Parameters
    ----------
    path
        The file, or a folder that holds ``inspection.json``.

    Returns
    -------
    The inspection.

    Raises
    ------
    BadInput
        ``inspection_unreadable`` if there is no such file or it cannot be read, and every code
        of :func:`parse_inspection`.
    """
    file = path / FILE_NAME if path.is_dir() else path
    try:
        size = file.stat().st_size
        if size > MOST_BYTES:
            raise BadInput(
                "inspection_too_large",
                f"{file} has {size / 1e6:.0f} megabytes; an inspection file has at most "
                f"{MOST_BYTES / 1e6:.0f}.",
                "Keep the photographs beside it, not in it.",
            )
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise BadInput(
            "inspection_unreadable",
            f"The inspection file {file} cannot be read: {error.strerror or error}.",
            f"Give a file, or a folder that holds {FILE_NAME}.",
        ) from error
    except UnicodeDecodeError as error:
        raise BadInput(
            "inspection_unreadable",
            f"The inspection file {file} is not text in UTF-8.",
            "Save it as UTF-8.",
        ) from error
    return parse_inspection(text)


def parse_inspection(text: str) -> Inspection:
    """Read an inspection from the text of its file.

    Raises
    ------
    BadInput
        ``inspection_too_large``, ``too_deep``, ``not_json`` (NaN and duplicate keys too),
        ``inspection_version``, ``invalid`` with the place and what belongs there, or a code
        of :func:`fitcheck.quantities.quantity`.
    """
    if len(text) > MOST_BYTES:
        raise BadInput(
            "inspection_too_large",
            f"The inspection has more than {MOST_BYTES / 1e6:.0f} megabytes of text.",
            "Keep the photographs beside it, not in it.",
        )
    return inspection_from_json(parse_json(text, "the inspection"))


def inspection_from_json(raw: object) -> Inspection:
    """Read an inspection from JSON that is already parsed. Errors as :func:`parse_inspection`."""
    check_numbers(raw, "the inspection")
    top = Fields(raw, "the inspection")
    if top.text("format") != FORMAT:
        raise BadInput(
            "inspection_version",
            f"The file is not an inspection: its “format” is not “{FORMAT}”.",
            "Give a file that fitcheck wrote, or write its first fields as DEVELOPERS.md says.",
        )
    version = top.whole("version")
    if version is None or version < 1:
        raise BadInput(
            "inspection_version",
            "The inspection does not say its “version”.",
            f'Write "version": {VERSION}.',
        )
    if version > VERSION:
        raise BadInput(
            "inspection_version",
            f"The inspection has version {version}; this fitcheck reads up to version {VERSION}.",
            "Use a newer fitcheck.",
        )
    limbs = tuple(top.each("limbs", _limb))
    names = [limb.name for limb in limbs]
    if len(limbs) > 2:
        invalid("“limbs”", f"it names {len(limbs)} limbs; a bow has two", "Name at most two.")
    if len(set(names)) != len(names):
        invalid("“limbs”", "two limbs have the same name", "Give each a name of its own.")
    marks = [limb.marked_for for limb in limbs if limb.marked_for]
    if len(set(marks)) != len(marks):
        invalid(
            "“limbs”", f"both limbs are marked for the {marks[0]} end", "Read their marks again."
        )
    known = _Names(names)
    cards = top.fields("cards")
    result = Inspection(
        purpose=top.choice("purpose", PURPOSES) or "rework",
        stage=top.choice("stage", STAGES) or "as received",
        reference=top.text("reference"),
        date=_date(top),
        customer=top.text("customer"),
        shop=top.text("shop"),
        complaint=top.text("complaint"),
        note=top.text("note"),
        bow=_bow(top.fields("bow")),
        limbs=limbs,
        as_received=_as_received(top.fields("as_received"), known),
        card_thickness=cards.quantity("thickness", "mm"),
        check_bars=_bars(cards),
        photos=tuple(top.each("photos", lambda f: _photo(f, known))),
        readings=_readings(top.fields("readings"), known),
        condition=tuple(top.each("condition", lambda f: _condition(f, known))),
        limits=_limits(top),
    )
    _check_condition(top, result.condition)
    cards.end()
    top.end()
    result.setup()  # refuses a thickness or a check bar that cannot be right
    for photo in result.photos:
        result.setup(photo)
    return result


# Reading, part by part


def _bow(f: Fields) -> Bow:
    bow = Bow(
        f.text("name"),
        f.text("maker"),
        f.text("serial"),
        f.choice("kind", ("recurve", "longbow", "")),
        f.choice("mount", ("belly", "back", "")),
        f.choice("hand", ("right", "left", "")),
        f.quantity("length", "mm"),
        f.quantity("marked_weight", "lb"),
        f.quantity("lightest_arrow", "gr/lb"),
    )
    _above_zero(f, bow, "length", "marked_weight", "lightest_arrow")
    weight = bow.marked_weight
    if weight is not None and weight.value > MOST_DRAW_WEIGHT_LB:
        f.invalid(
            f"“marked_weight” is {weight.typed}",
            f"No bow of this kind draws over {MOST_DRAW_WEIGHT_LB:.0f} lb: write what is marked.",
        )
    f.end()
    return bow


def _limb(f: Fields) -> Limb:
    name = f.text("name").strip()
    if not name:
        f.invalid("a limb has no name", 'Write "name" with the mark on it, or A and B.')
    limb = Limb(
        name,
        cast(End | None, f.choice("marked_for", (*ENDS, "")) or None),
        f.flag("glass", True),
        f.choice("butt_overlay", ("none", "present", "unknown")) or "unknown",
        f.quantity("butt_overlay_thickness", "mm"),
    )
    f.end()
    return limb


def _as_received(f: Fields, known: _Names) -> dict[End, str]:
    found = {end: known.limb(f, end) for end in ENDS}
    f.end()
    given = {end: name for end, name in found.items() if name is not None}
    if len(given) == 2 and given["upper"] == given["lower"]:
        f.invalid(
            "the same limb is named at both ends", "Name the limb that sat at each end on arrival."
        )
    if len(given) == 1 and len(known.names) == 2:
        end, name = next(iter(given.items()))
        other = next(n for n in known.names if n != name)
        given["lower" if end == "upper" else "upper"] = other
    return {end: given[end] for end in ENDS if end in given}


def _bars(f: Fields) -> tuple[Quantity, Quantity] | None:
    bars = f.quantities("check_bars", "mm")
    if not bars:
        return None
    if len(bars) != 2:
        f.invalid(
            "“check_bars” must be two lengths",
            "Measure both bars, along and across the cards, or leave them out.",
        )
    return bars[0], bars[1]


def _photo(f: Fields, known: _Names) -> PhotoEntry:
    view = f.choice("view", tuple(VIEWS))
    if not view:
        f.invalid("a photograph does not say its “view”", f"Choose one of: {', '.join(VIEWS)}.")
    raw = f.take("measurement")
    measurement = None if raw is None else read_measurement(f.sub(raw, "measurement"))
    file = _file_name(f, bool(measurement))
    seating = f.whole("seating")
    hints = _hints(f)
    photo = PhotoEntry(
        file=file,
        view=view,
        end=cast(End | None, f.choice("end", ENDS) or None),
        limb=known.limb(f, "limb"),
        side=cast(Side | None, f.choice("side", SIDES) or None),
        strung=f.flag("strung", False),
        near_card_on=f.choice("near_card_on", ("butt", "riser")) or "butt",
        cards_exchanged=f.flag("cards_exchanged", False),
        seating=1 if seating is None else seating,
        hints=hints,
        as_given=_as_given(f, hints),
        face_step=f.quantity("face_step", "mm"),
        measurement=measurement,
        note=f.text("note"),
    )
    f.end()
    called = f"the photograph {photo.file or '(measured before)'}"
    if not 1 <= photo.seating <= 99:
        f.invalid(f"“seating” of {called} is {photo.seating}", "Count from 1.")
    for name in placed_by(view, photo.near_card_on):
        if getattr(photo, name) is None:
            f.invalid(
                f"{called} shows the view {view} but does not say its “{name}”",
                "Say which end of the riser, which limb and, for a joint, which side it shows.",
            )
    if measurement is not None and measurement.view != view:
        f.invalid(
            f"{called} is said to show the view {view}, "
            f"but its measurement is of the view {measurement.view}",
            "Say which is right.",
        )
    units = VIEWS[view].units
    for one in () if measurement is None else measurement.characteristics:
        if one.name not in units:
            f.invalid(
                f"the measurement of {called} has a characteristic “{one.name[:40]}”, "
                f"which the view {view} does not give",
                f"It gives {', '.join(units)}.",
            )
        if one.unit != units[one.name]:
            f.invalid(
                f"“{one.name}” of {called} is in {one.unit}", f"It is given in {units[one.name]}."
            )
    return photo


def _file_name(f: Fields, measured: bool) -> str:
    name = f.text("file")
    if not name:
        if measured:
            return ""
        f.invalid("a photograph has no “file”", "Name its file, relative to the inspection.")
    windows, posix = PureWindowsPath(name), PurePosixPath(name)
    parts = {*windows.parts, *posix.parts}
    if windows.drive or windows.root or posix.is_absolute() or ".." in parts or "\0" in name:
        f.invalid(
            f"the file name “{name[:60]}” leads out of the inspection's folder",
            "Keep the photographs in that folder or below it.",
        )
    return name


def _hints(f: Fields) -> dict[str, tuple[Point, ...]]:
    raw = f.take("hints")
    if raw is None:
        return {}
    if not isinstance(raw, dict):
        f.invalid("“hints” is not an object of edges", 'Write {"limb_left": [[x, y], [x, y]]}.')
    hints: dict[str, tuple[Point, ...]] = {}
    for edge, points in raw.items():
        good = (
            isinstance(points, list)
            and 2 <= len(points) <= 50
            and all(
                isinstance(p, list) and len(p) == 2 and all(is_number(v) for v in p)
                for p in points
            )
        )
        if not good:
            f.invalid(
                f"the hint for “{edge[:40]}” is not two points of two numbers",
                'Write it as {"limb_left": [[x, y], [x, y]]}, in pixels.',
            )
        hints[edge] = tuple((float(x), float(y)) for x, y in points)
    return hints


def _as_given(f: Fields, hints: dict[str, tuple[Point, ...]]) -> tuple[str, ...]:
    raw = f.take("as_given")
    if raw is None:
        return ()
    names = raw if isinstance(raw, list) else [None]
    if not all(isinstance(edge, str) and edge in hints for edge in names):
        f.invalid(
            "“as_given” is not a list of edges that “hints” has",
            'Name the edges whose hint is to be taken as it lies: ["limb_left"].',
        )
    return tuple(sorted(set(names)))


def _readings(f: Fields, known: _Names) -> Readings:
    draw = f.fields("draw")
    points = tuple(draw.each("points", _draw_point))
    measured_to = draw.choice("measured_to", ("amo", "pivot")) or "amo"
    draw.end()
    ends, limbs = f.fields("ends"), f.fields("limbs")
    readings = Readings(
        riser_length=f.quantity("riser_length", "mm"),
        shelf_above_centre=f.quantity("shelf_above_centre", "mm"),
        rest_height=f.quantity("rest_height", "mm"),
        brace_height=f.quantity("brace_height", "mm"),
        fingers=f.choice("fingers", ("split", "three under", "")),
        tiller=tuple(f.each("tiller", _tiller)),
        draw_measured_to=measured_to,
        draw_points=points,
        arrows=tuple(f.each("arrows", _arrow)),
        ends={end: _end_readings(ends.fields(end)) for end in ENDS if end in ends.left},
        limbs={
            known.name(limbs, name): _limb_readings(limbs.fields(name))
            for name in list(limbs.left)
        },
        feeler=tuple(f.each("feeler", lambda g: _feeler(g, known))),
        string=tuple(f.each("string", _string)),
    )
    _above_zero(f, readings, "riser_length", "brace_height")
    _once(f, "tiller", [f"limbs {t.limbs}" for t in readings.tiller])
    _once(f, "string", [f"the {s.at}, limbs {s.limbs}" for s in readings.string])
    ends.end()
    limbs.end()
    f.end()
    return readings


def _above_zero(f: Fields, thing: object, *names: str) -> None:
    for name in names:
        size: Quantity | None = getattr(thing, name)
        if size is not None and size.value <= 0:
            f.invalid(f"“{name}” is {size.typed}", "Write a quantity above zero, or leave it out.")


def _once(f: Fields, what: str, places: list[str]) -> None:
    """Refuse a second reading of one thing: which of the two counts nobody could tell."""
    twice = next((place for i, place in enumerate(places) if place in places[:i]), None)
    if twice is not None:
        f.invalid(
            f"“{what}” holds two readings for {twice}",
            "Read it again, and write one: the mean, with ± half the range.",
        )


def _tiller(f: Fields) -> TillerReading:
    upper, lower = f.quantity("upper", "mm"), f.quantity("lower", "mm")
    if upper is None or lower is None:
        f.invalid("a tiller reading needs both “upper” and “lower”", "Measure at both limbs.")
    reading = TillerReading(upper, lower, _arrangement(f))
    f.end()
    return reading


def _arrangement(f: Fields) -> Arrangement:
    return cast(Arrangement, f.choice("limbs", ARRANGEMENTS) or "as received")


def _draw_point(f: Fields) -> DrawPoint:
    at, force = f.quantity("at", "mm"), f.quantity("force", "lb")
    if at is None or force is None:
        f.invalid("a point of the draw needs “at” and “force”", 'Write "at": "28 in".')
    if at.value <= 0 or force.value < 0:
        f.invalid(
            f"a point of the draw has {force.typed} at {at.typed}",
            "Write a draw above zero and a force of zero or more.",
        )
    f.end()
    return DrawPoint(at, force)


def _arrow(f: Fields) -> Arrow:
    mass = f.quantity("mass", "gr")
    if mass is None:
        f.invalid("an arrow has no “mass”", "Weigh it, or leave it out.")
    arrow = Arrow(mass, f.text("name"), f.quantity("speed", "fps"))
    _above_zero(f, arrow, "mass", "speed")
    f.end()
    return arrow


def _end_readings(f: Fields) -> EndReadings:
    readings = EndReadings(
        pad_width=f.quantity("pad_width", "mm"),
        pad_length=f.quantity("pad_length", "mm"),
        pad_angle=f.quantity("pad_angle", "deg"),
        pad_to_string=f.quantity("pad_to_string", "mm"),
        centre_to_pad=f.quantity("centre_to_pad", "mm"),
        bolt_to_pin=f.quantity("bolt_to_pin", "mm"),
        butt_line_to_bolt=f.quantity("butt_line_to_bolt", "mm"),
        pin_side=f.choice("pin_side", ("tip", "riser", "")),
        pins=f.choice("pins", ("tight", "snug", "loose", "")),
        bolt_play=f.quantity("bolt_play", "mm"),
        pin_play=f.quantity("pin_play", "mm"),
        removed_from_pad=f.quantity("removed_from_pad", "mm"),
    )
    _above_zero(
        f, readings, "pad_width", "pad_length", "pad_to_string", "centre_to_pad", "bolt_to_pin"
    )
    removed = readings.removed_from_pad
    if removed is not None and removed.value < 0:
        f.invalid(f"“removed_from_pad” is {removed.typed}", "Write a depth of zero or more.")
    f.end()
    return readings


def _limb_readings(f: Fields) -> LimbReadings:
    readings = LimbReadings(
        *(
            f.quantity(name, "mm")
            for name in ("working_limb", "fade_out", "pivot_to_nock", "along_string")
        )
    )
    f.end()
    return readings


def _feeler(f: Fields, known: _Names) -> FeelerReading:
    end, side = f.choice("end", ENDS), f.choice("side", SIDES)
    at = f.choice("at", ("butt", "riser end"))
    if not (end and side and at):
        f.invalid(
            "a feeler reading does not say its “end”, “side” and “at”",
            'Write "end": "upper", "side": "left", "at": "butt" or "riser end".',
        )
    reading = FeelerReading(
        cast(End, end),
        cast(Side, side),
        at,
        known.limb(f, "limb"),
        f.quantity("enters", "mm"),
        f.quantity("does_not_enter", "mm"),
    )
    f.end()
    if reading.enters is None and reading.does_not_enter is None:
        f.invalid("a feeler reading has no blade", "Write the blade that enters or does not.")
    _above_zero(f, reading, "does_not_enter")
    if reading.enters is not None and reading.enters.value < 0:
        f.invalid(f"“enters” is {reading.enters.typed}", "Write a blade of zero or more.")
    if (
        reading.enters is not None
        and reading.does_not_enter is not None
        and reading.enters.value >= reading.does_not_enter.value
    ):
        f.invalid(
            "a feeler blade enters that is no thinner than one that does not", "Read it again."
        )
    return reading


def _string(f: Fields) -> StringReading:
    off = f.quantity("off", "mm")
    at = f.choice("at", STRING_PLACES)
    toward = f.choice("toward", (*SIDES, "centre"))
    if off is None or not at or not toward:
        f.invalid(
            "a string reading does not say “at”, “off” and “toward”",
            'Write "at": "grip", "off": "1/16 in", "toward": "left".',
        )
    reading = StringReading(at, off, toward, _arrangement(f))
    f.end()
    if off.value < 0 or (toward == "centre" and off.value != 0):
        f.invalid(
            "a string reading is off by an amount that its side does not match",
            "Write an amount of zero or more, and the side it is toward.",
        )
    return reading


def _check_condition(top: Fields, lines: tuple[ConditionEntry, ...]) -> None:
    """Refuse one thing at one place that was both found and not found."""
    said: dict[tuple[str, str | None, End | None], bool] = {}
    for line in lines:
        if said.setdefault((line.item, line.limb, line.end), line.found) != line.found:
            top.invalid(
                f"the condition “{line.item}” is both found and not found at the same place",
                "Look again, and keep the line that is true.",
            )


def _condition(f: Fields, known: _Names) -> ConditionEntry:
    item = f.choice("item", CONDITION_ITEMS)
    if not item:
        f.invalid("a line of “condition” has no “item”", "Name what was looked for.")
    raw = f.take("found")
    if not isinstance(raw, bool):
        f.invalid(
            f"the condition “{item}” does not say whether it was found",
            'Write "found": true or false; leave the line out if nobody looked.',
        )
    entry = ConditionEntry(
        item,
        raw,
        known.limb(f, "limb"),
        cast(End | None, f.choice("end", ENDS) or None),
        f.text("note"),
    )
    f.end()
    return entry


def _limits(top: Fields) -> dict[str, LimitEntry]:
    f = top.fields("limits")
    limits = {}
    for name in list(f.left):
        if name not in LIMIT_UNITS:
            f.invalid(
                f"there is no limit called “{name[:40]}”", f"Known are: {', '.join(LIMIT_UNITS)}."
            )
        own = f.fields(name)
        unit, count = LIMIT_UNITS[name], 2 if name in BANDS else 1
        good, rework = own.quantities("good", unit), own.quantities("rework", unit)
        if len(good) != count or len(rework) != count:
            own.invalid(
                f"the limit “{name}” needs {count} number{'s' * (count > 1)} for each of “good” "
                "and “rework”",
                "Write both, with their unit.",
            )
        low_good, high_good = good[0].value, good[-1].value
        low, high = rework[0].value, rework[-1].value
        ordered = low < low_good < high_good < high if count == 2 else 0 < high_good < high
        if not ordered:
            own.invalid(
                f"the limits of “{name}” are not in order",
                "The good limit must be above zero and inside the rework limit.",
            )
        limits[name] = LimitEntry(
            good, rework, own.choice("mark", ("", "P", "C", "M", "D")), own.text("note")
        )
        own.end()
    f.end()
    return limits


def _date(top: Fields) -> str:
    text = top.text("date")
    if text and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        top.invalid(f"“date” is “{text[:20]}”", "Write it as 2026-11-25.")
    return text


# Writing


def inspection_to_json(inspection: Inspection) -> dict[str, Any]:
    """Return the inspection as its file holds it; :func:`inspection_from_json` reads it back."""
    readings = inspection.readings
    draw: dict[str, Any] = {}
    if readings.draw_points:
        draw = {
            "measured_to": readings.draw_measured_to,
            "points": [_record(p) for p in readings.draw_points],
        }
    record: dict[str, Any] = _without_empty(
        {
            "format": FORMAT,
            "version": VERSION,
            "purpose": inspection.purpose,
            "stage": inspection.stage,
            "reference": inspection.reference,
            "date": inspection.date,
            "customer": inspection.customer,
            "shop": inspection.shop,
            "complaint": inspection.complaint,
            "note": inspection.note,
            "bow": _record(inspection.bow),
            "limbs": [{**_record(limb), "glass": limb.glass} for limb in inspection.limbs],
            "as_received": dict(inspection.as_received),
            "cards": {
                "thickness": _typed(inspection.card_thickness),
                "check_bars": [_typed(bar) for bar in inspection.check_bars or ()],
            },
            "photos": [_photo_record(photo) for photo in inspection.photos],
            "readings": {
                **{
                    name: _typed(getattr(readings, name))
                    for name in (
                        "riser_length",
                        "shelf_above_centre",
                        "rest_height",
                        "brace_height",
                    )
                },
                "fingers": readings.fingers,
                "tiller": [_record(t) for t in readings.tiller],
                "draw": draw,
                "arrows": [_record(a) for a in readings.arrows],
                "ends": {end: _record(r) for end, r in readings.ends.items()},
                "limbs": {name: _record(r) for name, r in readings.limbs.items()},
                "feeler": [_record(r) for r in readings.feeler],
                "string": [_record(r) for r in readings.string],
            },
            "condition": [{**_record(c), "found": c.found} for c in inspection.condition],
            "limits": {
                name: {
                    "good": _one_or_two(limit.good),
                    "rework": _one_or_two(limit.rework),
                    "mark": limit.mark,
                    "note": limit.note,
                }
                for name, limit in inspection.limits.items()
            },
        }
    )
    return record


def _photo_record(photo: PhotoEntry) -> dict[str, Any]:
    record = _record(photo)
    record.update(
        strung=photo.strung,
        cards_exchanged=photo.cards_exchanged,
        hints={edge: [list(p) for p in points] for edge, points in photo.hints.items()},
        as_given=list(photo.as_given),
        measurement=None if photo.measurement is None else photo.measurement.to_json(),
    )
    if photo.view != "sight":
        del record["near_card_on"]
    return record


def _record(thing: object) -> dict[str, Any]:
    """Return a record's fields, quantities as they were typed."""
    fields = vars(thing)
    return {name: _typed(v) if isinstance(v, Quantity) else v for name, v in fields.items()}


def _typed(given: Quantity | None) -> str | None:
    return None if given is None else given.typed


def _one_or_two(given: tuple[Quantity, ...]) -> Any:
    return given[0].typed if len(given) == 1 else [q.typed for q in given]


def _without_empty(thing: Any) -> Any:
    """Leave out what is empty; False and 0 are not empty. A measurement stays as it is."""
    if isinstance(thing, dict):
        if "characteristics" in thing:
            return thing
        kept = {name: _without_empty(v) for name, v in thing.items()}
        return {name: v for name, v in kept.items() if v not in (None, "", [], {}, ())}
    if isinstance(thing, list):
        return [_without_empty(v) for v in thing]
    return thing


class _Names:
    """Names of the limbs that the inspection knows."""

    def __init__(self, names: list[str]) -> None:
        self.names = names

    def limb(self, f: Fields, field_name: str) -> str | None:
        name = f.text(field_name)
        return self.name(f, name) if name else None

    def name(self, f: Fields, name: str) -> str:
        if name not in self.names:
            listed = ", ".join(self.names) or "none"
            f.invalid(
                f"there is no limb called “{name[:40]}”",
                f"Limbs named under “limbs”: {listed}.",
            )
        return name
