"""What the bench readings mean: each with its usual range, its source mark and a sentence.

Nothing here is a measurement from a picture. Ranges are what bows usually are, not limits,
and where a reading is judged against a limit it is one of :mod:`fitcheck.findings.limits`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any, Literal, TypeVar

from fitcheck.findings.draw import (
    AMO_DRAW_IN,
    FOOT_POUND_J,
    ArrowFigures,
    Curve,
    arrow_figures,
    bow_string_length_in,
    curve_of,
    weight_off_28_lb,
)
from fitcheck.findings.limits import Judged, Tolerance, decide
from fitcheck.findings.play import BOLT_TO_PIN_MM, clearances, play_angle_deg, tip_play_mm
from fitcheck.findings.string_line import ASSUMED
from fitcheck.inspection import (
    ENDS,
    Arrangement,
    EndReadings,
    Inspection,
    LimbReadings,
    Readings,
    TillerReading,
)
from fitcheck.quantities import Quantity
from fitcheck.units import MINUS, MM_PER_INCH, fraction_text, nearest_inch_fraction

Level = Literal["usual", "note", "caution"]
_Own = TypeVar("_Own", Readings, EndReadings, LimbReadings)

# A tape or rule held to a string; standard uncertainty of one reading, common practice.
TILLER_READING_SD_MM = 0.6


@dataclass(frozen=True)
class BenchFinding:
    """One reading and what it means.

    Attributes
    ----------
    name
        Stable, for programs.
    title
        For people.
    reading
        As it was read, with both units.
    meaning
        Sentences.
    level
        ``"usual"``, ``"note"`` (worth knowing) or ``"caution"`` (do something about it).
    mark
        Source of the range: P published, C common practice, M from memory, D derived.
    judged
        Decision against a limit, where there is one.
    """

    name: str
    title: str
    reading: str
    meaning: str
    level: Level
    mark: str
    judged: Judged | None = None


@dataclass(frozen=True)
class Range:
    """What a length usually is, mm, and what is hardly possible."""

    title: str
    usual: tuple[float, float]
    possible: tuple[float, float]
    mark: str


def _inches(*numbers: float) -> tuple[float, ...]:
    return tuple(n * MM_PER_INCH for n in numbers)


def _range(title: str, low: float, high: float, least: float, most: float, mark: str) -> Range:
    usual, possible = _inches(low, high), _inches(least, most)
    return Range(title, (usual[0], usual[1]), (possible[0], possible[1]), mark)


# In inches; usual sizes as in the trade reference.
RANGES: dict[str, Range] = {
    "riser_length": _range("Riser length", 15, 21, 8, 30, "M"),
    "shelf_above_centre": _range("Shelf above centre", 1, 1.5, -1, 4, "M"),
    "rest_height": _range("Rest above the shelf", 0, 0.75, 0, 2, "M"),
    "brace_height": _range("Brace height", 6, 9.5, 3, 12, "M"),
    "pad_width": _range("Pad width", 1.5, 1.875, 0.75, 3, "M"),
    "pad_length": _range("Pad length", 3, 4, 1.5, 6, "P"),
    "pad_to_string": _range("Pad to string", 5, 10, 2, 14, "M"),
    "centre_to_pad": _range("Grip to pad", 6, 10, 3, 15, "M"),
    "bolt_to_pin": _range("Bolt to pin", 1.25, 2, 0.5, 4, "M"),
    "butt_line_to_bolt": _range("Butt line to bolt", 0.4, 2, 0.1, 4, "M"),
    "working_limb": _range("Working limb", 14, 20, 6, 30, "M"),
    "fade_out": _range("Wedge and fade-out", 5, 8, 2, 12, "M"),
    "pivot_to_nock": _range("Pad to nock", 19, 23, 10, 32, "M"),
    "along_string": _range("Pad to nock along the string", 17, 22, 9, 32, "M"),
}
BEST_WORKING_LIMB_MM = 18 * MM_PER_INCH  # of a recurve; common practice, no source
# Scaled and marked weight may differ by so much; the rule of thumb is trusted so far off 28 in.
STRANGE_SHARE, RULE_REACHES_IN = 0.15, 2.0  # common practice, no source
SHORT_BY_IN = 1.0  # scaled so much short of 28 in, a bow shows less than its weight
ADVISED_GR_LB, LIGHTEST_GR_LB = 9.0, 8.0  # advised; under it misuse by several makers: P, C


def both_units(value_mm: float, *, signed: bool = False) -> str:
    """Return a length as the bench says it: ``5 1/4 in (133.4 mm)``.

    Sixteenths where it is one, thirty-seconds and sixty-fourths where it has to be.
    """
    for denominator in (16, 32, 64):
        fraction = nearest_inch_fraction(value_mm, denominator)
        if abs(float(fraction) * MM_PER_INCH - value_mm) < 0.05:
            break
    exact = abs(float(fraction) * MM_PER_INCH - value_mm) < 0.05
    about = "" if exact else "about "
    sign = "+" if signed and value_mm > 0 else ""
    tenths = Decimal(repr(value_mm)).quantize(Decimal("0.1"), ROUND_HALF_UP)
    millimetres = f"{sign}{tenths}".replace("-", MINUS)
    return f"{about}{fraction_text(fraction, signed=signed)} ({millimetres} mm)"


def effective_tiller_mm(upper_mm: float, lower_mm: float, rest_height_mm: float) -> float:
    """Return the tiller that the bow has in the shot, mm: the reading less the rest's height.

    A higher rest wants as much more tiller, so the same limbs then have less of it: 3/16 in
    of reverse tiller off the shelf is about 3/8 in from a rest 3/16 in higher. Common practice.
    """
    return upper_mm - lower_mm - rest_height_mm


def bench_findings(
    inspection: Inspection, limits: Mapping[str, Tolerance], *, stopped: bool = False
) -> tuple[BenchFinding, ...]:
    """Say what every bench reading means.

    Parameters
    ----------
    inspection
        With its readings.
    limits
        In force.
    stopped
        Whether something forbids to shoot the bow: then no arrow is called right for it.
    """
    lengths = tuple(_lengths(inspection))
    inspection = believable(inspection)
    return (
        *lengths,
        *_bow_marks(inspection),
        *_tiller(inspection, limits),
        *_draw(inspection, stopped),
        *_plays(inspection, limits),
    )


def believable(inspection: Inspection) -> Inspection:
    """Return the inspection without the lengths that can hardly be, for all that is reckoned.

    They stay in what is shown, where they are told to be read again.
    """
    readings = inspection.readings
    return replace(
        inspection,
        readings=_without_impossible(
            replace(
                readings,
                ends={end: _without_impossible(own) for end, own in readings.ends.items()},
                limbs={name: _without_impossible(own) for name, own in readings.limbs.items()},
            )
        ),
    )


def _without_impossible(own: _Own) -> _Own:
    wrong: dict[str, Any] = {}
    for name, usual in RANGES.items():
        read = getattr(own, name, None)
        if read is not None and not usual.possible[0] <= read.value <= usual.possible[1]:
            wrong[name] = None
    return replace(own, **wrong)


def draw_weight_lb(inspection: Inspection, curve: Curve | None) -> tuple[float, str] | None:
    """Return the draw weight for judging arrows, lb, and where it comes from.

    The larger of what was scaled and what is marked: an arrow has to stand both. The largest
    force counts, for a last point that falls is a misreading or worse.
    """
    known = []
    if curve is not None and max(curve.force_lb) > 0:
        force, draw = max(zip(curve.force_lb, curve.draw_in, strict=True))
        known.append((force, f"as scaled at {draw:.4g} in"))
    marked = inspection.bow.marked_weight
    if marked is not None:
        known.append((marked.value, "as marked at 28 in"))
    return max(known) if known else None


def _scaled_short(inspection: Inspection, curve: Curve | None) -> bool:
    """Whether the full weight is not known: no mark, and scaled well short of 28 in."""
    if inspection.bow.marked_weight is not None or curve is None:
        return False
    return curve.full_draw_in < AMO_DRAW_IN - SHORT_BY_IN


def _lengths(inspection: Inspection) -> Iterable[BenchFinding]:
    readings = inspection.readings
    for name in ("riser_length", "shelf_above_centre", "rest_height", "brace_height"):
        read: Quantity | None = getattr(readings, name)
        if read is None:
            continue
        more = ""
        if name == "riser_length":
            half = both_units(read.value / 2)
            more = f"Its half, from which the shelf is measured, is {half}."
        elif name == "brace_height":
            more = (
                "Keep to the maker's range: too low slaps and is hard on the wrist, too high "
                "loads the limbs for nothing."
            )
        yield _length(name, read, "", more)
    for end in ENDS:
        own = readings.ends.get(end)
        for name in (
            "pad_width",
            "pad_length",
            "pad_to_string",
            "centre_to_pad",
            "bolt_to_pin",
            "butt_line_to_bolt",
        ):
            read = None if own is None else getattr(own, name)
            if read is not None:
                yield _length(name, read, f"{end} end")
    for limb, sizes in readings.limbs.items():
        for name in ("working_limb", "fade_out", "pivot_to_nock", "along_string"):
            read = getattr(sizes, name)
            if read is None:
                continue
            short, long = RANGES[name].possible
            believed = short <= read.value <= long
            if name == "working_limb" and inspection.bow.kind != "longbow" and believed:
                yield _working_limb(limb, read)
            else:
                yield _length(name, read, f"limb {limb}")


def _length(name: str, read: Quantity, where: str, more: str = "") -> BenchFinding:
    limits = RANGES[name]
    low, high = limits.usual
    span = f"{both_units(low)} to {both_units(high)}"
    level: Level = "usual"
    if not limits.possible[0] <= read.value <= limits.possible[1]:
        level, said = "caution", f"That can hardly be: usual is {span}. Read it again."
    elif low - 0.05 <= read.value <= high + 0.05:
        said = f"Usual ({span})."
    else:
        level, said = "note", f"Not usual ({span}), which need not be wrong."
    title = f"{limits.title}, {where}" if where else limits.title
    meaning = f"{said} {more}".strip()
    return BenchFinding(
        f"{name} {where}".strip(), title, _as_read(read), meaning, level, limits.mark
    )


def _as_read(read: Quantity) -> str:
    if read.unit != "mm":
        return read.typed
    typed = read.typed.strip()
    return both_units(read.value) if "in" in typed or '"' in typed else f"{typed}"


def _working_limb(limb: str, read: Quantity) -> BenchFinding:
    best = both_units(BEST_WORKING_LIMB_MM)
    short = BEST_WORKING_LIMB_MM - read.value
    if short > 1:
        level: Level = "note"
        meaning = (
            f"Short of the {best} that a recurve does best with by {both_units(short)}: the same "
            "draw bends it more, so it stacks sooner and is strained more. Do not lengthen the "
            "draw, and never cut into the fade-out to gain some."
        )
    else:
        level = "usual"
        meaning = f"At or over the {best} that a recurve does best with."
    return BenchFinding(
        f"working_limb limb {limb}",
        f"Working limb, limb {limb}",
        _as_read(read),
        meaning,
        level,
        "C",
    )


def _bow_marks(inspection: Inspection) -> Iterable[BenchFinding]:
    length = inspection.bow.length
    if length is not None:
        string = bow_string_length_in(length.value / MM_PER_INCH)
        yield BenchFinding(
            "bow_length",
            "Marked bow length",
            _as_read(length),
            f"Its bow-string master is {fraction_text(Fraction(string).limit_denominator(64))} "
            "long, 3 in less than marked (AMO Standards FP-3, 2000).",
            "usual",
            "P",
        )


def _tiller(inspection: Inspection, limits: Mapping[str, Tolerance]) -> Iterable[BenchFinding]:
    rest = inspection.readings.rest_height
    for reading in inspection.readings.tiller:
        yield tiller_finding(
            reading, 0.0 if rest is None else rest.value, rest is not None, limits["tiller"]
        )


def tiller_finding(
    reading: TillerReading, rest_mm: float, rest_known: bool, tolerance: Tolerance
) -> BenchFinding:
    """Say what a tiller reading means, corrected for the rest's height over the shelf."""
    upper, u_upper = reading.upper.with_uncertainty(TILLER_READING_SD_MM)
    lower, u_lower = reading.lower.with_uncertainty(TILLER_READING_SD_MM)
    off_shelf = upper - lower
    tiller = effective_tiller_mm(upper, lower, rest_mm)
    judged = decide(tiller, math.hypot(u_upper, u_lower), tolerance)
    said = f"{_tiller_words(off_shelf)} off the shelf"
    if rest_mm:
        said += (
            f"; the rest stands {both_units(rest_mm)} over it, so that in the shot it is "
            f"{_tiller_words(tiller)}"
        )
    elif not rest_known:
        said += "; how high the rest stands over it was not measured"
    said += f". Wanted: {tolerance.good_text}; {judged.sentence}."
    if judged.conformity != "conforms":
        weak = "upper" if tiller > tolerance.good[1] else "lower"
        said += (
            f" As they sit, the {weak} limb is the weaker." if judged.rework == "needed" else ""
        )
        if written_the_other_way(judged, rest_mm):
            said += " Were the two written down the other way round? So read they would be good."
    level: Level = "usual" if judged.conformity == "conforms" else "note"
    return BenchFinding(
        f"tiller {reading.limbs}",
        "Tiller" if reading.limbs == "as received" else "Tiller, limbs exchanged",
        f"upper {_as_read(reading.upper)}, lower {_as_read(reading.lower)}",
        said,
        "caution" if judged.rework == "needed" else level,
        tolerance.mark,
        judged,
    )


