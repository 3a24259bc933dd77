"""All that the report says, by language: one file of texts each, ``texts/en.toml`` first.

A new language is one more file with the same keys; ``tests/test_reporting_language.py`` says
what it lacks. What the findings say is looked up in :mod:`fitcheck.reporting.phrases`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.plain_text import visible_text
from fitcheck.reporting.amounts import Amounts, Units
from fitcheck.reporting.phrases import FIRST_TOKEN, Phrases
from fitcheck.units import quantity_text

LANGUAGES = ("en", "de")
SHORTEST_PROTECTED = 4  # letters of a user's text that is known again wherever it stands


@dataclass(frozen=True)
class Said:
    """A text, and whether it stands in the report's language: else it is English."""

    text: str
    translated: bool = True


@lru_cache(maxsize=8)
def _texts(code: str) -> dict[str, Any]:
    source = files("fitcheck").joinpath(f"reporting/texts/{code}.toml")
    return tomllib.loads(source.read_text(encoding="utf-8"))


@lru_cache(maxsize=8)
def _phrases(code: str) -> Phrases:
    texts = _texts(code)
    return Phrases(texts.get("phrases", {}), texts.get("words", {}))


@dataclass
class Language:
    """One language with one way to write amounts.

    Attributes
    ----------
    code
        ``"en"`` or ``"de"``.
    units
        Which unit of length leads.
    limbs, own_words
        Names of limbs and other texts of the user, which are kept as they are.
    untranslated
        Sentences that had to stay in English.
    """

    code: str = "en"
    units: Units = "mm"
    limbs: Sequence[str] = ()
    own_words: Sequence[str] = ()
    untranslated: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.code not in LANGUAGES:
            raise BadInput(
                "unknown_language",
                f"There is no report in the language {self.code[:20]!r}.",
                f"Choose one of: {', '.join(LANGUAGES)}.",
            )
        self.amounts = Amounts(self.units, comma=self.text("decimal") == ",")
        own = sorted({w for w in self.own_words if len(w) >= SHORTEST_PROTECTED}, key=len)
        self._own = [visible_text(word) for word in reversed(own)]
        names = sorted({visible_text(name) for name in self.limbs if name}, key=len, reverse=True)
        self._limb = (
            re.compile(rf"((?:^|(?<=\W))[Ll]imb )({'|'.join(map(re.escape, names))})(?!\w)")
            if names
            else None
        )

    def text(self, key: str, **values: object) -> str:
        """Return one of the report's own texts, with its values set in.

        Raises
        ------
        KeyError
            If there is no such text.
        """
        table: Any = _texts(self.code)["report"]
        found = table[key]
        return str(found).format(**values) if values else str(found)

    def word(self, key: str, otherwise: str = "") -> str:
        """Return a text that may be missing, as for a name that nobody foresaw."""
        found = _texts(self.code)["report"].get(key)
        return otherwise if found is None else str(found)

    def in_words(self, amount: str) -> str:
        """Say the few words of an amount, such as ``under`` and ``in``, in this language."""
        return amount if self.code == "en" else _phrases(self.code).size_words(amount)

    def picture_words(self, english: str) -> str:
        """Say one of the few words, or a value, that are drawn on a photograph."""
        known = _texts(self.code).get("pictures", {}).get(english)
        if known is not None:
            return str(known)
        return self.in_words(self.amounts.number(self.amounts.short(english)))

    def quantity(
        self, value: float, standard_uncertainty: float, unit: str, *, signed: bool = True
    ) -> str:
        """Value with its expanded uncertainty in both units."""
        return self.in_words(
            self.amounts.quantity(value, _expanded(standard_uncertainty), unit, signed=signed)
        )

    def plainly(self, value: float, standard_uncertainty: float, unit: str) -> str:
        """Value and expanded uncertainty as in a sentence: ``+1/16 in (+1.71 mm ± 0.06 mm)``."""
        text = quantity_text(value, _expanded(standard_uncertainty), unit)
        return self.in_words(self.amounts.number(self.amounts.text(text)))

    def pair(
        self, value: float, standard_uncertainty: float, unit: str, *, signed: bool = True
    ) -> tuple[str, str]:
        """The same, the two units apart."""
        first, second = self.amounts.pair(
            value, _expanded(standard_uncertainty), unit, signed=signed
        )
        return self.in_words(first), self.in_words(second)

    def said(self, english: str, *, reckoning: bool = False) -> Said:
        """Say a sentence of the findings in this language, with its lengths as the user set.

        The formula of a ``reckoning`` stands in one unit: in both it would be unreadable.
        """
        shown = visible_text(english)
        hidden, kept = self._hide(shown)
        rewritten = self.amounts.reckoning(hidden) if reckoning else self.amounts.text(hidden)
        if self.code == "en":
            return Said(_restore(rewritten, kept))
        translated = _phrases(self.code).translate(rewritten.strip())
        if translated is None and rewritten.strip():
            self.untranslated.append(shown)
            return Said(_restore(rewritten, kept), False)
        return Said(_restore(self.amounts.number(translated or ""), kept))

    def all_said(self, sentences: Iterable[str]) -> tuple[Said, ...]:
        """Say several."""
        return tuple(self.said(one) for one in sentences)

    def _hide(self, text: str) -> tuple[str, list[str]]:
        kept: list[str] = []

        def token(word: str) -> str:
            kept.append(word)
            return chr(FIRST_TOKEN + len(kept) - 1)

        for word in self._own:
            if word in text:
                text = text.replace(word, token(word))
        if self._limb is not None:
            text = self._limb.sub(lambda m: m[1] + token(m[2]), text)
        return text, kept


def _restore(text: str, kept: list[str]) -> str:
    return "".join(
        kept[ord(c) - FIRST_TOKEN] if FIRST_TOKEN <= ord(c) < FIRST_TOKEN + len(kept) else c
        for c in text
    )


def _expanded(standard_uncertainty: float) -> float:
    return max(1.96 * standard_uncertainty, 1e-3)
