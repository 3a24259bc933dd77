"""What is said of a lot in sentences, the same on the command line, on the page and on paper."""

from __future__ import annotations

import math

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.plan import count
from fitcheck.lots.whole import LotFindings
from fitcheck.plain_text import visible_text
from fitcheck.units import MINUS, limit_text
from fitcheck.wording import wording

TAKEN_CARE = (
    "Fit is no proof of strength. A part that is measured again is neither good nor bad yet. The "
    "limits are common practice unless your own are given; the maker’s own limits, local rules "
    "and qualified people come first.",
)
_VERDICTS = {
    "accept": "accepted",
    "reject": "rejected",
    "measure again": "to be measured again",
    "not measured": "not measured",
}


def verdict_words(verdict: str) -> str:
    """A verdict in words, with a capital."""
    return _VERDICTS[verdict].capitalize()


def lot_sentence(lot: LotFindings) -> str:
    """What becomes of a lot's parts, in a sentence."""
    parts = count(len(lot.parts), "part")
    if not lot.characteristics:
        return f"{parts}, none measured: every photograph was refused"
    if not lot.judged:
        return f"{parts}, not judged: no limit is known for what was measured"
    if not any(one.decisions for one in lot.judged):
        return f"{parts}, not judged: no uncertainty is stated"
    verdicts = list(lot.verdicts().values())
    said = [
        f"{verdicts.count(verdict)} {words}"
        for verdict, words in _VERDICTS.items()
        if verdicts.count(verdict)
    ]
    return f"{parts}: {', '.join(said)}"


def truth_sentence(one: CharacteristicFindings) -> str:
    """How decisions and values compare with what is truly so."""
    t = one.truth
    if t is None:
        return ""
    said = (
        f"{wording(one.name).name}, {count(t.parts, 'part')}: {t.accepted} accepted, of these "
        f"{_named(t.false_accepts)} wrongly (by the stated risks "
        f"{_expected(t.expected_false_accepts)} were to be expected); {t.rejected} rejected, "
        f"{_named(t.false_rejects)} wrongly ({_expected(t.expected_false_rejects)} to be "
        f"expected); {t.again} left open."
    )
    if t.held is not None:
        said += f" {t.held} of {t.parts} intervals hold the truth."
    return said


def _expected(number: float) -> str:
    return "under 0.01" if number < 0.01 else f"{number:.2g}"


def _named(parts: tuple[str, ...]) -> str:
    if not parts:
        return "none"
    return f"{len(parts)} ({', '.join(visible_text(p) for p in parts[:5])})"


def number_text(value: float) -> str:
    """A number of four significant digits, with a true minus sign."""
    return f"{value:.4g}".replace("-", MINUS)


def percent_text(share: float, decimals: int = 0) -> str:
    """A share as percent."""
    return f"{100 * share:.{decimals}f} %"


def tolerance_text(one: CharacteristicFindings) -> str:
    """The tolerance in words, with where it comes from."""
    t = one.tolerance
    assert t is not None  # noqa: S101 (asked for only then)
    if math.isinf(t.low):
        said = f"up to {_limit(t.high, one.unit)}"
    elif math.isinf(t.high):
        said = f"{_limit(t.low, one.unit)} and above"
    else:
        said = f"{_limit(t.low, one.unit)} to {_limit(t.high, one.unit)}"
    return f"{said} ({t.source})" if t.source else said


def photographs_sentence(lot: LotFindings) -> str:
    """How many photographs there are, and how many of them gave what."""
    return (
        f"{count(len(lot.photos), 'photograph')}: {len(lot.photos) - len(lot.refused)} measured, "
        f"{len(lot.warned)} of them with a warning, {len(lot.refused)} refused."
    )


def _limit(value: float, unit: str) -> str:
    return limit_text(value, unit).replace("-", MINUS)