def written_the_other_way(judged: Judged, rest_mm: float) -> bool:
    """Whether a tiller is past its limits and would be good with its two gaps exchanged."""
    if judged.conformity == "conforms" or judged.rework == "not needed":
        return False
    off_shelf = judged.value + rest_mm
    swapped = effective_tiller_mm(-off_shelf, 0.0, rest_mm)
    return decide(swapped, judged.standard_uncertainty, judged.tolerance).p_good >= 0.5


def _tiller_words(tiller_mm: float) -> str:
    if abs(tiller_mm) < 0.2:
        return "even tiller"
    kind = "positive" if tiller_mm > 0 else "reverse"
    return f"{both_units(abs(tiller_mm))} {kind} tiller"


def tiller_of(
    inspection: Inspection, arrangement: Arrangement, limits: Mapping[str, Tolerance]
) -> BenchFinding | None:
    """Return the tiller finding of one arrangement; None if it was not measured."""
    for found in _tiller(inspection, limits):
        if found.name == f"tiller {arrangement}":
            return found
    return None


def _draw(inspection: Inspection, stopped: bool) -> Iterable[BenchFinding]:
    curve = curve_of(inspection.readings)
    if curve is not None:
        yield from _curve(inspection, curve)
    weight = draw_weight_lb(inspection, curve)
    for figures in arrow_figures(
        inspection.readings, curve, None if weight is None else weight[0]
    ):
        yield _arrow(inspection, figures, weight, stopped, _scaled_short(inspection, curve))


