"""Where the string lies over the grip and the pads, from how both limbs sit.

A limb rigid about its seat. With s the strung tip's distance off the pad plane,
s = d·cos α - Lz·sin α, a roll θ moves the tip sideways by s·sin θ (not L·sin θ), a sideways
angle ψ by L·sin ψ, an offset by itself. The string runs straight between the two tips. Small
angles; derived in the trade reference. Correlations between the readings of a seat are
carried through (GUM, JCGM 100:2008, 5.2) by the library ``uncertainties``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from uncertainties import correlated_values, covariance_matrix, ufloat, umath

from fitcheck.findings.combine import Evidence
from fitcheck.findings.frames import sign_in_bow
from fitcheck.findings.limits import Judged, Tolerance, decide
from fitcheck.findings.shares import Shares
from fitcheck.findings.sums import Part, Play
from fitcheck.inspection import ENDS, STRING_PLACES, Arrangement, End, Inspection
from fitcheck.units import MM_PER_INCH

Array = NDArray[np.float64]

# Typical sizes with standard uncertainties, from the trade reference; taken where nobody
# measured, and named as taken.
ASSUMED: dict[str, tuple[float, float]] = {
    "pivot_to_nock": (20.0 * MM_PER_INCH, 1.0 * MM_PER_INCH),
    "along_string": (19.0 * MM_PER_INCH, 1.0 * MM_PER_INCH),
    "pad_to_string": (7.5 * MM_PER_INCH, 0.5 * MM_PER_INCH),
    "pad_angle": (8.0, 5.0),
    "centre_to_pad": (8.0 * MM_PER_INCH, 1.0 * MM_PER_INCH),
}
WORDS = {
    "pivot_to_nock": "from the pad to the nock",
    "along_string": "the same along the string",
    "pad_to_string": "from the pad to the string",
    "pad_angle": "the pad's angle to the riser",
    "centre_to_pad": "from the grip to the pad",
}
TAPE_SD_MM = 1.5
PROTRACTOR_SD_DEG = 0.2  # digital protractor ±0.1 to ±0.2°, from memory
# A string read with a rule against the centreline: steel rule ± 0.25 mm, and parallax.
STRING_READING_SD_MM = 0.4
_Uncertain = Any  # a number of the library `uncertainties`, which has no types


@dataclass(frozen=True)
class Lever:
    """The sizes that carry a seat's errors to the tip and the string: mm and deg.

    Attributes
    ----------
    pivot_to_nock, along_string
        Straight, and along the string.
    pad_to_string, pad_angle
        At brace; the angle is positive leaning to the belly going outward.
    centre_to_pad
        Along the string.
    """

    pivot_to_nock: _Uncertain
    along_string: _Uncertain
    pad_to_string: _Uncertain
    pad_angle: _Uncertain
    centre_to_pad: _Uncertain


def off_pad_plane_mm(lever: Lever) -> _Uncertain:
    """Return the strung tip's distance off the pad plane, s = d·cos α - Lz·sin α, mm."""
    angle = lever.pad_angle * (math.pi / 180)
    return lever.pad_to_string * umath.cos(angle) - lever.along_string * umath.sin(angle)


def tip_shift_mm(
    lever: Lever, roll_deg: _Uncertain, offset_mm: _Uncertain, angle_deg: _Uncertain, mount: str
) -> _Uncertain:
    """Return how far the strung tip lies beside the riser's centreline, mm.

    In the seat's frame, positive to the right. The string lies on the side of the pad to
    which the limb's face looks on a belly mount, and on the other side on a back mount: there
    the roll moves the tip the other way.

    Parameters
    ----------
    lever
        Sizes of this end.
    roll_deg
        Roll of the limb on its seat, positive: right side high.
    offset_mm, angle_deg
        Sideways, positive to the right.
    mount
        ``"belly"`` or ``"back"``; where it is not known the roll enters as uncertainty alone.
    """
    rolled = off_pad_plane_mm(lever) * umath.sin(roll_deg * (math.pi / 180))
    swung = lever.pivot_to_nock * umath.sin(angle_deg * (math.pi / 180))
    if mount == "belly":
        return offset_mm + swung - rolled
    if mount == "back":
        return offset_mm + swung + rolled
    # The way is not known: a distribution of two values, + and -, with their own spread.
    size = math.hypot(rolled.nominal_value, rolled.std_dev) if rolled != 0 else 0.0
    return offset_mm + swung + ufloat(0.0, max(size, 1e-9))


