"""Sentences of the findings in another language, found by what they are made of.

The findings say everything in English, as finished sentences. A catalogue holds each of them
once, with its values left open, and its translation with the same values::

    "The pad at the {end} end is {size} from square" = "Die Auflage am {end} Ende …"

A sentence that no entry fits is returned as it is, and said not to be translated: nothing is
guessed. Values are typed, so that no untranslated word can hide in one:

========  ================================================================
size      number with units, brackets and the few words that belong to them
end       ``upper`` or ``lower``
side      ``left`` or ``right``
at        a place: ``butt``, ``grip`` …
card      letters of reference cards: ``A``, ``C and D``
name      text of the user: kept as it is
given     the same, as in a file's name: whatever stands there
part      a phrase, looked up itself; ``list``: several, with ``and`` or ``or``
text      one or more sentences, looked up themselves
========  ================================================================

A digit behind a type tells two apart (``size2``). In a translation a value may be asked for in
another form of the word (``{side.adj}``), which the catalogue's tables of words give.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache

# Private-use letters stand for the user's own words while a sentence is taken apart.
FIRST_TOKEN = 0xE000
_TOKEN = r"[\ue000-\uf8ff]"  # noqa: S105 (a pattern of letters, no secret)
_SIZE_WORDS = (
    r"(?:mm|in|lb|lbs|gr|gr/lb|ft·lb|fps|ft/s|m/s|deg|degrees?|kg|g|N|J|cm|thou|px|about|nearest|under|over"
    r"|up|to|from|of|points|and|or)"
)
_SIZE = rf"(?:[\d+−±\-°%./,()\[\]# ]|\b{_SIZE_WORDS}\b|′|″|”)+?"
_TYPES = {
    "size": _SIZE,
    "end": "upper|lower",
    "side": "left|right",
    "at": "butt|riser end|grip|upper pad|lower pad|outer end|butt end",
    "card": "[A-D](?: and [A-D])*",
    "name": _TOKEN,
    "part": ".+?",
    "list": ".+?",
    "text": ".+",
    "given": ".+",  # as somebody typed it, kept as it is
}
_HOLE = re.compile(r"\{([a-z]+)(\d*)(?:\.([a-z]+))?\}")
_SENTENCE_END = re.compile(r"(?<=[.:;?!])\s+")
# Of a text that is looked up; the findings say nothing near it.
LONGEST, MOST_PARTS = 2500, 24


class Phrases:
    """A catalogue of sentences.

    Parameters
    ----------
    phrases
        English with holes, to the same in the other language.
    words
        Type of a value, or type and form (``side.adj``), to its words: English to the other.
    """

    def __init__(self, phrases: Mapping[str, str], words: Mapping[str, Mapping[str, str]]) -> None:
        self._entries = [(_pattern(english), other) for english, other in phrases.items()]
        self._words = words
        self._size_words = sorted(words.get("size", {}), key=len, reverse=True)
        self.look_up = lru_cache(maxsize=4096)(self._look_up)

    def size_words(self, value: str) -> str:
        """Translate the words inside an amount."""
        for word in self._size_words:
            value = re.sub(rf"(?<!\w){word}(?!\w)", self._words["size"][word], value)
        return value

    def translate(self, text: str) -> str | None:
        """Translate one or more sentences; None unless all of them can be.

        Either apostrophe stands for the other.
        """
        text = text.replace("'", "’")
        if not text or len(text) > LONGEST or len(_SENTENCE_END.findall(text)) > MOST_PARTS:
            return None
        whole = self.look_up(text)
        if whole is not None:
            return whole
        ends = [m.start() for m in _SENTENCE_END.finditer(text)]
        for end in reversed(ends):  # the longest beginning first
            first = self.look_up(text[:end])
            if first is None and text[end - 1] == ":":  # a title before its sentence
                title = self.look_up(text[: end - 1])
                first = None if title is None else f"{title}:"
            if first is not None:
                rest = self.translate(text[end:].lstrip())
                if rest is not None:
                    return f"{first} {rest}"
        return None

    def _look_up(self, text: str) -> str | None:
        for pattern, other in self._entries:
            found = pattern.fullmatch(text)
            if found is not None:
                filled = self._fill(other, found.groupdict())
                if filled is not None:
                    return filled
        if text[:1].isupper():  # a part that begins a sentence here stands inside one there
            inside = self.look_up(text[:1].lower() + text[1:])
            if inside is not None:
                return inside[:1].upper() + inside[1:]
        return None

    def _fill(self, other: str, values: Mapping[str, str | None]) -> str | None:
        said: list[str] = []
        last = 0
        for hole in _HOLE.finditer(other):
            value = values.get(hole[1] + hole[2])
            word = None if value is None else self._value(hole[1], hole[3], value)
            if word is None:
                return None
            said += [other[last : hole.start()], word]
            last = hole.end()
        return "".join([*said, other[last:]])

    def _value(self, kind: str, form: str | None, value: str) -> str | None:
        if kind == "size":
            return self.size_words(value)
        if kind in ("end", "side", "at"):
            return self._words[f"{kind}.{form}" if form else kind].get(value)
        if kind == "card":
            return value.replace(" and ", self._words["joint"]["and"])
        if kind in ("name", "given"):
            return value
        if kind == "list":
            return self._list(value)
        translated = self.translate(value)
        if translated is not None and form == "cap":
            return translated[:1].upper() + translated[1:]
        return translated

    def _list(self, value: str) -> str | None:
        whole = self.look_up(value)
        if whole is not None:
            return whole
        for sign in ("; ", ", ", " and ", " or "):
            at = value.find(sign)
            while at >= 0:
                first = self.look_up(value[:at])
                rest = None if first is None else self._list(value[at + len(sign) :])
                if first is not None and rest is not None:
                    return f"{first}{self._words['joint'][sign.strip()]}{rest}"
                at = value.find(sign, at + 1)
        return None


def _pattern(english: str) -> re.Pattern[str]:
    english = english.replace("'", "’")
    said: list[str] = []
    last = 0
    for hole in _HOLE.finditer(english):
        said += [re.escape(english[last : hole.start()])]
        said.append(f"(?P<{hole[1]}{hole[2]}>{_TYPES[hole[1]]})")
        last = hole.end()
    return re.compile("".join([*said, re.escape(english[last:])]))
