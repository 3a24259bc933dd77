"""How places, measures, tools and photographs are called, in the report's language."""

from __future__ import annotations

from fitcheck.inspection import PhotoEntry
from fitcheck.reporting.language import Language
from fitcheck.reporting.model import Line
from fitcheck.wording import EDGE_NAMES, SOURCES, WORDING

VERDICTS = {"good": "✓", "acceptable": "~", "rework": "✗", "undecided": "?"}


def measure_name(lang: Language, name: str) -> str:
    """A characteristic's name; its trade name in English where the language has none."""
    known = WORDING.get(name)
    plain = known.name if known is not None else name.replace("_", " ").capitalize()
    return lang.word(f"m_{name}", plain)


def is_signed(name: str) -> bool:
    """Whether a value's sign means something; it does where nobody says that it does not."""
    known = WORDING.get(name.removeprefix("pad_") if name == "pad_riser_width" else name)
    return known is None or known.signed


def source_name(lang: Language, source: str) -> str:
    """What a source of uncertainty is called."""
    return lang.word(f"u_{source}", SOURCES.get(source, source.replace("_", " ")))


def edge_name(lang: Language, edge: str) -> str:
    """What an edge is called."""
    return lang.word(f"e_{edge}", EDGE_NAMES.get(edge, edge.replace("_", " ")))


def tool_name(lang: Language, tool: str) -> str:
    """A tool, or several joined by ``and``."""
    parts = [
        lang.word("tool_feeler" if one == "feeler gauge" else f"tool_{one}", one)
        for one in tool.split(" and ")
    ]
    return " + ".join(parts)


def end_name(lang: Language, end: str | None) -> str:
    """An end of the riser; the whole bow where there is none."""
    return lang.text("whole_bow") if end is None else lang.text(f"end_{end}")


def place_name(lang: Language, line: Line) -> str:
    """Where a characteristic was measured, in a few words."""
    places = []
    if line.end is not None:
        places.append(end_name(lang, line.end))
    if line.limb is not None:
        places.append(lang.text("limb", limb=line.limb))
    if line.side is not None:
        places.append(lang.text(f"side_{line.side}"))
    if line.against is not None:
        places.append(lang.text(f"against_{line.against}"))
    return ", ".join(places) or lang.text("whole_bow")


def photo_name(lang: Language, entry: PhotoEntry) -> str:
    """What a photograph shows: ``upper end, limb K2, sight from the riser``."""
    words = [end_name(lang, entry.end)] if entry.end else []
    if entry.limb:
        words.append(lang.text("limb", limb=entry.limb))
    key = f"view_{entry.view}"
    if entry.view == "sight":
        key = f"{key}_{entry.near_card_on}"
    words.append(lang.word(key, entry.view))
    if entry.side:
        words.append(lang.text(f"side_{entry.side}"))
    if entry.cards_exchanged:
        words.append(lang.text("cards_exchanged"))
    if entry.seating > 1:
        words.append(lang.text("seating", number=entry.seating))
    if entry.strung:
        words.append(lang.text("strung"))
    return ", ".join(words)


def capital(words: str) -> str:
    """Begin a sentence or a heading with words."""
    return words[:1].upper() + words[1:]


def chance(probability: float) -> str:
    """A probability that never claims to be certain: ``97 %``, ``> 99 %``."""
    value = 100 * probability
    if value > 99:
        return "> 99 %"
    return "< 1 %" if value < 1 else f"{value:.0f} %"
