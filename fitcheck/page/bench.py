"""Step "Bench": readings with tape, rule and scale, and the check list of condition."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from fitcheck.findings.condition import ITEMS, RISER_ITEMS
from fitcheck.inspection import ENDS, STRING_PLACES
from fitcheck.page import words
from fitcheck.page.document import limb_names, limbs_seated_at
from fitcheck.page.fields import kept_choice, kept_quantity, kept_text
from fitcheck.page.inspection import Inspection
from fitcheck.page.navigation import CONDITION_OPEN
from fitcheck.page.prepare import CAUTION
from fitcheck.store.fields import value_at

DRAW_ROWS = 10
FEELER_PLACES = ("butt", "riser end")

# Field, label, kind, example, explanation.
_Field = tuple[str, str, str, str, str]
_STRUNG: tuple[_Field, ...] = (
    (
        "brace_height",
        "Brace height",
        "mm",
        "7 5/8 in",
        "From the deepest part of the grip to the strung string.",
    ),
    (
        "riser_length",
        "Riser length",
        "mm",
        "19 in",
        "From end to end along the riser.",
    ),
    (
        "shelf_above_centre",
        "Shelf above the bow’s centre",
        "mm",
        "1 3/16 in",
        "How far the arrow shelf lies above the middle of the riser.",
    ),
    (
        "rest_height",
        "Rest above the shelf",
        "mm",
        "3/8 in",
        "0 in if the arrow is shot from the shelf.",
    ),
)
_PAD: tuple[_Field, ...] = (
    ("pad_width", "Pad’s width", "mm", "1 5/8 in", "Across the pad, at its end."),
    ("pad_length", "Pad’s length", "mm", "3 1/2 in", "Along the pad."),
    (
        "pad_angle",
        "Pad’s angle to the riser",
        "deg",
        "8 deg",
        "Against the riser’s long axis, by a protractor.",
    ),
    (
        "removed_from_pad",
        "Taken off this pad before",
        "mm",
        "0.1 mm",
        "In all its life. A pad has only so much to give.",
    ),
)
_SEAT: tuple[_Field, ...] = (
    ("bolt_to_pin", "Bolt to index pin", "mm", "1 1/2 in", "Between the two centres."),
    (
        "butt_line_to_bolt",
        "Butt line to bolt",
        "mm",
        "1 1/4 in",
        "From the limb’s butt edge to the bolt’s centre.",
    ),
    ("bolt_play", "Bolt play", "mm", "0.10 mm", "Hole less bolt, on the diameter."),
    ("pin_play", "Pin play", "mm", "0.05 mm", "Hole less pin, on the diameter."),
    (
        "pad_to_string",
        "Pad to the strung string",
        "mm",
        "6 in",
        "Square to the string, from the middle of the pad.",
    ),
    (
        "centre_to_pad",
        "Grip to the pad’s end",
        "mm",
        "8 3/4 in",
        "From the deepest part of the grip, along the string.",
    ),
)
_LIMB: tuple[_Field, ...] = (
    (
        "working_limb",
        "Working limb",
        "mm",
        "18 in",
        "The part that bends: from the end of the fade-out to the nock.",
    ),
    (
        "fade_out",
        "Fade-out",
        "mm",
        "6 in",
        "From the pad’s end to where the stiff part of the limb ends.",
    ),
    ("pivot_to_nock", "Pad’s end to nock", "mm", "19 in", "Straight, on the strung bow."),
    ("along_string", "The same along the string", "mm", "18 in", "On the strung bow."),
)


def bench(inspection: Inspection) -> None:
    """Show the step: what the purpose needs is open, all else can be opened."""
    purpose = inspection.text("/purpose") or "rework"
    words.show(
        "<p>Write what you have measured; leave the rest empty. What is not written is named as "
        "not looked at, never guessed in silence. Lengths in inches with fractions "
        "(5 1/4 in) or in millimetres.</p>"
    )
    if inspection.pads_alone:
        for end in ENDS:
            _fields(inspection, f"{end.capitalize()} pad", f"/readings/ends/{end}", _PAD, True)
        _condition(inspection, riser_only=True)
        return
    words.show(CAUTION)
    _condition(inspection, riser_only=False)
    if purpose == "rework":
        with st.expander("Tiller and brace height (bow strung, by stringer)"):
            _tiller(inspection)
            _rows(inspection, "/readings", _STRUNG)
            kept_choice(
                st.container(),
                "Fingers on the string",
                "fingers",
                inspection.text("/readings/fingers"),
                lambda text: inspection.put("/readings/fingers", text),
                {"": "not said", "split": "split", "three under": "three under"},
            )
        with st.expander("Where the string runs"):
            _string(inspection)
        for end in ENDS:
            _seat(inspection, end)
        with st.expander("Feeler gauge at the seams"):
            _feeler(inspection)
        for name in limb_names(inspection.document):
            _fields(inspection, f"Limb {name}", f"/readings/limbs/{_escaped(name)}", _LIMB, False)
        with st.expander("Draw weight and arrows"):
            _draw(inspection)
    else:
        with st.expander("Bench readings, if there are any"):
            _tiller(inspection)
            _rows(inspection, "/readings", _STRUNG)


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")


def _fields(
    inspection: Inspection, title: str, path: str, fields: tuple[_Field, ...], opened: bool
) -> None:
    with st.expander(title, expanded=opened):
        _rows(inspection, path, fields)


def _rows(inspection: Inspection, path: str, fields: tuple[_Field, ...]) -> None:
    columns = st.columns(2)
    for number, (name, label, kind, example, why) in enumerate(fields):
        here = f"{path}/{name}"
        kept_quantity(
            columns[number % 2],
            label,
            f"field-{here}",
            inspection.text(here),
            partial(inspection.put, here),
            kind,
            example=example,
            why=why,
        )


def _seat(inspection: Inspection, end: str) -> None:
    path = f"/readings/ends/{end}"
    with st.expander(f"{end.capitalize()} end: pad, bolt and pin"):
        _rows(inspection, path, (*_PAD, *_SEAT))
        left, right = st.columns(2)
        kept_choice(
            left,
            "The pin lies",
            f"field-{path}/pin_side",
            inspection.text(f"{path}/pin_side"),
            lambda text: inspection.put(f"{path}/pin_side", text),
            {"": "not said", "tip": "on the tip side of the bolt", "riser": "on the grip side"},
        )
        kept_choice(
            right,
            "The pins feel",
            f"field-{path}/pins",
            inspection.text(f"{path}/pins"),
            lambda text: inspection.put(f"{path}/pins", text),
            {"": "not said", "tight": "tight", "snug": "snug", "loose": "loose"},
        )


def _record_quantity(
    inspection: Inspection,
    place: DeltaGenerator,
    label: str,
    path: str,
    match: dict[str, str],
    name: str,
    kind: str,
    *,
    example: str = "",
    why: str | None = None,
) -> None:
    record = inspection.record(path, match)
    kept = record.get(name)
    kept_quantity(
        place,
        label,
        f"record-{path}-{'-'.join(match.values())}-{name}",
        kept if isinstance(kept, str) else "",
        lambda text: inspection.put_record(path, match, {name: text}),
        kind,
        example=example,
        why=why,
    )


def _tiller(inspection: Inspection) -> None:
    words.show(
        '<p class="soft">Tiller: from where the limb leaves the riser, square to the string, at '
        "both limbs. The lower less than the upper is usual.</p>"
    )
    left, right = st.columns(2)
    for place, end in ((left, "upper"), (right, "lower")):
        _record_quantity(
            inspection,
            place,
            f"Tiller at the {end} limb",
            "/readings/tiller",
            {"limbs": "as received"},
            end,
            "mm",
            example="6 1/4 in",
        )


def _string(inspection: Inspection) -> None:
    words.show(
        '<p class="soft">Stand behind the strung bow, or clamp it, and sight the string down the '
        "middle. Left and right are the bow’s, as you face the limbs’ outer faces with the upper "
        "limb up.</p>"
    )
    for at in STRING_PLACES:
        match = {"at": at, "limbs": "as received"}
        left, right = st.columns(2)
        _record_quantity(
            inspection, left, f"Off centre at the {at}", "/readings/string", match, "off", "mm"
        )
        toward = inspection.record("/readings/string", match).get("toward")
        kept_choice(
            right,
            "Toward",
            f"toward-{at}",
            toward if isinstance(toward, str) else "",
            partial(_put_toward, inspection, match),
            {"": "not said", "left": "left", "right": "right", "centre": "in the centre"},
        )


def _put_toward(inspection: Inspection, match: dict[str, str], toward: str) -> None:
    changes = {"toward": toward}
    if toward == "centre":
        changes["off"] = "0 mm"
    inspection.put_record("/readings/string", match, changes)


def _feeler(inspection: Inspection) -> None:
    words.show(
        '<p class="soft">The thickest blade that enters, and the thinnest that does not, at the '
        "butt and at the riser’s end of the seam.</p>"
    )
    for end in ENDS:
        for limb in limbs_seated_at(inspection.document, end):
            for side in ("left", "right"):
                for at in FEELER_PLACES:
                    _feeler_at(inspection, {"end": end, "side": side, "at": at, "limb": limb})


def _feeler_at(inspection: Inspection, match: dict[str, str]) -> None:
    where = (
        f"{match['end'].capitalize()} end, limb {match['limb']}: {match['side']}, {match['at']}"
    )
    words.show(f"<p><strong>{words.text(where)}</strong></p>")
    left, right = st.columns(2)
    for place, label, name in (
        (left, "Enters", "enters"),
        (right, "Does not enter", "does_not_enter"),
    ):
        _record_quantity(inspection, place, label, "/readings/feeler", match, name, "mm")


def _draw(inspection: Inspection) -> None:
    words.show(
        '<p class="soft">Pull on the scale to each length and read the weight; at least two '
        "points, up to the marked draw and never past it. Then an arrow or two.</p>"
    )
    points = value_at(inspection.document, "/readings/draw/points")
    points = [p for p in points if isinstance(p, dict)] if isinstance(points, list) else []
    for row in range(min(DRAW_ROWS, len(points) + 1)):
        point = points[row] if row < len(points) else {}
        left, right = st.columns(2)
        for place, label, name, kind in (
            (left, f"Draw {row + 1}", "at", "mm"),
            (right, f"Weight {row + 1}", "force", "lb"),
        ):
            kept_quantity(
                place,
                label,
                f"draw-{row}-{name}",
                str(point.get(name) or ""),
                partial(_put_point, inspection, row, name),
                kind,
                example="28 in" if name == "at" else "45 lb",
            )
    arrows = value_at(inspection.document, "/readings/arrows")
    count = len(arrows) if isinstance(arrows, list) else 0
    for number in range(1, min(count, 4) + 2):
        match = {"name": f"arrow {number}"}
        if number <= count and isinstance(arrows, list):
            match = {"name": str(arrows[number - 1].get("name") or match["name"])}
        left, right = st.columns(2)
        _record_quantity(
            inspection, left, f"Mass of {match['name']}", "/readings/arrows", match, "mass", "gr"
        )
        _record_quantity(
            inspection,
            right,
            f"Speed of {match['name']}",
            "/readings/arrows",
            match,
            "speed",
            "fps",
        )


def _put_point(inspection: Inspection, row: int, name: str, text: str) -> None:
    points = value_at(inspection.document, "/readings/draw/points")
    points = [dict(p) for p in points] if isinstance(points, list) else []
    while len(points) <= row:
        points.append({})
    points[row][name] = text
    kept = [{n: v for n, v in p.items() if v} for p in points]
    inspection.put("/readings/draw/points", [p for p in kept if p])


# ---- condition ---------------------------------------------------------------------------


def _condition(inspection: Inspection, riser_only: bool) -> None:
    names = [n for n in ITEMS if not riser_only or n in RISER_ITEMS]
    answered = [n for n in names if _entry(inspection, n).get("found") is not None]
    found = [n for n in names if _entry(inspection, n).get("found") is True]
    said = f"Condition: {len(answered)} of {len(names)} looked at"
    if found:
        said += f"; found: {', '.join(ITEMS[name].words for name in found)}"
    words.show(f"<p><strong>{words.text(said)}.</strong></p>")
    # Open or not as it was when the step was come to: it must not close under the finger.
    opened = st.session_state.setdefault(
        CONDITION_OPEN, not riser_only and len(answered) < len(names)
    )
    with st.expander("The list of what to look for", expanded=opened):
        words.show(
            "<p>Fit is not strength. Look for each of these; what nobody looked for is named in "
            "the report.</p>"
        )
        if len(answered) < len(names):
            st.button(
                "I looked for all of the others, and found none",
                key="condition-clear",
                on_click=_all_clear,
                args=(inspection, names),
                help="Only if you did: open each line’s help for how to look.",
            )
        for name in names:
            _condition_line(inspection, name)


def _entry(inspection: Inspection, name: str) -> dict[str, Any]:
    return inspection.record("/condition", {"item": name})


def _condition_line(inspection: Inspection, name: str) -> None:
    item, entry = ITEMS[name], _entry(inspection, name)
    found = entry.get("found")
    kept = {True: "yes", False: "no"}.get(found, "") if isinstance(found, bool) else ""

    def say(answer: str) -> None:
        if not answer:
            inspection.drop_record("/condition", {"item": name})
        else:
            changes: dict[str, Any] = {"found": answer == "yes"}
            if answer == "no":
                changes |= {"limb": None, "end": None, "note": None}
            inspection.put_record("/condition", {"item": name}, changes)

    kept_choice(
        st.container(),
        item.words[:1].upper() + item.words[1:],
        f"condition-{name}",
        kept,
        say,
        {"": "not looked", "no": "no", "yes": "yes"},
        why=item.look,
    )
    if found is True:
        words.show(words.box("caution", f"<strong>{words.text(item.why)}</strong>"))
        left, right = st.columns(2)
        limbs = {"": "not said"} | {n: f"limb {n}" for n in limb_names(inspection.document)}
        if len(limbs) > 1:
            kept_choice(
                left,
                "On which limb",
                f"condition-{name}-limb",
                str(entry.get("limb") or ""),
                lambda limb: inspection.put_record("/condition", {"item": name}, {"limb": limb}),
                limbs,
            )
        kept_text(
            right,
            "What exactly, and where",
            f"condition-{name}-note",
            str(entry.get("note") or ""),
            lambda note: inspection.put_record("/condition", {"item": name}, {"note": note}),
        )


def _all_clear(inspection: Inspection, names: list[str]) -> None:
    for name in names:
        if _entry(inspection, name).get("found") is None:
            inspection.put_record("/condition", {"item": name}, {"found": False})
