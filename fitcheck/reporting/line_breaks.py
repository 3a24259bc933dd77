"""Where a word that is wider than its column may break, measured with the fonts themselves.

Words that fit stay whole, so that they can be searched and copied; words of our own texts are
hyphenated by typst. What is left (file names, names of limbs) gets a zero-width space at each
place where a line is full, after a sign of its own if there is one.
"""

from __future__ import annotations

import io
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from PIL import ImageFont

from fitcheck.reporting.fonts import FILES

ZERO_WIDTH_SPACE = "\u200b"
SIGNS = "-_./"  # a break after one of these reads best
LEAST_FILLED = 0.4  # share of a line that a break after a sign must fill
JOINERS = "\u200c\u200d"
_EM = 200  # pixels at which glyphs are measured
_SLACK = 1.02  # kerning and rounding


def broken(text: str, room_pt: float, size_pt: float, language: str, *, bold: bool = False) -> str:
    """Return a text in which no word is wider than its room.

    Parameters
    ----------
    text
        As it will be set.
    room_pt, size_pt
        Width of the column and size of the letters, in points.
    language
        Whose texts hold the words that typst hyphenates.
    bold
        In which of the two fonts.
    """
    room = room_pt / size_pt / _SLACK

    def fitted(word: re.Match[str]) -> str:
        if width_em(word[0], bold) <= room or word[0].strip("().,:;!?„“”…–") in _own(language):
            return word[0]
        return ZERO_WIDTH_SPACE.join(_pieces(word[0], room, bold))

    return re.sub(r"\S+", fitted, text)


def width_em(text: str, bold: bool) -> float:
    """Width of a text in a line, in em: the sum of its letters' advances."""
    return sum(_advance(letter, bold) for letter in text)


def _pieces(word: str, room: float, bold: bool) -> Iterator[str]:
    start, width, after_sign = 0, 0.0, 0
    i = 0
    while i < len(word):
        width += _advance(word[i], bold)
        if width > room and i > start and not _joined(word, i):
            end = after_sign if after_sign > start else i
            yield word[start:end]
            start = after_sign = end
            width = width_em(word[start : i + 1], bold)
        if word[i] in SIGNS and width >= LEAST_FILLED * room:
            after_sign = i + 1
        i += 1
    yield word[start:]


def _joined(word: str, i: int) -> bool:
    """Whether a letter belongs to the one before it."""
    return bool(unicodedata.combining(word[i])) or word[i] in JOINERS or word[i - 1] in JOINERS


@lru_cache(maxsize=4096)
def _advance(letter: str, bold: bool) -> float:
    return _font(bold).getlength(letter) / _EM


@lru_cache(maxsize=2)
def _font(bold: bool) -> ImageFont.FreeTypeFont:
    name = next(one for one in FILES if ("Bold" in one) == bold)
    data = files("fitcheck").joinpath(f"reporting/fonts/{name}").read_bytes()
    return ImageFont.truetype(io.BytesIO(data), _EM, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=8)
def _own(language: str) -> frozenset[str]:
    """All words of a language's texts."""
    source = files("fitcheck").joinpath(f"reporting/texts/{language}.toml")
    return frozenset(_words(tomllib.loads(source.read_text(encoding="utf-8"))))


def _words(thing: Any) -> Iterator[str]:
    if isinstance(thing, Mapping):
        for value in thing.values():
            yield from _words(value)
    elif isinstance(thing, str):
        for word in re.findall(r"[^\W\d_]+(?:-[^\W\d_]+)*", thing):
            yield word
            yield word[:1].upper() + word[1:]
