"""A JSON document as fields, each with a path: what differs, and putting one field in place.

Paths are in the manner of JSON Pointer (RFC 6901): ``/bow/name``. An item of a list is named by
what identifies it, not by its number, so that two people can each add one:
``/photos/[file=seat.jpg]/view``. Lists whose items nothing identifies are one field.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from fitcheck.errors import BadInput
from fitcheck.store.strict_json import same_json

# Names that tell the items of a list apart; the first set that does so is used.
IDENTIFYING: Final = (
    ("sha256",),
    ("file",),
    ("id",),
    ("name",),
    ("item", "limb", "end"),
    ("end", "limb", "side", "at"),
    ("limbs", "at"),
    ("limbs",),
    ("at",),
)


class _Absent:
    """There is no such field."""

    def __repr__(self) -> str:
        return "ABSENT"


ABSENT: Final = _Absent()

Edits = Mapping[str, Any]  # path to its new value; ABSENT takes the field away


def edits_between(before: Any, after: Any) -> dict[str, Any]:
    """Return the edits that make one document of another.

    Returns
    -------
    Path to new value, as few and as small as they can be; empty if nothing differs.
    """
    edits: dict[str, Any] = {}
    _compare("", before, after, edits)
    return edits


def with_edit(document: Any, path: str, value: Any) -> Any:
    """Return the document with one field set, or taken away by ``ABSENT``.

    The document given is left as it is. Objects and lists on the way are made.

    Raises
    ------
    BadInput
        ``field_unreachable`` if something else than an object or a list stands on the way.
    """
    return _set(document, _segments(path), value, path)


def value_at(document: Any, path: str) -> Any:
    """Return the value of a field, ``ABSENT`` if there is none."""
    for segment in _segments(path):
        place = _find(document, segment)
        if place is None:
            return ABSENT
        document = document[place]
    return document


def overlap(one: str, other: str) -> bool:
    """Tell whether two paths are the same field, or one lies inside the other."""
    return one == other or one.startswith(f"{other}/") or other.startswith(f"{one}/")


def _compare(path: str, before: Any, after: Any, edits: dict[str, Any]) -> None:
    if isinstance(after, dict) and (before is ABSENT or isinstance(before, dict)):
        known: dict[str, Any] = before if isinstance(before, dict) else {}
        if not after and before is ABSENT:
            edits[path] = {}
        for name in [*known, *(name for name in after if name not in known)]:
            inside = f"{path}/{_escaped(name)}"
            _compare(inside, known.get(name, ABSENT), after.get(name, ABSENT), edits)
    elif isinstance(after, list) and (before is ABSENT or isinstance(before, list)):
        _compare_lists(path, before, after, edits)
    elif after is ABSENT or before is ABSENT:
        if after is not before:
            edits[path] = after
    elif not same_json(before, after):
        edits[path] = after


def _compare_lists(path: str, before: Any, after: list[Any], edits: dict[str, Any]) -> None:
    known: list[Any] = [] if before is ABSENT else before
    if before is not ABSENT and same_json(known, after):
        return
    one_field = True
    names = _identifying(known, after)
    if names is not None and after:
        inside: dict[str, Any] = {}
        was = {_item_segment(item, names): item for item in known}
        now = {_item_segment(item, names): item for item in after}
        for segment in [*was, *(s for s in now if s not in was)]:
            if segment in was and segment in now:
                _compare(f"/{segment}", was[segment], now[segment], inside)
            else:
                inside[f"/{segment}"] = now.get(segment, ABSENT)
        made: Any = known
        for inner, value in inside.items():
            made = with_edit(made, inner, value)
        # Not where items changed places, or came in between: order is a matter of the list.
        one_field = not same_json(made, after)
        if not one_field:
            edits.update({path + inner: value for inner, value in inside.items()})
    if one_field:
        edits[path] = after


def _identifying(*lists: list[Any]) -> tuple[str, ...] | None:
    """Names that tell the items apart in each of the lists, None if there are none such."""
    for names in IDENTIFYING:
        if all(_told_apart(items, names) for items in lists):
            return names
    return None


def _told_apart(items: list[Any], names: tuple[str, ...]) -> bool:
    segments = {_item_segment(item, names) for item in items}
    return "" not in segments and len(segments) == len(items)


def _item_segment(item: Any, names: tuple[str, ...]) -> str:
    """Segment of a path that names an item; empty if these names do not identify it."""
    if not isinstance(item, dict) or not isinstance(item.get(names[0]), str):
        return ""
    said = []
    for name in names:
        value = item.get(name)
        if value is None:
            continue
        if not isinstance(value, str):
            return ""
        said.append(f"{name}={value.replace('%', '%25').replace('&', '%26')}")
    return f"[{_escaped('&'.join(said))}]"


def _escaped(name: str) -> str:
    escaped = name.replace("~", "~0").replace("/", "~1")
    return f"~2{escaped[1:]}" if escaped.startswith("[") else escaped


def _segments(path: str) -> list[str]:
    if path and not path.startswith("/"):
        raise ValueError(f"a path begins with a slash, got {path!r}")
    return path.split("/")[1:]


def _name(segment: str) -> str:
    if segment.startswith("~2"):
        segment = f"[{segment[2:]}"
    return segment.replace("~1", "/").replace("~0", "~")


def _find(place: Any, segment: str) -> Any:
    """Key or index of a segment in an object or list; None if it is not there."""
    if isinstance(place, dict) and not segment.startswith("["):
        name = _name(segment)
        return name if name in place else None
    if isinstance(place, list) and segment.startswith("["):
        for names in IDENTIFYING:
            for index, item in enumerate(place):
                if _item_segment(item, names) == segment:
                    return index
    return None


def _set(place: Any, segments: list[str], value: Any, path: str) -> Any:
    if not segments:
        return value
    segment, *rest = segments
    is_item = segment.startswith("[")
    if place is ABSENT:
        if value is ABSENT:
            return ABSENT
        place = [] if is_item else {}
    if not isinstance(place, list if is_item else dict):
        raise _unreachable(path)
    found = _find(place, segment)
    if is_item and found is None and rest:
        raise _unreachable(path)  # the item that it lies in is gone
    inside = _set(ABSENT if found is None else place[found], rest, value, path)
    changed: Any = place.copy()
    if inside is ABSENT:
        if found is not None:
            del changed[found]
    elif is_item and found is None:
        changed.append(inside)
    else:
        changed[found if is_item else _name(segment)] = inside
    return changed


def _unreachable(path: str) -> BadInput:
    return BadInput(
        "field_unreachable",
        f"There is no place for {path} in the inspection.",
        "Open the inspection again and make the change once more.",
    )
