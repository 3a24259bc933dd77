"""Text from outside, made safe to show: nothing in it hides, reorders or steers."""

from __future__ import annotations

import unicodedata

LONGEST_TEXT = 2000


def visible_text(text: str) -> str:
    """Spell out the characters that could hide or reorder text.

    Control, format and bidirectional characters, line separators and lone surrogates become
    their code point, as in ``‹U+202E›``; tabs become spaces, and line breaks stay. The two
    joiners that ordinary writing needs (U+200C, U+200D) stay. Very long text is cut.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    if len(text) > LONGEST_TEXT:
        text = text[:LONGEST_TEXT] + "…"
    return "".join(_visible(letter) for letter in text)


_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_KEPT = {"\n", "\N{ZERO WIDTH NON-JOINER}", "\N{ZERO WIDTH JOINER}"}


def _visible(letter: str) -> str:
    if letter not in _KEPT and unicodedata.category(letter) in _HIDDEN:
        return f"‹U+{ord(letter):04X}›"
    return letter