def string_off_mm(
    tip_upper: _Uncertain, tip_lower: _Uncertain, upper: Any, lower: Any, at: Any
) -> Any:
    """Return the string's place beside the centreline, mm.

    Parameters
    ----------
    tip_upper, tip_lower
        Of the two tips beside the centreline, in the bow's frame.
    upper, lower
        Distances of the two nocks from the middle along the string, both above zero.
    at
        Where along the bow, from the middle, positive toward the upper tip.
    """
    return tip_lower + (tip_upper - tip_lower) * (at + lower) / (upper + lower)


@dataclass(frozen=True)
class StringPlace:
    """The string at one place.

    Attributes
    ----------
    at
        ``"grip"``, ``"upper pad"`` or ``"lower pad"``.
    value, standard_uncertainty
        Off centre, mm; positive: to the bow's right.
    judged
        Against its limit: what was read with a rule where that was done, else the reckoning.
    seen
        What was read with a rule there, value and standard uncertainty; None if nothing was.
    agrees
        Whether the reading and the prediction agree; None without a reading.
    """

    at: str
    value: float
    standard_uncertainty: float
    judged: Judged
    seen: tuple[float, float] | None
    agrees: bool | None

    @property
    def decisive(self) -> tuple[float, float]:
        """What is held against the limit, mm, with its standard uncertainty."""
        return (self.value, self.standard_uncertainty) if self.seen is None else self.seen


@dataclass(frozen=True)
class StringLine:
    """The string line of one arrangement of the limbs.

    Attributes
    ----------
    arrangement
        Which limb at which end.
    places
        Grip and pads.
    tips
        Tip beside the centreline by end, in the seat's frame: value and standard uncertainty.
    assumed
        Sizes that nobody measured, in words.
    mount_known
        Whether the side is known to which a roll moves the tip.
    photographed_strung
        Whether the seats were photographed strung; None if some were, or nothing is known.
    """

    arrangement: Arrangement
    places: tuple[StringPlace, ...]
    tips: Mapping[End, tuple[float, float]]
    assumed: tuple[str, ...]
    mount_known: bool
    photographed_strung: bool | None


@dataclass(frozen=True, eq=False)
class Poses:
    """How both limbs sit: roll (deg), offset (mm), angle (deg) of the upper seat, then the lower.

    Mean and covariance, shapes (6,) and (6, 6), each in its own seat's frame. The roll is pad
    plus butt, without the limb's own twist, which does not move its centreline.
    """

    mean: Array
    covariance: Array


