"""The inspection's document: what the store keeps, the page changes, and findings are made of.

It is the inspection file of :mod:`fitcheck.inspection_file`, field for field, as far as it has
been filled in. What the page needs besides is few fields of its own, named here, which are left
out of the file: a photograph's hash, and what was ticked off on the rework list.
"""

from __future__ import annotations

import copy
import datetime
import re
from collections.abc import Iterator, Mapping
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.inspection import ENDS, PADS_ALONE, Inspection, placed_by
from fitcheck.inspection_file import FORMAT, VERSION, inspection_from_json
from fitcheck.store.fields import ABSENT, value_at
from fitcheck.views import VIEWS

# Fields of the page's own. The inspection file does not know them.
OWN = ("done", "before")
OWN_OF_PHOTO = ("sha256", "title", "setup")

_BARE = re.compile(r"[+\u2212-]?\d+(?:[.,]\d*)?|[+\u2212-]?[.,]\d+")
_BARE_FRACTION = re.compile(r"[+\u2212-]?(?:\d+(?:\s+|-))?\d+\s*/\s*\d+")

# Records that say nothing without these fields: while one is being typed in, the others of the
# inspection are judged without it.
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "tiller": ("upper", "lower"),
    "arrows": ("mass",),
    "string": ("at", "off", "toward"),
    "feeler": ("end", "side", "at"),
}


def begun(purpose: str, stage: str = "as received") -> dict[str, Any]:
    """Return the document of an inspection that is begun today.

    Parameters
    ----------
    purpose, stage
        As in the inspection file.
    """
    document: dict[str, Any] = {
        "purpose": purpose,
        "stage": stage,
        "date": datetime.date.today().isoformat(),
    }
    if not pads_alone(document):
        document["limbs"] = [{"name": "1"}, {"name": "2"}]
        document["as_received"] = {"upper": "1", "lower": "2"}
    return document


def pads_alone(document: Mapping[str, Any]) -> bool:
    """Whether a document, or a store's labels of it, asks for nothing but a riser's pads."""
    return document.get("purpose") == PADS_ALONE


def after_rework(document: Mapping[str, Any], identity: str) -> dict[str, Any]:
    """Return the document of the inspection after the rework of one: same bow, no readings.

    Parameters
    ----------
    document, identity
        Of the inspection before.
    """
    kept = ("purpose", "customer", "shop", "reference", "complaint", "bow", "limbs", "cards")
    again = begun("customer", "after rework")
    again |= {name: copy.deepcopy(document[name]) for name in kept if name in document}
    if "limbs" in document:
        again["as_received"] = copy.deepcopy(document.get("as_received", {}))
    else:
        again.pop("limbs", None)
        again.pop("as_received", None)
    again["before"] = identity
    return again


