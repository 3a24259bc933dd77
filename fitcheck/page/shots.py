"""Which photographs an inspection wants, and what each of them shows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fitcheck.findings.next_photo import NextPhoto
from fitcheck.inspection import ENDS, PLACED_BY, SIDES
from fitcheck.page.document import limb_at, limb_names, pads_alone, photos_of
from fitcheck.views import VIEWS

LONGEST_LIMB_NAME = 60


@dataclass(frozen=True)
class Shot:
    """One photograph to take: what it shows, as the inspection file says it.

    Attributes
    ----------
    view, end, limb, side, near_card_on, cards_exchanged
        As in the inspection file; empty where the view has no such thing.
    optional
        Whether the findings stand without it.
    """

    view: str
    end: str = ""
    limb: str = ""
    side: str = ""
    near_card_on: str = ""
    cards_exchanged: bool = False
    optional: bool = False

    @property
    def fields(self) -> dict[str, Any]:
        """What the document says of a photograph that shows this."""
        said: dict[str, Any] = {"view": self.view}
        for name in ("end", "limb", "side", "near_card_on"):
            if text := getattr(self, name):
                said[name] = text
        if self.cards_exchanged:
            said["cards_exchanged"] = True
        return said

    @property
    def key(self) -> str:
        """A name for it among the others."""
        return "|".join(
            (
                self.view,
                self.end,
                self.limb,
                self.side,
                self.near_card_on,
                "exchanged" if self.cards_exchanged else "",
            )
        )

    @property
    def words(self) -> str:
        """What it shows, for people."""
        return words_of(self.fields)


def words_of(fields: Mapping[str, Any]) -> str:
    """Say what a photograph shows: ``Upper seat, limb 1``."""
    view, end, limb = (str(fields.get(n) or "") for n in ("view", "end", "limb"))
    if view not in VIEWS:
        return "Not said yet what it shows"
    where = f"{end} " if end else ""
    on = f", limb {limb}" if limb else ""
    if view == "seat":
        said = f"{where}seat{on}, from above"
    elif view == "pad":
        said = f"{where}pad, limb off"
    elif view == "joint":
        said = f"{where}seam{on}, from the {fields.get('side') or '…'}"
    elif view == "sight":
        near = "riser" if fields.get("near_card_on") == "riser" else "butt"
        said = f"{where}twist{on}, cards on {near} and tip"
    else:
        said = VIEWS[view].title
    if fields.get("cards_exchanged"):
        said += ", cards exchanged"
    return said[:1].upper() + said[1:]


def shots_for(document: Mapping[str, Any]) -> list[Shot]:
    """Return the photographs that an inspection asks for, in the order to take them."""
    purpose = document.get("purpose")
    if pads_alone(document):
        return [Shot("pad", end) for end in ENDS]
    limbs = {end: limb_at(document, end) for end in ENDS}
    ends = [end for end in ENDS if limbs[end]]
    shots = [Shot("seat", end, limbs[end]) for end in ends]
    shots += [Shot("sight", end, limbs[end], near_card_on="riser") for end in ends]
    if purpose == "rework":
        shots += [Shot("joint", end, limbs[end], side="right") for end in ends]
        shots += [Shot("pad", end) for end in ENDS]
        shots += [
            Shot("sight", end, limbs[end], near_card_on="butt", optional=True) for end in ends
        ]
        other = {"upper": limbs["lower"], "lower": limbs["upper"]}
        if len(ends) == len(ENDS):
            shots += [Shot("seat", end, other[end], optional=True) for end in ENDS]
            shots += [
                Shot("sight", end, other[end], near_card_on="riser", optional=True) for end in ENDS
            ]
    else:
        shots += [Shot("joint", end, limbs[end], side="right", optional=True) for end in ends]
    return shots


def shot_of(fields: Mapping[str, Any]) -> Shot:
    """Return what a photograph shows, as a shot."""
    view, end, limb, side, near = (
        str(fields.get(n) or "") for n in ("view", "end", "limb", "side", "near_card_on")
    )
    if view == "sight" and not near:
        near = "butt"  # as the inspection file has it where nothing is said
    return Shot(view, end, limb, side, near, bool(fields.get("cards_exchanged")))


def taken(document: Mapping[str, Any]) -> dict[str, int]:
    """How many photographs there are of each shot, by its key."""
    count: dict[str, int] = {}
    for fields in photos_of(document):
        key = shot_of(fields).key
        count[key] = count.get(key, 0) + 1
    return count


def next_shot(
    document: Mapping[str, Any],
    good: Mapping[str, int],
    helpful: Sequence[NextPhoto] = (),
) -> Shot | None:
    """Return the photograph that would help most now.

    Parameters
    ----------
    document
        The inspection.
    good
        Of each shot's key, how many photographs gave numbers.
    helpful
        From the findings: what would tell most of whose fault it is.

    Returns
    -------
    First what the inspection cannot do without, then what the findings ask for; None if
    neither is left.
    """
    for shot in shots_for(document):
        if not shot.optional and not good.get(shot.key):
            return shot
    for photo in helpful:
        shot = shot_asked_for(photo)
        if not good.get(shot.key):
            return shot
    return None


def shot_asked_for(photo: NextPhoto) -> Shot:
    """Return a photograph that the findings ask for as a shot."""
    near = ("riser" if photo.from_riser else "butt") if photo.view == "sight" else ""
    return Shot(photo.view, photo.end or "", photo.limb or "", near_card_on=near)


def all_shots(document: Mapping[str, Any], helpful: Sequence[NextPhoto] = ()) -> list[Shot]:
    """Every photograph that can be chosen: those asked for, and those that were taken."""
    shots = {shot.key: shot for shot in shots_for(document)}
    for shot in (shot_asked_for(photo) for photo in helpful):
        shots.setdefault(shot.key, shot)
    for fields in photos_of(document):
        shot = shot_of(fields)
        if shot.view in VIEWS:
            shots.setdefault(shot.key, shot)
    for shot in _further(document):
        shots.setdefault(shot.key, shot)
    return list(shots.values())


def _further(document: Mapping[str, Any]) -> Iterator[Shot]:
    """What may be taken besides: the seam's other side, the cards exchanged, further views."""
    for end in ENDS:
        limb = limb_at(document, end)
        if limb:
            yield Shot("joint", end, limb, side="left", optional=True)
            yield Shot("sight", end, limb, "", "riser", cards_exchanged=True, optional=True)
            if document.get("purpose") == "rework":
                for other in limb_names(document):
                    if other != limb:
                        for side in SIDES[::-1]:
                            yield Shot("joint", end, other, side=side, optional=True)
                        yield Shot("sight", end, other, "", "riser", True, optional=True)
        yield Shot("pad", end, cards_exchanged=True, optional=True)
    for view in VIEWS:
        if view not in PLACED_BY:  # a view that the findings do not know: nothing to place
            yield Shot(view, optional=True)


def shown_by(asked: Mapping[str, str]) -> dict[str, Any]:
    """Return what a sender says that a photograph shows, as fields; what is unknown is left out.

    Parameters
    ----------
    asked
        Of an upload's address: not to be trusted.
    """
    allowed = {"view": VIEWS, "end": ENDS, "side": SIDES, "near_card_on": ("butt", "riser")}
    said: dict[str, Any] = {
        name: asked[name] for name, known in allowed.items() if asked.get(name) in known
    }
    if "view" not in said:
        return {}
    limb = " ".join("".join(c for c in asked.get("limb", "") if c.isprintable()).split())
    if limb and len(limb) <= LONGEST_LIMB_NAME:
        said["limb"] = limb
    if asked.get("cards_exchanged") == "yes":
        said["cards_exchanged"] = True
    return said