def poses_of(
    inspection: Inspection,
    arrangement: Arrangement,
    evidence: Evidence,
    roll: Shares,
    sideways: Shares,
    play: Mapping[End, Play],
) -> Poses | None:
    """Return how both limbs sit, or None if a seat was neither photographed nor is implied.

    Offset and angle are those of the photograph where the seat itself was photographed, else
    the sum of the parts' shares with the play of the seat.
    """
    at = inspection.limbs_at(arrangement)
    if len(at) < 2:
        return None
    rolls = np.array(
        [_row(roll.readings.parts, (Part("pad", end), Part("butt", limb=at[end]))) for end in ENDS]
    )
    roll_mean, roll_covariance = roll.moments()
    place_mean, place_covariance = sideways.moments()
    mean, covariance = np.zeros(6), np.zeros((6, 6))
    mean[[0, 3]] = rolls @ roll_mean
    covariance[np.ix_([0, 3], [0, 3])] = rolls @ roll_covariance @ rolls.T
    for i, end in enumerate(ENDS):
        for component, name in enumerate(("lateral_offset", "lateral_angle")):
            found = evidence.get(name, end, at[end])
            k = 3 * i + 1 + component
            if found is not None:
                mean[k], covariance[k, k] = found.value, found.standard_uncertainty**2
                continue
            own = (Part("riser_holes", end), Part("limb_holes", limb=at[end]))
            row = _row(sideways.readings.parts, own, component, 2)
            if not sideways.implied(row[None]):
                return None
            moved = (play[end].offset_mm, play[end].angle_deg)[component]
            mean[k] = row @ place_mean
            covariance[k, k] = row @ place_covariance @ row + moved**2
    return Poses(mean, covariance)


def _row(
    parts: Sequence[object], own: tuple[Part, Part], component: int = 0, size: int = 1
) -> Array:
    return np.array([float(p in own and c == component) for p in parts for c in range(size)])


def propagated(
    values: Array, covariance: Array, functions: Sequence[Callable[..., _Uncertain]]
) -> tuple[Array, Array]:
    """Propagate correlated values through functions (GUM, JCGM 100:2008, 5.2).

    Parameters
    ----------
    values, covariance
        Of the inputs, shapes (n,) and (n, n).
    functions
        Each takes the n inputs and returns one output.

    Returns
    -------
    Values and covariance of the outputs, shapes (k,) and (k, k).
    """
    inputs = correlated_values(values, covariance)
    outputs = [function(*inputs) for function in functions]
    return (
        np.array([o.nominal_value for o in outputs]),
        np.array(covariance_matrix(outputs)),
    )


def string_line(
    inspection: Inspection,
    arrangement: Arrangement,
    poses: Poses,
    limits: Mapping[str, Tolerance],
    strung: bool | None = None,
) -> StringLine:
    """Return the string line over grip and pads.

    Parameters
    ----------
    inspection
        Bench readings, mount, and which limb sits where.
    arrangement
        Which of the two arrangements.
    poses
        Of both seats.
    limits
        In force.
    strung
        Whether the seats were photographed strung.
    """
    at = inspection.limbs_at(arrangement)
    assumed: list[str] = []
    sizes = [_sizes(inspection, end, at[end], assumed) for end in ENDS]
    mean = np.concatenate([poses.mean, *(values for values, _ in sizes)])
    covariance = np.zeros((len(mean), len(mean)))
    covariance[:6, :6] = poses.covariance
    covariance[range(6, len(mean)), range(6, len(mean))] = np.concatenate(
        [np.square(sd) for _, sd in sizes]
    )
    mount = inspection.bow.mount

    def tip(inputs: tuple[_Uncertain, ...], end: End) -> _Uncertain:
        i = ENDS.index(end)
        roll, offset, angle = inputs[3 * i : 3 * i + 3]
        return tip_shift_mm(_lever(inputs, i), roll, offset, angle, mount)

    def place(inputs: tuple[_Uncertain, ...], name: str) -> _Uncertain:
        levers = [_lever(inputs, i) for i in range(2)]
        upper, lower = (lever.centre_to_pad + lever.along_string for lever in levers)
        where = {
            "grip": 0.0,
            "upper pad": levers[0].centre_to_pad,
            "lower pad": -levers[1].centre_to_pad,
        }[name]
        in_bow = [sign_in_bow(end) * tip(inputs, end) for end in ENDS]
        return string_off_mm(in_bow[0], in_bow[1], upper, lower, where)

    values, spread = propagated(
        mean,
        covariance,
        [
            *(lambda *inputs, end=end: tip(inputs, end) for end in ENDS),
            *(lambda *inputs, name=name: place(inputs, name) for name in STRING_PLACES),
        ],
    )
    sd = np.maximum(np.sqrt(np.diag(spread)), 1e-4)
    places = []
    for name, value, u in zip(STRING_PLACES, values[2:], sd[2:], strict=True):
        limit = limits["string_grip" if name == "grip" else "string_pad"]
        seen = _seen(inspection, arrangement, name)
        agrees = None
        if seen is not None:
            agrees = bool(abs(seen[0] - value) <= 2.58 * math.hypot(u, seen[1]))
        decisive = (float(value), float(u)) if seen is None else seen
        judged = decide(decisive[0], decisive[1], limit)
        places.append(StringPlace(name, float(value), float(u), judged, seen, agrees))
    return StringLine(
        arrangement,
        tuple(places),
        {end: (float(values[i]), float(sd[i])) for i, end in enumerate(ENDS)},
        tuple(dict.fromkeys(assumed)),
        bool(mount),
        strung,
    )


