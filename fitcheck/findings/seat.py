"""One seat, one limb on one end of the riser: all that is known of its fit, in one place."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.combine import Combined, Evidence, Spot
from fitcheck.findings.frames import sign_in_bow
from fitcheck.findings.play import BY_FEEL_MM, clearances
from fitcheck.findings.shares import Shares
from fitcheck.findings.sums import Part, Play, roll_row, sideways_row
from fitcheck.inspection import SIDES, End, FeelerReading, Inspection, Side
from fitcheck.units import MM_PER_INCH, quantity_text

Array = NDArray[np.float64]

FEELER_BLADE_SD_MM = 0.004  # blades are good to 5 to 10 µm; from memory
# Gaps above a blade that enters, no thicker one tried, fall off over this; from memory.
FEELER_TAIL_MM = 0.05
GAP_SPOTS = (("gap_butt", "butt"), ("gap_end", "riser end"))
# Values of one spot that differ by more than 2.58 standard uncertainties (99 %) disagree.
MOSTLY = 0.5  # of a standard uncertainty: a source as large as this is what to mend
DISAGREE = 2.58


FELT, READ = "feel", "bench"  # tools: of a play told by hand, and of one read on the bench


@dataclass(frozen=True)
class Value:
    """A value with its standard uncertainty, and the tool it came from.

    ``bounds`` is set where only two bounds are known, as from a feeler gauge: the value is
    then taken as rectangular between them, or, where the upper one is infinite, as falling off
    exponentially above the lower one. ``ambiguous`` is set where the photograph shows another
    line that may as well be the one that was measured, ``other_line`` where most of the
    uncertainty comes from such a line.
    """

    value: float
    standard_uncertainty: float
    unit: str
    tool: str = "photograph"
    bounds: tuple[float, float] | None = None
    ambiguous: bool = False
    other_line: bool = False

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, 95 %."""
        return 1.96 * self.standard_uncertainty


@dataclass(frozen=True)
class Seat:
    """One limb on one end of the riser.

    Attributes
    ----------
    end, limb
        Which.
    values
        By characteristic: ``overhang_left``, ``overhang_right``, ``lateral_offset``,
        ``lateral_angle``, ``limb_width``, ``riser_width``, ``pad_squareness``, ``twist``,
        ``seat_gap`` (the place least surely within its limits), ``gap_wedge``, ``pin_play``.
    twist_from_riser
        Whether the twist is the whole, against the riser's face, or the limb's own only.
    gaps
        Every place of the seam by ``(at, side)``.
    notes
        What is to be said beside the numbers.
    """

    end: End
    limb: str | None
    values: Mapping[str, Value] = field(default_factory=dict)
    twist_from_riser: bool = False
    gaps: Mapping[tuple[str, Side], Value] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def with_values(self, **changed: Value) -> Seat:
        """Return the seat with some values changed, as when a step is done."""
        return replace(self, values={**self.values, **changed})


def seat_of(inspection: Inspection, evidence: Evidence, end: End, limb: str | None) -> Seat:
    """Collect what is known of one seat.

    Parameters
    ----------
    inspection
        For the bench readings.
    evidence
        From the photographs.
    end, limb
        Which seat; without a limb only the bare pad is looked at.
    """
    values: dict[str, Value] = {}
    notes: list[str] = []

    def take(name: str, found_as: str, **where: object) -> None:
        found = evidence.get(found_as, **where)  # type: ignore[arg-type]
        if found is not None:
            u = found.standard_uncertainty
            other_line = found.shared.get("other_line", 0.0) > MOSTLY * u
            values[name] = Value(found.value, u, found.unit, other_line=other_line)

    take("riser_width", "pad_riser_width", end=end)
    take("pad_squareness", "pad_squareness", end=end)
    twist_from_riser = False
    gaps: dict[tuple[str, Side], Value] = {}
    if limb is not None:
        for name in (
            "overhang_left",
            "overhang_right",
            "lateral_offset",
            "lateral_angle",
            "limb_width",
            "riser_width",
        ):
            take(name, name, end=end, limb=limb)
        take("twist", "twist", limb=limb)
        if evidence.get("twist", end, limb, from_riser=True) is not None:
            take("twist", "twist", end=end, limb=limb, from_riser=True)
            twist_from_riser = True
        for side in SIDES:
            take(f"gap_wedge_{side}", "gap_wedge", end=end, limb=limb, side=side)
        gaps = _gaps(inspection, evidence, end, limb, notes)
        if gaps:
            values["seat_gap"] = widest_gap(gaps)
    known = clearances(inspection.readings.ends.get(end))
    play = known.pin
    if play is not None and _loose_by_the_list(inspection, end, limb, play[0]):
        notes.append(
            f"The check list has a loose index pin, and the bench reading at the {end} end a "
            "tight one: they do not agree, and the pin is not scored. Try it again with two "
            "fingers."
        )
    elif play is not None:
        values["pin_play"] = Value(*play, "mm", FELT if known.by_feel else READ)
    return Seat(end, limb, values, twist_from_riser, gaps, tuple(notes))


