"""The check list of condition: what was looked for, what was found, and what stops everything.

Fit is not strength. A finding that stops everything is said first and keeps every word of
release out of the report, however well the limbs sit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fitcheck.inspection import ConditionEntry, End, Inspection

Effect = Literal["reject", "stop", "caution"]


@dataclass(frozen=True)
class Item:
    """One line of the check list.

    Attributes
    ----------
    words
        What it is, when found.
    look
        How to look for it.
    effect
        ``"reject"``: retire the part, do not shoot; ``"stop"``: not shot until put right and
        proved by somebody qualified; ``"caution"``: to be watched.
    why
        What follows, in a sentence.
    mark
        P published, C common practice, M from memory.
    mend
        Whether a caution has to be put right before the bow goes back.
    core
        Whether a bow may be called looked over without it.
    """

    words: str
    look: str
    effect: Effect
    why: str
    mark: str
    core: bool = True
    mend: bool = False


ITEMS: dict[str, Item] = {
    "crack_across": Item(
        "crack across a limb",
        "Flex nothing. Look along both faces and both edges in raking light.",
        "reject",
        "A crack across the limb means that it is breaking. The limb is retired.",
        "P",
    ),
    "crack_through": Item(
        "lengthwise crack through wood and glass",
        "Follow every lengthwise crack to the limb's edge.",
        "reject",
        "A lengthwise crack through wood and glass splits the limb. It is retired.",
        "P",
    ),
    "delamination": Item(
        "delamination or lifting glass",
        "Look for light or white lines along the glue lines, tap along the limb and listen.",
        "reject",
        "A limb that comes apart at full draw has cut faces. It is retired.",
        "P",
    ),
    "butt_glass_cut": Item(
        "glass cut through at the butt",
        "Look at both faces of the butt round the bolt hole and under the pad.",
        "reject",
        "Glass carries most of the load. A limb with its butt glass cut through is retired.",
        "C",
    ),
    "crushed_bolt_hole": Item(
        "crushed bolt hole",
        "Take the limb off and look at the hole's edge on both faces.",
        "reject",
        "The hole carries the clamped limb. Crushed, it tears on. The limb is retired.",
        "C",
    ),
    "growing_twist": Item(
        "twist that grows",
        "Compare with earlier readings; draw partly, let down slowly, look again.",
        "reject",
        "A constant twist can be lived with, one that grows cannot. The limb is retired.",
        "C",
    ),
    "weight_loss": Item(
        "loss of draw weight",
        "Scale the bow and compare with its mark.",
        "reject",
        "A bow that loses weight is failing inside. It is retired.",
        "C",
    ),
    "riser_crack": Item(
        "crack in the riser",
        "Look round the bushings, the shelf's corner and the grip's throat.",
        "stop",
        "Nobody draws it until a qualified bowyer has found the crack's end and its cause.",
        "C",
    ),
    "damaged_bolt": Item(
        "damaged limb bolt or thread",
        "Run each bolt in by hand; look at the thread and the washer.",
        "stop",
        "The bolt holds the limb. It is replaced by one that fits, with its washer, first.",
        "C",
    ),
    "loose_bushing": Item(
        "loose, cracked or stripped bushing",
        "Try each bushing with the bolt in: it must not turn or rock.",
        "stop",
        "A bushing that lets go lets the limb go. It is set anew before the bow is strung.",
        "C",
    ),
    "damaged_nock": Item(
        "damaged nock or tip overlay",
        "Look at both grooves and round the overlays.",
        "stop",
        "A string that slips from its nock is a dry fire. It is made good before stringing.",
        "C",
    ),
    "damaged_string": Item(
        "damaged string or serving",
        "Look for cut strands, fuzz, loose serving and worn loops.",
        "stop",
        "A string that breaks is a dry fire. A new one of its length goes on first.",
        "C",
    ),
    "dry_fire": Item(
        "signs of a dry fire",
        "Ask; look for fine cracks at the fade-outs, tips and nocks.",
        "stop",
        "A dry fire breaks limbs inside. Nobody draws it until a qualified person has tested it.",
        "C",
    ),
    "heat": Item(
        "signs of heat",
        "Look for discoloured glass, soft finish, a limb that took a set; ask about a car.",
        "stop",
        "Heat softens the glue. Nobody draws it until a qualified person has tested it.",
        "C",
    ),
    "string_moves_sideways": Item(
        "string that lies elsewhere after each shot",
        "Mark where it lies, draw partly, let down, look again.",
        "stop",
        "A string that wanders can jump off a recurve. Stand clear of its plane.",
        "P",
    ),
    "noise": Item(
        "ticking or cracking on the draw",
        "Listen at a short draw, never at a full one.",
        "stop",
        "Stop, let down slowly, unstring, and look every glue line over.",
        "P",
    ),
    "crack_along": Item(
        "lengthwise crack in the glass",
        "Draw a fingernail across it; mark its ends in pencil and date them.",
        "caution",
        "Not serious by itself unless it goes through wood and glass or grows. Watch its ends.",
        "P",
    ),
    "lifted_fibres": Item(
        "lifted fibres",
        "Draw a ball of cotton along faces and edges: it catches on lifted fibres.",
        "caution",
        "Find out what they come from; lay them down and seal them before they catch a hand.",
        "P",
        mend=True,
    ),
    "loose_pin": Item(
        "loose index pin",
        "Try the pin with two fingers.",
        "caution",
        "A loose pin lets the limb turn: readings of its place mean little until it is fast.",
        "C",
        core=False,
        mend=True,
    ),
    "alteration": Item(
        "work done by others",
        "Ask; look for sanding, refinishing, filled holes, shims under the butt.",
        "caution",
        "What was taken off before counts toward the stop. Ask how much and where.",
        "C",
        core=False,
    ),
}


@dataclass(frozen=True)
class ConditionFinding:
    """Something that was found.

    Attributes
    ----------
    item
        Its line of the check list.
    name
        Of that line.
    where
        ``"limb A"``, ``"upper end"`` or empty.
    note
        The inspector's own words.
    limb, end
        Where; None where nobody said.
    """

    item: Item
    name: str
    where: str
    note: str
    limb: str | None = None
    end: End | None = None

    @property
    def words(self) -> str:
        """What was found and where: ``crack across a limb, limb A``."""
        return f"{self.item.words}, {self.where}" if self.where else self.item.words

    @property
    def to_do(self) -> str:
        """What has to be done about what stops the bow, as the title of a step."""
        if self.item.effect == "reject":
            return f"Retire the part, or send it to its maker: {self.words}"
        return f"Make good and prove first: {self.words}"

    @property
    def sentence(self) -> str:
        """What was found, and what follows."""
        place = f", {self.where}" if self.where else ""
        return f"{self.item.words.capitalize()}{place}. {self.item.why}"


@dataclass(frozen=True)
class Condition:
    """The check list as it was filled in.

    Attributes
    ----------
    found
        What was found, the worst first.
    clear
        Words of what was looked for and not found.
    not_looked
        Words of what nobody looked for.
    """

    found: tuple[ConditionFinding, ...]
    clear: tuple[str, ...]
    not_looked: tuple[str, ...]
    core_missing: tuple[str, ...]

    @property
    def rejects(self) -> tuple[ConditionFinding, ...]:
        """Findings that retire a part."""
        return tuple(f for f in self.found if f.item.effect == "reject")

    @property
    def stops(self) -> tuple[ConditionFinding, ...]:
        """Findings that stop everything: those that reject among them."""
        return tuple(f for f in self.found if f.item.effect != "caution")


# What can be looked for on a riser without its limbs.
RISER_ITEMS = ("riser_crack", "damaged_bolt", "loose_bushing", "loose_pin", "heat", "alteration")
_ORDER: dict[Effect, int] = {"reject": 0, "stop": 1, "caution": 2}


def condition_of(inspection: Inspection) -> Condition:
    """Read the check list.

    Where an item was both found at one place and not at another, it counts as found.
    """
    found = [
        ConditionFinding(
            ITEMS[entry.item], entry.item, _where(entry), entry.note, entry.limb, entry.end
        )
        for entry in inspection.condition
        if entry.found
    ]
    found.sort(key=lambda f: _ORDER[f.item.effect])
    looked = {entry.item for entry in inspection.condition}
    positive = {f.name for f in found}
    return Condition(
        tuple(found),
        tuple(item.words for name, item in ITEMS.items() if name in looked - positive),
        tuple(item.words for name, item in ITEMS.items() if name not in looked),
        tuple(item.words for name, item in ITEMS.items() if item.core and name not in looked),
    )


def _where(entry: ConditionEntry) -> str:
    places = []
    if entry.limb is not None:
        places.append(f"limb {entry.limb}")
    if entry.end is not None:
        places.append(f"{entry.end} end")
    return ", ".join(places)
