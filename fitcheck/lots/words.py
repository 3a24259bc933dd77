"""What is said of a lot in sentences, the same on the command line, on the page and on paper."""

from __future__ import annotations

import math

from fitcheck.lots.acceptance import acceptance_guard
from fitcheck.lots.analysis import FEW_POINTS, CharacteristicFindings
from fitcheck.lots.plan import count
from fitcheck.lots.run_rules import LIMITS
from fitcheck.lots.scale import Scale, scale_of
from fitcheck.lots.whole import LotFindings
from fitcheck.plain_text import visible_text
from fitcheck.reporting.naming import is_signed
from fitcheck.units import MINUS, limit_text, value_text

TAKEN_CARE = (
    "Fit is no proof of strength. A part that is measured again is neither good nor bad yet. The "
    "limits are common practice unless your own are given; the maker’s own limits, local rules "
    "and qualified people come first.",
)
MOST_NAMES = 10
_VERDICTS = {
    "accept": "accepted",
    "reject": "rejected",
    "measure again": "to be measured again",
    "not judged": "not judged",
    "not measured": "not measured",
}
# What is said of each kind of part that is not accepted, in this order.
TO_BE_NAMED = ("reject", "measure again", "not judged", "not measured")


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
    """How decisions and values compare with what is truly so; empty where that is not known."""
    t = one.truth
    if t is None:
        return ""
    said = (
        f"{count(t.parts, 'part')}: {t.accepted} accepted, of these "
        f"{_number(t.false_accepts)} wrongly (by the stated risks "
        f"{_expected(t.expected_false_accepts)} were to be expected); {t.rejected} rejected, "
        f"{_number(t.false_rejects)} wrongly ({_expected(t.expected_false_rejects)} to be "
        f"expected); {t.again} left open."
    )
    if t.held is not None:
        said += f" {t.held} of {t.parts} intervals hold the truth."
    return said


def _expected(number: float) -> str:
    return "under 0.01" if number < 0.01 else f"{number:.2g}"


def room_sentence(one: CharacteristicFindings) -> str:
    """Whether there are parts that no value could get accepted; empty where there are none."""
    t = one.tolerance
    if t is None:
        return ""
    stated = [p.standard_uncertainty for p in one.parts]
    without = sum(u is not None and math.isinf(acceptance_guard(u, t)) for u in stated)
    if not without:
        return ""
    return (
        f"The uncertainty of {count(without, 'part')} is wider than the tolerance allows: no "
        "value could get them accepted, however good they are. Make the measurement better before "
        "measuring again, or use another gauge."
    )


SIGNALS = (
    "The control charts show what is hardly chance: look for its cause before relying on the "
    "capability."
)


def signalled(one: CharacteristicFindings) -> str:
    """Names of parts and subgroups at which a control chart signals, those past a limit first."""
    found = [
        (signal.rule != LIMITS, one.points_of(chart.kind)[signal.at])
        for chart in one.charts
        for signal in chart.signals
    ]
    names = dict.fromkeys(name for _, name in sorted(found, key=lambda pair: pair[0]))
    shown = ", ".join(visible_text(name) for name in list(names)[:MOST_NAMES])
    return shown + (" …" if len(names) > MOST_NAMES else "")


def signals_text(one: CharacteristicFindings) -> str:
    """What the control charts show that is hardly chance, and where; empty without any."""
    names = signalled(one)
    return f"{SIGNALS} {names}." if names else ""


def wrongly_decided(one: CharacteristicFindings) -> str:
    """Names of the parts whose decision the truth contradicts; empty without any."""
    t = one.truth
    names = () if t is None else (*t.false_accepts, *t.false_rejects)
    shown = ", ".join(visible_text(part) for part in names[:MOST_NAMES])
    return shown + (" …" if len(names) > MOST_NAMES else "")


def truth_text(one: CharacteristicFindings) -> str:
    """How decisions compare with the truth, with the names of those that were wrong."""
    names = wrongly_decided(one)
    return truth_sentence(one) + (f" Decided wrongly: {names}." if names else "")


def _number(parts: tuple[str, ...]) -> str:
    return str(len(parts) or "none")


def percent_text(share: float, decimals: int = 0) -> str:
    """A share as percent."""
    return f"{100 * share:.{decimals}f} %"


