"""Every measured characteristic against its limit, with what would decide what is open."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from fitcheck.findings.frames import side_of
from fitcheck.findings.limits import Judged, Tolerance, decide
from fitcheck.findings.seat import READ, Seat, Value, gap_words, probability_up_to, wind_of
from fitcheck.findings.string_line import StringPlace
from fitcheck.findings.words import MEASURES, magnitude, sentence
from fitcheck.inspection import End, Side
from fitcheck.judgement import REQUIRED_PROBABILITY, Conformity, Rework

# Which limit each characteristic of a seat is held against.
LIMIT_OF = {
    "overhang_left": "overhang",
    "overhang_right": "overhang",
    "lateral_angle": "lateral_angle",
    "pad_squareness": "pad_squareness",
    "twist": "twist",
    "seat_gap": "seat_gap",
    "pin_play": "pin_play",
}
# Of two lines that may as well be the seam each is it with no more than this.
P_OF_TWO_LINES = 0.5
RULE = "rule"  # the tool of what was read at the string
AMBIGUOUS = "Another line there may as well be the seam: look at the drawn lines."
LEAST_GAP_MM = 0.005  # below it a seam is said to be closed
WHAT_DECIDES = {
    "overhang": "a second photograph from straight above the seam, or a straightedge and feeler "
    "gauge at the lip",
    "lateral_angle": "a second photograph of the seat, limb taken off and put back",
    "pad_squareness": "a second photograph of the bare pad, or an engineer’s square held to the "
    "riser’s side with a feeler gauge",
    "twist": "the sight once more with cards C and D exchanged",
    "seat_gap": "a feeler gauge at the seam, bolt snug",
    "wind": "winding sticks on the bare riser, or both pads photographed once more",
    "pin_play": "pin and hole measured with a caliper",
    "string_grip": "a rule at the string, bow strung",
    "string_pad": "a rule at the string, bow strung",
    "tiller": "tiller measured again, twice, at both limbs",
}


@dataclass(frozen=True)
class Finding:
    """One characteristic of one seat, or of the bow, against its limit.

    Attributes
    ----------
    name
        Of the characteristic.
    end, limb
        Of the seat; None for the whole bow.
    value
        Measured, reckoned or predicted.
    judged
        The decision.
    said
        What the value says, in words.
    doubt
        What speaks against it, in a sentence; mostly empty.
    may_be_strung
        Whether nothing forbids to string the bow: else nothing is proposed that needs it.
    """

    name: str
    end: End | None
    limb: str | None
    value: Value
    judged: Judged
    said: str
    doubt: str = ""
    may_be_strung: bool = True

    @property
    def sentence(self) -> str:
        """Finding and decision in one sentence."""
        return f"{self.said}: {self.judged.sentence}. {self.doubt}".strip()

    @property
    def what_decides(self) -> str:
        """What would settle what is open; empty where nothing is."""
        on_the_string = self.name.startswith("string")
        if not self.judged.undecided or (on_the_string and not self.may_be_strung):
            return ""
        if on_the_string and self.value.tool == RULE:
            return "Would decide it: the string read again with a finer rule, bow strung."
        if self.name == "pin_play" and self.value.tool == READ:  # with a caliper, mostly
            return (
                "Would decide it: the pin measured with a micrometer, its hole with the thickest "
                "drill shank that enters."
            )
        if self.value.other_line:
            return (
                "Would decide it: the edge laid by hand in the photograph, on the line that is "
                "it; the other line no longer counts then."
            )
        return f"Would decide it: {WHAT_DECIDES[self.judged.tolerance.name]}."


def judge_value(value: Value, tolerance: Tolerance) -> Judged:
    """Hold a value against its limit; one of which only bounds are known by its bounds."""
    judged = decide(value.value, value.standard_uncertainty, tolerance)
    if value.ambiguous:
        return _not_surely_good(judged)
    if value.bounds is None:
        return judged
    p_good, p_free = (probability_up_to(value, e[1]) for e in (tolerance.good, tolerance.rework))
    conformity: Conformity = "undecided"
    if p_good >= REQUIRED_PROBABILITY:
        conformity = "conforms"
    elif p_good <= 1 - REQUIRED_PROBABILITY:
        conformity = "does not conform"
    rework: Rework = "undecided"
    if p_free >= REQUIRED_PROBABILITY:
        rework = "not needed"
    elif p_free <= 1 - REQUIRED_PROBABILITY:
        rework = "needed"
    return replace(
        judged, p_good=p_good, p_rework_free=p_free, conformity=conformity, rework=rework
    )


def _not_surely_good(judged: Judged) -> Judged:
    """What a line says that may be another: it can raise a doubt, and settle none."""
    return replace(
        judged,
        p_good=min(judged.p_good, P_OF_TWO_LINES),
        p_rework_free=min(judged.p_rework_free, P_OF_TWO_LINES),
        conformity="undecided",
        rework="undecided",
    )


def deciding_gap(
    gaps: Mapping[tuple[str, Side], Value], tolerance: Tolerance
) -> tuple[tuple[str, Side], Value]:
    """Return that place of a seam, and its gap, which weighs most.

    First a place past its rework limit, then one that may be, then the one least surely good:
    neither a sure value nor a narrower gap elsewhere hides what is worse. Of several that are
    alike it is the widest.
    """

    def weight(item: tuple[tuple[str, Side], Value]) -> tuple[int, float, float]:
        judged = judge_value(item[1], tolerance)
        past = ("needed", "undecided", "not needed").index(judged.rework)
        sure = judged.p_good if judged.rework == "not needed" else judged.p_rework_free
        return past, round(sure, 6), -item[1].value

    return min(gaps.items(), key=weight)


def with_deciding_gap(seat: Seat, limits: Mapping[str, Tolerance]) -> Seat:
    """Return the seat with the place of its seam that decides as its gap."""
    if not seat.gaps:
        return seat
    return seat.with_values(seat_gap=deciding_gap(seat.gaps, limits["seat_gap"])[1])


def seat_findings(seat: Seat, limits: Mapping[str, Tolerance]) -> Iterable[Finding]:
    """Judge every characteristic of a seat that has a limit."""
    seat = with_deciding_gap(seat, limits)
    for name, limit in LIMIT_OF.items():
        value = seat.values.get(name)
        if value is not None:
            judged = judge_value(value, limits[limit])
            doubt = AMBIGUOUS if value.ambiguous else ""
            said = _said(seat, name, value)
            yield Finding(name, seat.end, seat.limb, value, judged, said, doubt)


def wind_finding(seats: Mapping[End, Seat], limits: Mapping[str, Tolerance]) -> Finding | None:
    """Judge the wind of one pad against the other; None unless both were measured."""
    value = wind_of(seats)
    if value is None:
        return None
    wind, u = value.value, value.standard_uncertainty
    said = f"The two pads wind {magnitude(wind, u, 'deg')} against each other"
    return Finding("wind", None, None, value, decide(wind, u, limits["wind"]), said)


def string_findings(places: Sequence[StringPlace]) -> Iterable[Finding]:
    """Judge the string line of one arrangement: by the rule where it was read, else reckoned."""
    for place in places:
        name = "string_grip" if place.at == "grip" else "string_pad"
        value = Value(*place.decisive, "mm", "reckoned" if place.seen is None else RULE)
        size = magnitude(value.value, value.standard_uncertainty, "mm")
        side = "" if _zero(value) else f" to the bow’s {side_of(value.value)}"
        how = "By reckoning" if place.seen is None else "By the rule"
        said = f"{how} the string lies {size} off centre{side} at the {place.at}"
        yield Finding(name, None, None, value, place.judged, said, _against(place))


def _against(place: StringPlace) -> str:
    if place.agrees is not False:
        return ""
    reckoned = magnitude(place.value, place.standard_uncertainty, "mm")
    sided = abs(place.value) > 1.96 * place.standard_uncertainty
    side = f"{reckoned} to the bow’s {side_of(place.value)}"
    where = side if sided else f"in the middle ({reckoned})"
    return (
        f"The photographs would put it {where}: the two do not agree. Read the "
        "string again and seat both limbs anew before anything is cut."
    )


def _zero(value: Value) -> bool:
    return abs(value.value) <= value.expanded


def _said(seat: Seat, name: str, value: Value) -> str:
    size = magnitude(value.value, value.standard_uncertainty, value.unit)
    where = f"at the {seat.end} end"
    limb = f"limb {seat.limb}"
    high = side_of(value.value)
    if name.startswith("overhang"):
        side = name.removeprefix("overhang_")
        if _zero(value) and value.other_line:
            return f"Which of limb and riser stands proud on the {side} is open, {where} ({size})"
        if _zero(value):
            return f"Limb and riser are level on the {side}, {where} (within {size})"
        proud = limb if value.value > 0 else "the riser"
        return f"{sentence(proud)} stands {size} proud on the {side}, {where}"
    if name == "lateral_angle":
        if _zero(value):
            return f"Limb {seat.limb} points along the riser’s axis (within {size}), {where}"
        return f"Limb {seat.limb} points {size} to the {high} of the riser’s axis, {where}"
    if name == "pad_squareness":
        way = "" if _zero(value) else f", {high} side high"
        return f"The pad {where} is {size} from square{way}"
    if name == "twist":
        way = "" if _zero(value) else f", {high} side high at the tip"
        against = "the riser" if seat.twist_from_riser else "its own butt"
        return f"Limb {seat.limb} is rolled {size} against {against}{way}"
    if name == "seat_gap":
        at, side = next(place for place, gap in seat.gaps.items() if gap is value)
        wide = gap_words(value)
        if value.bounds is None and value.value < LEAST_GAP_MM:
            within = magnitude(0.0, value.standard_uncertainty, value.unit).partition("±")[2]
            return f"The seam {where} is closed at the {at} on the {side}, to{within}"
        return f"The seam {where} stands open {wide} at the {at} on the {side}"
    return f"The index pin {where} has {size} of play ({MEASURES[name]})"