def _curve(inspection: Inspection, curve: Curve) -> Iterable[BenchFinding]:
    said, level = [], "usual"
    marked = inspection.bow.marked_weight
    if marked is not None:
        at_28 = curve.weight_at(28.0)
        if at_28 is not None:
            said.append(f"At 28 in {at_28:.1f} lb; marked {marked.typed}.")
        else:
            rule = weight_off_28_lb(marked.value, curve.full_draw_in)
            said.append(
                f"Marked {marked.typed} at 28 in; by rule of thumb about {rule:.0f} lb at "
                f"{curve.full_draw_in:.4g} in. A scale goes before any rule."
            )
    strange = "" if marked is None else _strange_weight(marked.value, curve)
    if strange:
        said.append(strange)
        level = "caution"
    if curve.problems:
        said += curve.problems
        level = "caution"
    if curve.stacking_from_in is not None:
        level = "note" if level == "usual" else level
        said.append(
            f"It stacks from {curve.stacking_from_in:.4g} in on: more than 5.5 % of the full "
            "weight for each inch [P]. Do not draw past it."
        )
    elif len(curve.slopes_lb_in) > 2:
        said.append("It does not stack up to there (no inch over 5.5 % of the full weight, late).")
    if curve.steep_from_in is not None:
        said.append(f"Over 3 lb for each inch from {curve.steep_from_in:.4g} in on [M].")
    if curve.energy_ft_lb is not None:
        value, u = curve.energy_ft_lb
        said.append(
            f"Stored from brace to there: {value:.1f} ± {1.96 * u:.1f} ft·lb "
            f"({value * FOOT_POUND_J:.0f} J)."
        )
    elif not curve.problems:
        said.append("The stored energy needs the brace height too.")
    yield BenchFinding(
        "draw_curve",
        "Force and draw",
        f"{curve.full_weight_lb:.1f} lb at {curve.full_draw_in:.4g} in (AMO)",
        " ".join(said),
        "caution" if level == "caution" else "note" if level == "note" else "usual",
        "P",
    )