def small_text(probability: float) -> str:
    """A probability as percent, not smaller than anybody believes."""
    return "under 0.01 %" if probability < 1e-4 else percent_text(probability, 2)


def share_text(probability: float) -> str:
    """A probability as percent that never claims to be certain."""
    if probability > 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.0005 else percent_text(probability, 1)


def tolerance_range(one: CharacteristicFindings, scale: Scale) -> str:
    """The tolerance in the unit that is shown."""
    t = one.tolerance
    assert t is not None  # noqa: S101 (asked for only then)
    low, high = (_limit(end, scale) for end in (t.low, t.high))
    if math.isinf(t.low):
        return f"up to {high}"
    return f"from {low}" if math.isinf(t.high) else f"{low} to {high}"


def tolerance_text(one: CharacteristicFindings, scale: Scale | None = None) -> str:
    """The tolerance in words, with where it comes from."""
    t = one.tolerance
    said = tolerance_range(one, scale or scale_of(one.unit))
    return f"{said} ({t.source})" if t is not None and t.source else said


def photographs_sentence(lot: LotFindings) -> str:
    """How many photographs there are, and how many of them gave what."""
    return (
        f"{count(len(lot.photos), 'photograph')}: {len(lot.photos) - len(lot.refused)} measured, "
        f"{len(lot.warned)} of them with a warning, {len(lot.refused)} refused."
    )


def _limit(value: float, scale: Scale) -> str:
    if math.isinf(value):
        return ""
    # An inch is 25 mm: a fourth decimal keeps what the second of a millimetre said.
    shown = round(scale.shown(value), 4) if scale.unit == "in" else value
    return limit_text(shown, scale.unit).replace("-", MINUS)


def capability_sentences(one: CharacteristicFindings) -> list[str]:
    """What belongs to the ratios of capability: what was taken out, normality, risks."""
    said = []
    if one.own_capability is None:
        said.append(_not_taken_out(one))
    else:
        said.append(
            "Taken out is what is new in every photograph; what all photographs share shifts the "
            "mean and not the spread."
        )
    test = one.normality
    if test is None:
        said.append("Too few parts, or too like one another, to look at normality.")
    elif test.doubtful:
        said.append(
            "The parts are hardly from one normal distribution (Anderson–Darling, probability "
            f"{percent_text(test.probability, 1)}): read the ratios with care, and look for parts "
            "of another kind."
        )
    else:
        few = ", though few parts could hardly tell" if len(one.parts) < FEW_POINTS else ""
        said.append(
            "Nothing speaks against a normal distribution (Anderson–Darling, probability "
            f"{percent_text(test.probability)}){few}."
        )
    if one.risk is not None:
        r = one.risk
        said.append(
            f"A process that makes such parts has {share_text(r.outside)} outside the "
            f"tolerance. Decided so, {small_text(r.consumers)} of all parts are accepted "
            f"though outside (consumer’s risk), {small_text(r.producers)} rejected though "
            f"within (producer’s risk), and {share_text(r.again)} come back to be measured "
            "again."
        )
    return said


def _not_taken_out(one: CharacteristicFindings) -> str:
    if any(p.standard_uncertainty is None for p in one.parts):
        return "The spread of measuring is not taken out: no uncertainty is stated."
    if not any(p.independent for p in one.parts):
        return (
            "The spread of measuring is not taken out: the uncertainty is stated without saying "
            "how much of it is new in each reading."
        )
    return (
        "The spread of measuring is not taken out: measuring alone would spread the parts as much "
        "as they are."
    )


def typical_expanded(one: CharacteristicFindings) -> float:
    """Root mean square of the parts' expanded uncertainties; 0 where nobody states any."""
    known = [p.standard_uncertainty for p in one.parts if p.standard_uncertainty is not None]
    return 1.96 * math.sqrt(math.fsum(u**2 for u in known) / len(known)) if known else 0.0


def from_to_text(one: CharacteristicFindings, scale: Scale) -> str:
    """Smallest to largest of the parts, with the digits that their uncertainty supports."""
    ends = [f(p.value for p in one.parts) for f in (min, max)]
    typical = typical_expanded(one)
    if typical <= 0:
        return " to ".join(scale.with_unit(end) for end in ends)
    shown = scale.shown(typical)
    sign = is_signed(one.name)
    return " to ".join(
        value_text(scale.shown(end), shown, scale.unit, signed=sign) for end in ends
    )
