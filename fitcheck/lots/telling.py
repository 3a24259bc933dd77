"""How a lot is told on paper: in which language, and lengths in which unit."""

from __future__ import annotations

import re
from collections.abc import Iterable

from fitcheck.lots.part_values import PartValue
from fitcheck.lots.scale import Scale, scale_of
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.language import Language, Said
from fitcheck.reporting.naming import is_signed, measure_name, source_name

# Names that look like an amount: these must be kept from being rewritten as one.
_LIKE_AN_AMOUNT = re.compile(r"\d[.,]\d|\d ?(?:mm|cm|in)\b")


class Telling:
    """One language with one unit of length.

    Parameters
    ----------
    code
        ``"en"`` or ``"de"``.
    units
        Unit of length that leads.
    names
        Of parts, operators, photographs: kept as they are wherever they stand.

    Raises
    ------
    BadInput
        ``unknown_language``.
    """

    def __init__(self, code: str = "en", units: Units = "mm", names: Iterable[str] = ()) -> None:
        own = [name for name in dict.fromkeys(names) if _LIKE_AN_AMOUNT.search(name)]
        self._lang = Language(code, units, own_words=own)

    @property
    def code(self) -> str:
        """Code of the language."""
        return self._lang.code

    @property
    def comma(self) -> bool:
        """Whether decimals follow a comma."""
        return self._lang.amounts.comma

    @property
    def untranslated(self) -> list[str]:
        """Sentences that had to stay in English."""
        return self._lang.untranslated

    def say(self, english: str) -> Said:
        """Say a text in this language, its lengths in both units."""
        return self._lang.said(english)

    def text(self, english: str) -> str:
        """The same without the mark of what stays in English: for headings and charts."""
        return self._lang.said(english).text

    def own(self, key: str, **values: object) -> str:
        """Return a text that all reports share."""
        return self._lang.text(key, **values)

    def number(self, text: str) -> str:
        """A number, or several with their few words, as this language writes them."""
        return self._lang.in_words(self._lang.amounts.number(text))

    def scale(self, unit: str) -> Scale:
        """Unit that numbers of a characteristic are shown in where there is room for one."""
        return scale_of(unit, self._lang.units)

    def pair(self, of: PartValue) -> tuple[str, str]:
        """A part's value with its expanded uncertainty in the leading unit, and in the other.

        Its uncertainty is stated.
        """
        u = of.standard_uncertainty or 0.0
        return self._lang.pair(of.value, u, of.unit, signed=is_signed(of.characteristic))

    def measure(self, name: str) -> str:
        """A characteristic's name."""
        return measure_name(self._lang, name)

    def source(self, name: str) -> str:
        """The name of a source of uncertainty."""
        return source_name(self._lang, name)


ENGLISH = Telling()