def _strange_weight(marked_lb: float, curve: Curve) -> str:
    """Say that the bow scales far from its mark; empty where it does not, or nobody can say."""
    scaled, expected = curve.weight_at(AMO_DRAW_IN), marked_lb
    if scaled is None:
        if abs(curve.full_draw_in - AMO_DRAW_IN) > RULE_REACHES_IN:
            return ""
        scaled = curve.full_weight_lb
        expected = weight_off_28_lb(marked_lb, curve.full_draw_in)
    if abs(scaled - expected) <= STRANGE_SHARE * expected:
        return ""
    if scaled < expected:
        return (
            "Far under its mark: it was drawn short, the limbs are others, or it has lost weight, "
            "and a bow that loses weight is failing inside. A qualified person looks at it first."
        )
    return (
        "Far over its mark: limbs and mark do not belong together, or one was read wrong. "
        "Settle which before it is drawn further."
    )


def _arrow(
    inspection: Inspection,
    figures: ArrowFigures,
    weight: tuple[float, str] | None,
    stopped: bool,
    short: bool,
) -> BenchFinding:
    said: list[str] = []
    level: Level = "usual"
    per_pound = figures.grains_per_pound
    own = inspection.bow.lightest_arrow
    if per_pound is None or weight is None:
        said.append("Without a draw weight it cannot be judged: scale the bow at full draw.")
        level = "note"
    else:
        said.append(f"{per_pound:.1f} gr/lb on {weight[0]:.3g} lb {weight[1]}.")
        lightest = LIGHTEST_GR_LB if own is None else own.value
        whose = "several makers call misuse" if own is None else "the maker allows"
        if per_pound < lightest:
            level = "caution"
            said.append(
                f"Too light: under the {lightest:g} gr/lb that {whose}. A light arrow leaves "
                "the energy in the limbs, as a dry fire does. Do not shoot it from this bow"
                + _least(lightest * weight[0], short, stopped)
            )
        elif short:
            level = "note"
            said.append(
                "Whether that is enough cannot be judged: the bow was scaled more than an inch "
                "short of 28 in and carries no mark. Scale it at full draw."
            )
        elif stopped:
            said.append("Not judged: nothing is shot from this bow as it is.")
        elif per_pound < ADVISED_GR_LB and own is None:
            level = "note"
            said.append("On the light side: 9 gr/lb and up is advised [P/C].")
        else:
            said.append("Heavy enough by the maker's mark." if own else "Heavy enough.")
        if own is None:
            said.append("The maker's own mark goes before this rule.")
    if figures.energy_ft_lb is not None and figures.momentum_slug_fps is not None:
        energy, momentum = figures.energy_ft_lb, figures.momentum_slug_fps
        said.append(
            f"Kinetic energy {energy[0]:.1f} ± {1.96 * energy[1]:.1f} ft·lb "
            f"({energy[0] * FOOT_POUND_J:.0f} J), momentum {momentum[0]:.3f} slug·ft/s."
        )
    if figures.efficiency is not None:
        value, u = figures.efficiency
        said.append(f"Efficiency {100 * value:.0f} ± {196 * u:.0f} %.")
        if value - 1.96 * u > 0.9:
            level = "caution"
            said.append("No bow gives so much: mass, speed or draw curve was read wrong.")
    name = figures.name or "arrow"
    return BenchFinding(
        f"arrow {name}", f"Arrow: {name}", f"{figures.grains:.0f} gr", " ".join(said), level, "P/C"
    )


