"""The fonts that travel with the program, and what they can show.

DejaVu Sans Condensed: free to use and to pass on, see ``fonts/LICENSE-DejaVu.txt``. It has
Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew and Arabic, fractions, arrows and signs. A
letter that it lacks is spelled out as its code point, never left as an empty box.
"""

from __future__ import annotations

import struct
import unicodedata
from collections.abc import Iterator
from functools import lru_cache
from importlib.resources import files

FAMILY = "DejaVu Sans"
FILES = ("DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf")
_FORMAT_4, _FORMAT_12 = 4, 12  # of OpenType's cmap tables


@lru_cache(maxsize=1)
def shown_letters() -> frozenset[int]:
    """Return the code points that every one of the fonts has a glyph for."""
    return frozenset.intersection(*(frozenset(_letters_of(name)) for name in FILES))


def showable(text: str) -> str:
    """Spell out what the fonts lack: ``‹U+1F3F9›``. Line breaks and spaces stay.

    Letters are composed first (NFC), so that an accent does not stand by itself.
    """
    letters = shown_letters()
    composed = unicodedata.normalize("NFC", text)
    return "".join(c if c == "\n" or ord(c) in letters else f"‹U+{ord(c):04X}›" for c in composed)


def _letters_of(name: str) -> Iterator[int]:
    data = files("fitcheck").joinpath(f"reporting/fonts/{name}").read_bytes()
    (tables,) = struct.unpack_from(">H", data, 4)
    for i in range(tables):
        tag, _, start, _ = struct.unpack_from(">4sLLL", data, 12 + 16 * i)
        if tag == b"cmap":
            yield from _mapped(data, start)


def _mapped(data: bytes, cmap: int) -> Iterator[int]:
    """All code points of the Unicode subtables: OpenType specification, table ``cmap``."""
    (count,) = struct.unpack_from(">H", data, cmap + 2)
    for i in range(count):
        platform, _, offset = struct.unpack_from(">HHL", data, cmap + 4 + 8 * i)
        at = cmap + offset
        (form,) = struct.unpack_from(">H", data, at)
        if platform not in (0, 3):
            continue
        if form == _FORMAT_12:
            (groups,) = struct.unpack_from(">L", data, at + 12)
            for g in range(groups):
                first, last, _ = struct.unpack_from(">LLL", data, at + 16 + 12 * g)
                yield from range(first, last + 1)
        elif form == _FORMAT_4:
            yield from _segments(data, at)


def _segments(data: bytes, at: int) -> Iterator[int]:
    (twice,) = struct.unpack_from(">H", data, at + 6)
    n = twice // 2
    ends = struct.unpack_from(f">{n}H", data, at + 14)
    starts = struct.unpack_from(f">{n}H", data, at + 16 + twice)
    deltas = struct.unpack_from(f">{n}h", data, at + 16 + 2 * twice)
    ranges_at = at + 16 + 3 * twice
    for k, (first, last, delta) in enumerate(zip(starts, ends, deltas, strict=True)):
        (jump,) = struct.unpack_from(">H", data, ranges_at + 2 * k)
        for code in range(first, last + 1):
            glyph = code
            if jump:
                place = ranges_at + 2 * k + jump + 2 * (code - first)
                (glyph,) = struct.unpack_from(">H", data, place)
            if glyph and (glyph + delta) % 65536 and code != 0xFFFF:
                yield code