def _loose_by_the_list(inspection: Inspection, end: End, limb: str | None, play_mm: float) -> bool:
    """Whether the check list has a loose pin where the bench reading has none."""
    return play_mm < BY_FEEL_MM["loose"][0] and any(
        entry.item == "loose_pin"
        and entry.found
        and entry.end in (None, end)
        and (entry.limb is None or entry.limb == limb)
        for entry in inspection.condition
    )


def reckon_seat(
    seat: Seat, roll: Shares, sideways: Shares, evidence: Evidence, play: Play
) -> Seat:
    """Fill in what was not photographed at a seat but follows from the parts' shares.

    Twist against the riser, sideways offset and angle, and the overhangs with them where both
    widths are known. Values so had carry the tool ``"reckoned"``.
    """
    if seat.limb is None:
        return seat
    values = dict(seat.values)
    twist_from_riser = seat.twist_from_riser
    parts = [p for p in roll.readings.parts if isinstance(p, Part)]
    row = roll_row(parts, Spot("twist", seat.end, seat.limb, from_riser=True))
    if not twist_from_riser and roll.implied(row[None]):
        values["twist"] = _reckoned(roll, row, 0.0, "deg")
        twist_from_riser = True
    holes = [p for p in sideways.readings.parts if isinstance(p, Part)]
    for component, name in enumerate(("lateral_offset", "lateral_angle")):
        row = sideways_row(holes, seat.end, seat.limb, component)
        if name not in values and sideways.implied(row[None]):
            moved = (play.offset_mm, play.angle_deg)[component]
            values[name] = _reckoned(sideways, row, moved, ("mm", "deg")[component])
    wide = _width_of(evidence, "limb_width", limb=seat.limb)
    riser = _width_of(evidence, "riser_width", end=seat.end)
    offset = values.get("lateral_offset")
    if "overhang_left" not in values and offset and wide and riser:
        half = (wide.value - riser.value) / 2
        spread = math.hypot(wide.standard_uncertainty, riser.standard_uncertainty) / 2
        u = math.hypot(spread, offset.standard_uncertainty)
        values["overhang_left"] = Value(half - offset.value, u, "mm", "reckoned")
        values["overhang_right"] = Value(half + offset.value, u, "mm", "reckoned")
    return replace(seat, values=values, twist_from_riser=twist_from_riser)


def _reckoned(shares: Shares, row: Array, moved: float, unit: str) -> Value:
    mean, covariance = shares.moments()
    u = math.sqrt(float(row @ covariance @ row) + moved**2)
    return Value(float(row @ mean), max(u, 1e-4), unit, "reckoned")


def _width_of(
    evidence: Evidence, name: str, end: End | None = None, limb: str | None = None
) -> Combined | None:
    """A width of a limb or of an end of the riser, whatever it was bolted to."""
    found = [
        c
        for spot, c in evidence.values.items()
        if spot.characteristic == name and (spot.end == end if limb is None else spot.limb == limb)
    ]
    return min(found, key=lambda c: c.standard_uncertainty) if found else None


def _gaps(
    inspection: Inspection, evidence: Evidence, end: End, limb: str, notes: list[str]
) -> dict[tuple[str, Side], Value]:
    gaps: dict[tuple[str, Side], Value] = {}
    for characteristic, at in GAP_SPOTS:
        for side in SIDES:
            found = evidence.get(characteristic, end, limb, side)
            if found is not None:
                unsure = any(note.code == "seam_ambiguous" for note in found.notes)
                gaps[at, side] = Value(
                    found.value, found.standard_uncertainty, found.unit, ambiguous=unsure
                )
    felt_bounds = dict[tuple[str, Side], tuple[float, float]]()
    for reading in inspection.readings.feeler:
        felt_limb = reading.limb or inspection.as_received.get(end, limb)
        if reading.end == end and felt_limb == limb:
            felt_place = (reading.at, reading.side)
            low, high = feeler_bounds(reading)
            before = felt_bounds.get(felt_place, (0.0, math.inf))
            felt_bounds[felt_place] = max(low, before[0]), min(high, before[1])
    for place, bounds in felt_bounds.items():
        at, side = place
        if bounds[0] >= bounds[1]:
            notes.append(
                f"At the {at} on the {side} of the {end} end a feeler blade of {bounds[0]:.2f} mm "
                f"entered once and one of {bounds[1]:.2f} mm another time did not: the wider gap "
                "is taken. Feel again, bolt snug."
            )
            bounds = bounds[0], math.inf
        felt, seen = _felt(*bounds), gaps.get(place)
        if seen is None:
            gaps[place] = felt
            continue
        outside = max(bounds[0] - seen.value, seen.value - bounds[1], 0.0)
        if outside > DISAGREE * math.hypot(seen.standard_uncertainty, FEELER_BLADE_SD_MM):
            notes.append(
                f"At the {at} on the {side} the photograph shows "
                f"{seen.value:.2f} mm of gap and the feeler gauge {gap_words(felt)}: they do "
                "not agree, and the gauge is taken. See whether the bolt was as snug both times."
            )
            gaps[place] = felt
        elif seen.ambiguous:  # of the two the blades alone are of this seam for certain
            gaps[place] = felt
        else:
            gaps[place] = _within(seen, bounds)
    return gaps


