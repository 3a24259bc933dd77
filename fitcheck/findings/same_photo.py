"""One photograph given twice counts once; said to show two things, it counts for neither.

Photographs of one thing average out what is new in each of them. A copy brings nothing new: it
would only make the result look surer than it is.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace

from fitcheck.inspection import PhotoEntry
from fitcheck.measurement import Measurement, Note

COUNTED_BEFORE = "counted_before"
SHOWS_TWO_THINGS = "shows_two_things"
CODES = frozenset({COUNTED_BEFORE, SHOWS_TWO_THINGS})


def count_once(
    photos: Sequence[PhotoEntry],
    measurements: Sequence[Measurement | None],
    contents: Mapping[int, str],
) -> list[Measurement | None]:
    """Take away what a photograph gave where it is a copy of one that was given before.

    Parameters
    ----------
    photos
        What each photograph is said to show.
    measurements
        One for each of them, in order.
    contents
        SHA-256 of the files' bytes by their place. Where there is no file, its name and what
        was measured from it tell copies.

    Returns
    -------
    The measurements, in order. A copy keeps a warning and no characteristics. Copies in one view
    that are said to show different things all do: one of them at least is wrong, and nobody
    can say which.
    """
    kept = list(measurements)
    groups: dict[Hashable, list[int]] = {}
    for i, (photo, found) in enumerate(zip(photos, measurements, strict=True)):
        if found is not None and found.characteristics:
            groups.setdefault(_identity(i, photo, found, contents), []).append(i)
    for members in groups.values():
        if len(members) < 2:
            continue
        first = members[0]
        names = [_name(photos, kept, i) for i in members]
        if len({_shown(photos[i]) for i in members}) > 1:
            for i in members:
                kept[i] = _emptied(kept[i], _shows_two_things(names))
            continue
        for i in members[1:]:
            note = _counted_before(_name(photos, kept, i), _name(photos, kept, first))
            kept[i] = _emptied(kept[i], note)
    return kept


def _identity(
    place: int, photo: PhotoEntry, found: Measurement, contents: Mapping[int, str]
) -> Hashable:
    if place in contents:
        return photo.view, contents[place]
    values = tuple((c.name, c.value, c.standard_uncertainty) for c in found.characteristics)
    return photo.view, photo.file or found.photo, values


def _shown(photo: PhotoEntry) -> Hashable:
    """What of the bow a photograph is said to show; it can only show one."""
    return photo.end, photo.limb, photo.side, photo.near_card_on, photo.seating


def _name(
    photos: Sequence[PhotoEntry], measurements: Sequence[Measurement | None], place: int
) -> str:
    found = measurements[place]
    return photos[place].file or ("" if found is None else found.photo)


def _emptied(found: Measurement | None, note: Note) -> Measurement | None:
    if found is None:
        return None
    return replace(found, characteristics=(), warnings=(*found.warnings, note))


def _counted_before(name: str, first: str) -> Note:
    if name == first:
        message = f"{name} is given twice: it was counted once."
    else:
        message = f"{name} is the same photograph as {first}: it was counted once."
    return Note(COUNTED_BEFORE, message, "Only another photograph makes a result surer.")


def _shows_two_things(names: Sequence[str]) -> Note:
    names = list(dict.fromkeys(names))
    what = f"{names[0]} is" if len(names) == 1 else f"{' and '.join(names)} are one photograph,"
    return Note(
        SHOWS_TWO_THINGS,
        f"{what} said to show different things: it was not counted.",
        "Say what it shows, and photograph the other.",
    )