def read_places(
    inspection: Inspection, arrangement: Arrangement, limits: Mapping[str, Tolerance]
) -> tuple[StringPlace, ...]:
    """Return what was read with a rule where nothing can be reckoned."""
    places = []
    for name in STRING_PLACES:
        seen = _seen(inspection, arrangement, name)
        if seen is not None:
            limit = limits["string_grip" if name == "grip" else "string_pad"]
            places.append(StringPlace(name, *seen, decide(seen[0], seen[1], limit), seen, None))
    return tuple(places)


def carried_on(
    line: StringLine, before: StringLine, limits: Mapping[str, Tolerance]
) -> StringLine:
    """Take what was read with a rule along to another state of the bow.

    The reading moves as the reckoning does; it is then no surer than reading and reckoning
    together, and it is compared with nothing.

    Parameters
    ----------
    line, before
        Reckoned for the state to come, and for the state in which it was read.
    limits
        In force.
    """
    places = []
    for will, was in zip(line.places, before.places, strict=True):
        if was.seen is None:
            places.append(will)
            continue
        value = was.seen[0] + will.value - was.value
        u = math.hypot(was.seen[1], will.standard_uncertainty)
        limit = limits["string_grip" if will.at == "grip" else "string_pad"]
        judged = decide(value, u, limit)
        places.append(replace(will, judged=judged, seen=(value, u), agrees=None))
    return replace(line, places=tuple(places))


def _lever(inputs: tuple[_Uncertain, ...], i: int) -> Lever:
    return Lever(*inputs[6 + 5 * i : 11 + 5 * i])


def _sizes(inspection: Inspection, end: End, limb: str, assumed: list[str]) -> tuple[Array, Array]:
    """Values and standard uncertainties of a lever's five sizes, in the order of Lever."""
    readings = inspection.readings.ends.get(end)
    own = inspection.readings.limbs.get(limb)
    given = (
        None if own is None else own.pivot_to_nock,
        None if own is None else own.along_string,
        None if readings is None else readings.pad_to_string,
        None if readings is None else readings.pad_angle,
        None if readings is None else readings.centre_to_pad,
    )
    pairs = []
    for (name, default), read in zip(ASSUMED.items(), given, strict=True):
        if read is not None:
            sd = PROTRACTOR_SD_DEG if name == "pad_angle" else TAPE_SD_MM
            pairs.append(read.with_uncertainty(sd))
            continue
        unit = "°" if name == "pad_angle" else " mm"
        assumed.append(f"{WORDS[name]} {default[0]:.0f}{unit} ± {1.96 * default[1]:.0f}{unit}")
        pairs.append(default)
    return np.array([v for v, _ in pairs]), np.array([u for _, u in pairs])


def _seen(inspection: Inspection, arrangement: Arrangement, at: str) -> tuple[float, float] | None:
    for reading in inspection.readings.string:
        if reading.at == at and reading.limbs == arrangement:
            value, u = reading.off.with_uncertainty(STRING_READING_SD_MM)
            return (-value if reading.toward == "left" else value), u
    return None
