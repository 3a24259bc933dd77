"""What a tiller reading can tell of its cause, and what it cannot.

Three things come together in the difference of the two gaps: the angles of the two pads, the
limbs' own strength, and the tiller that the bow was made for. One reading is their sum. Two
things tell them apart. A protractor on both pads: a pad that leans more to the belly going
outward lets its limb stand farther from the string. And tiller once more with the limbs
exchanged: what the pads bring stays, what the limbs bring changes its sign, so that half the
sum of the two readings is the pads' share and half their difference the limbs'.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from fitcheck.findings.limits import Judged, Tolerance
from fitcheck.findings.readings import TILLER_READING_SD_MM, tiller_of
from fitcheck.findings.string_line import PROTRACTOR_SD_DEG
from fitcheck.findings.words import listed, magnitude
from fitcheck.inspection import ARRANGEMENTS, Arrangement, Inspection
from fitcheck.units import MM_PER_INCH

# Tiller gained for each degree of pitch, in/deg: derived, of low precision, for size only.
TILLER_IN_PER_DEG = (0.13, 0.37)
# A share counts from here, in standard uncertainties: 95 %, one-sided.
COUNTS_FROM = 1.645


@dataclass(frozen=True)
class TillerSources:
    """What is known of where a tiller past its good limits comes from; all mm but the angle.

    Attributes
    ----------
    judged
        The reading against its limits.
    short
        From the reading to the nearest good limit, with its sign: what has to be added at least.
    wanted
        From the reading to the middle of the good band.
    angle_deg
        How much more the upper pad leans to the belly than the lower one, and its standard
        uncertainty; None unless both were measured.
    from_angles
        Least and most tiller that this difference makes, by its size.
    pads, limbs
        Shares by the reading with the limbs exchanged, with their standard uncertainties.
    other
        The reading with the limbs the other way round.
    """

    judged: Judged
    short: float
    wanted: float
    angle_deg: tuple[float, float] | None
    from_angles: tuple[float, float] | None
    pads: tuple[float, float] | None
    limbs: tuple[float, float] | None
    other: Judged | None

    @property
    def good_exchanged(self) -> bool:
        """Whether tiller read good with the limbs the other way round."""
        return self.other is not None and self.other.p_good >= 0.5

    @property
    def lies_in(self) -> Literal["pads", "limbs", "both", "not known"]:
        """Whose share makes it past its limit, by the exchange."""
        if self.pads is None or self.limbs is None:
            return "not known"
        way = -math.copysign(1.0, self.wanted)
        pads, limbs = (way * v > COUNTS_FROM * u for v, u in (self.pads, self.limbs))
        if pads and limbs:
            return "both"
        return "pads" if pads else "limbs" if limbs else "not known"


def tiller_sources(
    inspection: Inspection, arrangement: Arrangement, limits: Mapping[str, Tolerance]
) -> TillerSources | None:
    """Return what is known of where tiller comes from; None if it is good or was not read."""
    found = tiller_of(inspection, arrangement, limits)
    if found is None or found.judged is None or found.judged.conformity != "does not conform":
        return None
    judged = found.judged
    low, high = judged.tolerance.good
    short = low - judged.value if judged.value < low else high - judged.value
    readings = inspection.readings
    by_way = {}
    for reading in readings.tiller:
        (upper, u), (lower, v) = (
            gap.with_uncertainty(TILLER_READING_SD_MM) for gap in (reading.upper, reading.lower)
        )
        by_way[reading.limbs] = upper - lower, math.hypot(u, v)
    pads = limbs = other = None
    if len(by_way) == len(ARRANGEMENTS):
        (there,) = (a for a in ARRANGEMENTS if a != arrangement)
        (here_mm, u), (there_mm, v) = by_way[arrangement], by_way[there]
        spread = math.hypot(u, v) / 2
        pads = (here_mm + there_mm) / 2, spread
        limbs = (here_mm - there_mm) / 2, spread
        twin = tiller_of(inspection, there, limits)
        other = None if twin is None else twin.judged
    angle = _angle(inspection)
    return TillerSources(
        judged,
        short,
        (low + high) / 2 - judged.value,
        angle,
        None if angle is None else _tiller_of_angle(abs(angle[0])),
        pads,
        limbs,
        other,
    )


def _angle(inspection: Inspection) -> tuple[float, float] | None:
    ends = inspection.readings.ends
    read = [ends[end].pad_angle if end in ends else None for end in ("upper", "lower")]
    if read[0] is None or read[1] is None:
        return None
    (upper, u), (lower, v) = (one.with_uncertainty(PROTRACTOR_SD_DEG) for one in read if one)
    return upper - lower, math.hypot(u, v)


def _tiller_of_angle(angle_deg: float) -> tuple[float, float]:
    low, high = (rate * MM_PER_INCH * angle_deg for rate in TILLER_IN_PER_DEG)
    return low, high


def source_sentences(sources: TillerSources, *, may_be_braced: bool = True) -> Iterable[str]:
    """Say what comes together in a tiller, what is known of each, and what would tell."""
    yield (
        "Tiller alone does not tell whose it is: the angles of both pads, the limbs’ own strength "
        "and the tiller that the bow was made for come together in it."
    )
    yield from _by_angle(sources)
    yield from _by_exchange(sources)
    missing = []
    if sources.angle_deg is None:
        missing.append("a protractor on both pads")
    if sources.pads is None and may_be_braced:
        missing.append("tiller measured once more with the limbs exchanged, braced low")
    if missing:
        yield f"It would tell them apart: {listed(missing)}."


def _by_angle(sources: TillerSources) -> Iterable[str]:
    if sources.angle_deg is None or sources.from_angles is None:
        return
    angle, u = sources.angle_deg
    least, most = sources.from_angles
    if abs(angle) <= 1.96 * u:
        hidden = _tiller_of_angle(abs(angle) + 1.96 * u)[1]
        yield (
            f"By the protractor the two pads lean alike, to {1.96 * u:.1f}°: up to "
            f"{hidden:.0f} mm of tiller can hide in that."
        )
        return
    more = "more" if angle > 0 else "less"
    kind = "positive" if angle > 0 else "reverse"
    said = (
        f"By the protractor the upper pad leans {magnitude(angle, u, 'deg')} {more} to the belly "
        f"than the lower one: by itself some {least:.0f} to {most:.0f} mm of {kind} tiller, by "
        "a reckoning of low precision"
    )
    if angle * sources.short > 0:
        yield f"{said}, and that the other way: something else is off by more."
    elif most >= abs(sources.short):
        yield f"{said}, which may be all that is wrong."
    else:
        yield f"{said}, which is a part of what is wrong."


def _by_exchange(sources: TillerSources) -> Iterable[str]:
    if sources.pads is None or sources.limbs is None:
        return
    pads, limbs = (_signed(*share) for share in (sources.pads, sources.limbs))
    whose = {
        "pads": "What is wrong lies in the pads.",
        "limbs": "What is wrong lies in the limbs.",
        "both": "Both have a share in what is wrong.",
        "not known": "Neither stands out from how well tiller can be read.",
    }[sources.lies_in]
    yield (
        f"By the two tiller readings, as received and exchanged, the pads bring {pads} and the "
        f"limbs as they sit {limbs}. {whose}"
    )
    if sources.good_exchanged:
        yield (
            "With the limbs the other way round tiller is good: are they on the ends that they "
            "were tillered for?"
        )


def _signed(value: float, u: float) -> str:
    kind = "positive" if value > 0 else "reverse"
    return f"{magnitude(value, u, 'mm')} {kind}"