def widest_gap(gaps: Mapping[tuple[str, Side], Value]) -> Value:
    """Return the widest of a seat's gaps."""
    return max(gaps.values(), key=lambda gap: gap.value)


def _within(seen: Value, bounds: tuple[float, float]) -> Value:
    """Return what a photograph shows, cut off where the blades say that it cannot lie."""
    u = math.hypot(seen.standard_uncertainty, FEELER_BLADE_SD_MM)
    if bounds[1] - bounds[0] < u / 20:  # the photograph tells nothing of where between
        return _felt(*bounds)
    from scipy.stats import truncnorm  # only here: it takes longer to load than all the rest

    ends = [(end - seen.value) / u for end in bounds]
    mean, variance = truncnorm.stats(*ends, loc=seen.value, scale=u)
    spread = math.hypot(math.sqrt(max(float(variance), 0.0)), FEELER_BLADE_SD_MM)
    return Value(float(mean), spread, seen.unit, f"{seen.tool} and feeler gauge")


def feeler_bounds(reading: FeelerReading) -> tuple[float, float]:
    """Return between what the blades leave the gap, mm.

    A blade that enters is a lower bound and nothing more, one that does not an upper bound.
    """
    low = 0.0 if reading.enters is None else max(reading.enters.value, 0.0)
    high = math.inf if reading.does_not_enter is None else reading.does_not_enter.value
    return low, high


def feeler_value(reading: FeelerReading) -> Value:
    """Return the gap that a feeler gauge alone tells, mm.

    Rectangular between the blade that enters and the one that does not (GUM, JCGM 100:2008,
    4.3.7); without the latter exponential above the former.
    """
    return _felt(*feeler_bounds(reading))


def _felt(low: float, high: float) -> Value:
    if math.isinf(high):
        spread = math.hypot(FEELER_TAIL_MM, FEELER_BLADE_SD_MM)
        return Value(low + FEELER_TAIL_MM, spread, "mm", "feeler gauge", (low, high))
    spread = math.hypot((high - low) / math.sqrt(12), FEELER_BLADE_SD_MM)
    return Value((low + high) / 2, spread, "mm", "feeler gauge", (low, high))


def gap_words(gap: Value) -> str:
    """Say how wide a gap is: ``at least 0.10 mm``, ``0.03 to 0.08 mm``, ``0.06 mm ± 0.02 mm``."""
    if gap.bounds is None:
        spread = max(gap.expanded, 1e-3)
        return quantity_text(max(gap.value, 0.0), spread, gap.unit, signed=False)
    low, high = gap.bounds
    if math.isinf(high):
        return f"at least {low:.2f} mm"
    return f"at most {high:.2f} mm" if low <= 0 else f"{low:.2f} to {high:.2f} mm"


def probability_up_to(value: Value, limit: float) -> float:
    """Probability that a value with bounds is no more than a limit.

    Raises
    ------
    ValueError
        If the value has no bounds.
    """
    if value.bounds is None:
        raise ValueError("the value has no bounds")
    low, high = value.bounds
    if math.isinf(high):
        return 0.0 if limit <= low else 1 - math.exp(-(limit - low) / FEELER_TAIL_MM)
    return min(max((limit - low) / (high - low), 0.0), 1.0)


def wind_of(seats: Mapping[End, Seat]) -> Value | None:
    """Return the wind of one pad against the other, deg; None unless both are known.

    Both rolls are taken into the bow's frame, where the lower seat's has the other sign.
    """
    pads = {end: seat.values.get("pad_squareness") for end, seat in seats.items()}
    upper, lower = pads.get("upper"), pads.get("lower")
    if upper is None or lower is None:
        return None
    wind = sign_in_bow("upper") * upper.value - sign_in_bow("lower") * lower.value
    u = math.hypot(upper.standard_uncertainty, lower.standard_uncertainty)
    return Value(wind, u, "deg")


def pad_size_mm(inspection: Inspection, seat: Seat) -> tuple[float, float, tuple[str, ...]]:
    """Return width and length of a pad, mm, and which of the two had to be assumed.

    The width is read on the bench, else that of the riser in the photographs, else 1 3/4 in;
    the length is read, else 3 1/2 in (published and remembered typical sizes).
    """
    readings = inspection.readings.ends.get(seat.end)
    width = None if readings is None else readings.pad_width
    length = None if readings is None else readings.pad_length
    assumed = []
    if width is not None:
        wide = width.value
    elif "riser_width" in seat.values:
        wide = seat.values["riser_width"].value
    else:
        wide = 1.75 * MM_PER_INCH
        assumed.append("pad width 1 3/4 in")
    long = 3.5 * MM_PER_INCH
    if length is not None:
        long = length.value
    else:
        assumed.append("pad length 3 1/2 in")
    return wide, long, tuple(assumed)