def _least(grains: float, short: bool, stopped: bool) -> str:
    """Say which arrow would be heavy enough; of a bow that is not shot at all, none is."""
    if stopped:
        return "."
    return f"; {math.ceil(grains)} gr is the least" + (
        ", and more at full draw." if short else "."
    )


def _plays(inspection: Inspection, limits: Mapping[str, Tolerance]) -> Iterable[BenchFinding]:
    for end in ENDS:
        own = inspection.readings.ends.get(end)
        if own is None:
            continue
        found = clearances(own)
        if found.pin is None:
            continue
        limb = inspection.limbs_at("as received").get(end)
        sizes = inspection.readings.limbs.get(limb or "")
        length = ASSUMED["pivot_to_nock"][0]
        if sizes is not None and sizes.pivot_to_nock is not None:
            length = sizes.pivot_to_nock.value
        apart = BOLT_TO_PIN_MM if own.bolt_to_pin is None else own.bolt_to_pin.value
        bolt = found.pin[0] if found.bolt is None else found.bolt[0]
        angle = play_angle_deg(max(bolt, 0), max(found.pin[0], 0), apart)
        tip = tip_play_mm(angle, length)
        judged = decide(found.pin[0], found.pin[1], limits["pin_play"])
        felt = f"{own.pins} by feel" if found.by_feel else f"pin {_thousandths(found.pin[0])}"
        reading = felt if found.bolt is None else f"{felt}, bolt {_thousandths(found.bolt[0])}"
        yield BenchFinding(
            f"play {end} end",
            f"Pin and bolt play, {end} end",
            reading,
            f"The play alone lets the limb turn by ±{angle:.2f}° and its tip move by "
            f"±{tip:.1f} mm (±{tip / MM_PER_INCH:.3f} in): a sideways error up to that is no "
            f"proof of a wrong hole. The pin's play is {judged.sentence}.",
            "usual" if judged.conformity == "conforms" else "note",
            "D",
            judged,
        )


def _thousandths(value_mm: float) -> str:
    return f"{value_mm:.2f} mm ({value_mm / MM_PER_INCH:.3f} in)"