def copied(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return the document of a copy: all that was typed, without the photographs."""
    again = {name: copy.deepcopy(v) for name, v in document.items() if name != "photos"}
    again.pop("done", None)
    again["date"] = datetime.date.today().isoformat()
    return again


def with_unit(typed: str, unit: str) -> str:
    """Give a quantity its unit where it has none.

    Parameters
    ----------
    typed
        As it was typed.
    unit
        That a bare number is meant in. A bare fraction is of an inch where lengths are meant:
        nobody says 3/64 of a millimetre.

    Returns
    -------
    The text with its unit; as it was where it has one, or is no number.
    """
    text = " ".join(typed.split())
    if unit in ("mm", "in") and _BARE_FRACTION.fullmatch(text):
        return f"{text} in"
    return f"{text} {unit}" if _BARE.fullmatch(text) else text


def upgraded(document: Any) -> Any:
    """Return a document of an earlier page in the form of the inspection file.

    Then lengths were kept without their unit, meant in millimetres, and a face step held for
    all photographs. What is not of that form is left as it is.
    """
    if not isinstance(document, dict):
        return document
    cards, readings = document.get("cards"), document.get("readings")
    new = dict(document)
    if isinstance(cards, dict):
        filled = {n: _lengths_with_unit(v) for n, v in cards.items() if v is not None}
        bars = filled.get("check_bars")
        if bars != cards.get("check_bars") or filled != cards:
            new["cards"] = filled
    if isinstance(readings, dict) and isinstance(readings.get("face_step"), str):
        step = with_unit(readings["face_step"], "mm")
        new["readings"] = {n: v for n, v in readings.items() if n != "face_step"}
        if not new["readings"]:
            del new["readings"]
        if isinstance(photos := document.get("photos"), list):
            new["photos"] = [
                {**p, "face_step": step}
                if isinstance(p, dict) and p.get("view", "seat") == "seat" and "setup" not in p
                else p
                for p in photos
            ]
    return new


def _lengths_with_unit(value: Any) -> Any:
    if isinstance(value, str):
        return with_unit(value, "mm")
    return [_lengths_with_unit(v) for v in value] if isinstance(value, list) else value


def photos_of(document: Any) -> Iterator[dict[str, Any]]:
    """Yield what a document, which may come from anywhere, says of each of its photographs."""
    photos = document.get("photos") if isinstance(document, dict) else None
    for photo in photos if isinstance(photos, list) else []:
        if isinstance(photo, dict) and isinstance(photo.get("sha256"), str) and photo["sha256"]:
            yield photo


def is_placed(photo: Mapping[str, Any]) -> bool:
    """Tell whether a photograph says what it shows as fully as its view needs."""
    view, near = str(photo.get("view")), str(photo.get("near_card_on"))
    return view in VIEWS and all(photo.get(name) for name in placed_by(view, near))


def inspection_file(document: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Return the inspection file of a document.

    Returns
    -------
    The file as JSON types, and the hashes of its photographs in their order. Photographs that
    do not say yet what they show are not in it, nor records that are not typed in yet.
    """
    kept: dict[str, Any] = {"format": FORMAT, "version": VERSION}
    kept |= {n: copy.deepcopy(v) for n, v in document.items() if n not in (*OWN, "photos")}
    placed = [photo for photo in photos_of(document) if is_placed(photo)]
    names: set[str] = set()
    photos = []
    for photo in placed:
        fields = {n: v for n, v in photo.items() if n not in OWN_OF_PHOTO}
        fields["file"] = _unlike(str(photo.get("file") or "photo"), names)
        if photo["view"] != "sight":
            fields.pop("near_card_on", None)
        if isinstance(given := fields.get("as_given"), list):
            # Of two devices one may have taken a line back that the other takes as it lies.
            marked = fields.get("hints")
            fields["as_given"] = [n for n in given if isinstance(marked, dict) and n in marked]
        photos.append(fields)
    if photos:
        kept["photos"] = photos
    cards = kept.get("cards")
    bars = value_at(document, "/cards/check_bars")
    if isinstance(cards, dict) and isinstance(bars, list) and not all(bars):
        cards.pop("check_bars", None)
    readings = kept.get("readings")
    if isinstance(readings, dict):
        kept["readings"] = _typed_in(readings)
    return kept, [photo["sha256"] for photo in placed]


def inspection_of(document: Mapping[str, Any]) -> tuple[Inspection, list[str]]:
    """Return the inspection that a document describes, and the hashes of its photographs.

    Raises
    ------
    BadInput
        As :func:`fitcheck.inspection_file.inspection_from_json`, and ``one_bar_only`` if one
        check bar is given and the other is not.
    """
    bars = value_at(document, "/cards/check_bars")
    if isinstance(bars, list) and any(bars) and not all(bars):
        raise BadInput(
            "one_bar_only",
            "Only one of the two check bars is given.",
            "A printer can be true one way and not the other: measure both, or leave both empty.",
        )
    raw, hashes = inspection_file(document)
    return inspection_from_json(raw), hashes


def limb_at(document: Mapping[str, Any], end: str) -> str:
    """Name of the limb that sat at an end on arrival; empty if none is named."""
    name = value_at(document, f"/as_received/{end}")
    return name if isinstance(name, str) else ""


def limbs_seated_at(document: Mapping[str, Any], end: str) -> list[str]:
    """Names of the limbs seen at an end: first that on arrival, then those put there since.

    A limb was put there if a photograph or a reading of the feeler gauge says so.
    """
    seen = [limb_at(document, end)]
    records = [*photos_of(document)]
    feeler = value_at(document, "/readings/feeler")
    records += [one for one in feeler if isinstance(one, dict)] if isinstance(feeler, list) else []
    seen += [str(one.get("limb") or "") for one in records if one.get("end") == end]
    return [name for name in dict.fromkeys(seen) if name]


def limb_names(document: Mapping[str, Any]) -> list[str]:
    """Names of the limbs, as they are listed."""
    limbs = document.get("limbs")
    listed = limbs if isinstance(limbs, list) else []
    found = [limb.get("name") for limb in listed if isinstance(limb, dict)]
    return [name for name in found if isinstance(name, str) and name]


def with_limb_renamed(document: Mapping[str, Any], old: str, new: str) -> dict[str, Any]:
    """Return the document with a limb called otherwise, wherever it is named.

    Raises
    ------
    BadInput
        ``limb_name`` if the new name is empty or the other limb's.
    """
    name = " ".join(new.split())
    if not name or (name != old and name in limb_names(document)):
        raise BadInput(
            "limb_name",
            "Each limb needs a name of its own.",
            "Use the mark on the limb, or 1 and 2 written on tape.",
        )

    def renamed(thing: Any) -> Any:
        if isinstance(thing, list):
            return [renamed(item) for item in thing]
        if isinstance(thing, dict):
            return {n: name if n == "limb" and v == old else renamed(v) for n, v in thing.items()}
        return thing

    again: dict[str, Any] = renamed(dict(document))
    again["limbs"] = [
        {**limb, "name": name} if limb.get("name") == old else limb for limb in again["limbs"]
    ]
    at = again.get("as_received")
    if isinstance(at, dict):
        again["as_received"] = {
            e: name if at.get(e) == old else at.get(e) for e in ENDS if e in at
        }
    own = value_at(again, "/readings/limbs")
    if isinstance(own, dict):
        again["readings"] = {
            **again["readings"],
            "limbs": {name if n == old else n: v for n, v in own.items()},
        }
    return again


def filled(thing: Any) -> Any:
    """Leave out what is empty: texts, lists and objects without anything in them."""
    if isinstance(thing, dict):
        kept = {name: filled(value) for name, value in thing.items()}
        return {n: v for n, v in kept.items() if v not in ("", None, [], {})}
    return thing


def _typed_in(readings: Mapping[str, Any]) -> dict[str, Any]:
    kept = dict(readings)
    for name, needed in _NEEDED.items():
        if isinstance(kept.get(name), list):
            kept[name] = [r for r in kept[name] if _has(r, *needed)]
    feeler = kept.get("feeler")
    if isinstance(feeler, list):
        kept["feeler"] = [r for r in feeler if _has(r, "enters") or _has(r, "does_not_enter")]
    draw = kept.get("draw")
    if isinstance(draw, dict) and isinstance(draw.get("points"), list):
        points = [p for p in draw["points"] if _has(p, "at", "force")]
        kept["draw"] = {**draw, "points": points}
    return kept


def _has(record: Any, *names: str) -> bool:
    """Whether a record has all these fields; what is no record is left to be refused."""
    return not isinstance(record, dict) or all(record.get(name) for name in names)


def _unlike(name: str, names: set[str]) -> str:
    """A name that no photograph before has: telephones call every one of them ``image.jpg``."""
    stem, dot, ending = name.rpartition(".")
    stem, dot = (stem, dot) if stem else (name, "")
    tried, number = name, 1
    while tried in names:
        number += 1
        tried = f"{stem} ({number}){dot}{ending if dot else ''}"
    names.add(tried)
    return tried


def value(document: Mapping[str, Any], path: str) -> str:
    """Text of a field; empty where there is none, or something else than a text."""
    found = value_at(document, path)
    return found if found is not ABSENT and isinstance(found, str) else ""
