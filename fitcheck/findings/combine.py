"""Several photographs of one thing become one value; what they share stays shared.

Each photograph's uncertainty comes with a budget by source. The course of an edge and the
place of the cards are new in every photograph and average out. The print, the cards'
thickness, the rounding of an arris and the like are the same in all of them and do not,
however many photographs are taken. What is not known to be independent counts as shared.

In a ``sight`` the cards' own errors enter as tip card less butt card. With C and D exchanged
they change sign: the mean is the twist, half the difference is the cards' own error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import chdtrc

from fitcheck.findings.same_photo import CODES
from fitcheck.inspection import End, Inspection, PhotoEntry, Side
from fitcheck.measurement import Characteristic, Measurement, Note

# New in every photograph.
INDEPENDENT = frozenset({"pose", "edge"})
# New once the cards were taken off: when they change places, and for every seating.
SET_ANEW = frozenset({"card_set", "card_lean"})
# Measured in every photograph, but from what is known beforehand too: it counts as shared, and
# still two photographs may differ by it.
MEASURED_ANEW = frozenset({"setback"})
# How a card was cut and folded: of known sign in `sight` and `pad`.
CARD_OWN = "card_fold"
# Never below zero: their interval is one-sided there.
CUT_AT_ZERO = frozenset({"gap_butt", "gap_end"})
# Photographs of one thing that differ by more than this chance allows do not agree.
DISAGREE_PROBABILITY = 0.01
DISAGREE = "photographs_disagree"
SMALLEST_UNCERTAINTY = 1e-4  # as in fitcheck.uncertainty: no result is stated more surely


@dataclass(frozen=True)
class Spot:
    """What a value is of.

    Attributes
    ----------
    characteristic
        Its name, for instance ``twist``.
    end
        End of the riser; None for a limb's own twist, which no seat enters.
    limb
        Name of the limb; None for a bare pad.
    side
        Side of a joint.
    from_riser
        For a twist: whether it is taken against the riser's face instead of the limb's butt.
    """

    characteristic: str
    end: End | None = None
    limb: str | None = None
    side: Side | None = None
    from_riser: bool = False


@dataclass(frozen=True)
class Combined:
    """One value from one or more photographs.

    Attributes
    ----------
    spot
        What it is of.
    value
        In ``unit``.
    unit
        ``"mm"`` or ``"deg"``.
    independent
        Standard uncertainty from what is new in every photograph and every seating.
    shared
        Standard uncertainty by shared source, with its sign where that is known: ``fold_C``
        and ``fold_D`` are the own errors of the two standing cards.
    photos
        Names of the photographs.
    seatings
        How many times the limb was seated for it.
    seating_range
        Largest less smallest of the seatings' values; None for a single seating.
    cards_own_error
        Half the difference between the cards as they are and exchanged, with its standard
        uncertainty; None unless both were taken.
    strung
        Whether the bow was strung; None if in some and not in others.
    notes
        Warnings of its photographs, and whether they disagree.
    """

    spot: Spot
    value: float
    unit: str
    independent: float
    shared: Mapping[str, float]
    photos: tuple[str, ...]
    seatings: int = 1
    seating_range: float | None = None
    cards_own_error: tuple[float, float] | None = None
    strung: bool | None = False
    notes: tuple[Note, ...] = ()

    @property
    def standard_uncertainty(self) -> float:
        """All sources together, in ``unit``."""
        squares = self.independent**2 + sum(u**2 for u in self.shared.values())
        return max(math.sqrt(squares), SMALLEST_UNCERTAINTY)


@dataclass(frozen=True)
class _Reading:
    """One photograph's value of one spot."""

    value: float
    unit: str
    independent: float
    shared: dict[str, float]
    exchanged: bool
    seating: int
    strung: bool
    photo: str
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Evidence:
    """Everything that the photographs gave.

    Attributes
    ----------
    values
        Combined value by what it is of.
    refused
        Photographs that gave nothing, and why.
    notes
        What is to be said of the photographs themselves.
    """

    values: Mapping[Spot, Combined] = field(default_factory=dict)
    refused: tuple[tuple[str, Note], ...] = ()
    notes: tuple[Note, ...] = ()

    def get(
        self,
        characteristic: str,
        end: End | None = None,
        limb: str | None = None,
        side: Side | None = None,
        from_riser: bool = False,
    ) -> Combined | None:
        """Return a value, or None if it was not measured."""
        return self.values.get(Spot(characteristic, end, limb, side, from_riser))


def gather(inspection: Inspection, measurements: Sequence[Measurement | None]) -> Evidence:
    """Sort what the photographs gave by what it is of, and combine it.

    Parameters
    ----------
    inspection
        Says what each photograph shows.
    measurements
        One for each of ``inspection.photos``, in order; None where there is none.

    Returns
    -------
    The evidence.

    Raises
    ------
    ValueError
        If there is not one measurement for each photograph, or one spot comes in two units.
    """
    readings: dict[Spot, list[_Reading]] = {}
    refused, notes = [], list[Note]()
    for photo, found in zip(inspection.photos, measurements, strict=True):
        if found is None:
            continue
        name = photo.file or found.photo
        if found.refused is not None:
            refused.append((name, found.refused))
            continue
        notes += [note for note in found.warnings if note.code in CODES and note not in notes]
        exchanged, doubt = _exchanged(photo, found)
        notes += doubt
        for one in found.characteristics:
            spot = _spot(photo, one.name)
            readings.setdefault(spot, []).append(_reading(photo, found, one, exchanged, name))
    values = {spot: combine(spot, ones) for spot, ones in readings.items()}
    notes += dict.fromkeys(
        replace(note, message=_who_disagrees(one.photos))
        for one in values.values()
        for note in one.notes
        if note.code == DISAGREE
    )
    return Evidence(values, tuple(refused), tuple(notes))


def _who_disagrees(photos: Sequence[str]) -> str:
    names = list(dict.fromkeys(photos))
    who = f"{names[0]} and {names[1]}" if len(names) == 2 else f"{names[0]} and others of the same"
    return f"{who} differ by more than their uncertainty allows; it was made larger to fit."


def _spot(photo: PhotoEntry, characteristic: str) -> Spot:
    if photo.view == "pad":
        return Spot(
            f"pad_{characteristic}" if characteristic == "riser_width" else characteristic,
            photo.end,
        )
    if photo.view == "sight" and photo.near_card_on == "butt":
        return Spot(characteristic, None, photo.limb)
    return Spot(
        characteristic,
        photo.end,
        photo.limb,
        photo.side if photo.view == "joint" else None,
        photo.view == "sight",
    )


def _exchanged(photo: PhotoEntry, found: Measurement) -> tuple[bool, list[Note]]:
    """Whether the standing cards were exchanged: the picture knows better than the list."""
    if photo.view != "sight":
        return photo.cards_exchanged, []
    at_tip = found.observed.get("card_at_tip")
    if at_tip not in ("C", "D"):
        return photo.cards_exchanged, []
    seen = at_tip == "C"
    if seen == photo.cards_exchanged:
        return seen, []
    return seen, [
        Note(
            "cards_not_as_said",
            f"{photo.file}: card {at_tip} stands at the tip, "
            f"which is {'exchanged' if seen else 'not exchanged'}, other than was said.",
            "The picture was believed.",
        )
    ]


def _reading(
    photo: PhotoEntry, found: Measurement, one: Characteristic, exchanged: bool, name: str
) -> _Reading:
    squares = {source: u**2 for source, u in one.budget.items() if u > 0}
    total = one.standard_uncertainty**2
    if one.name in CUT_AT_ZERO:
        # What was cut off below hides how far it may reach above, which is what is asked of it.
        total = max(total, ((one.interval95[1] - one.value) / 1.96) ** 2)
    together = sum(squares.values())
    if together > total:  # parts are Monte Carlo figures too and need not quite add up
        squares = {source: s * total / together for source, s in squares.items()}
        together = total
    loose, shared = total - together, dict[str, float]()
    for source, square in squares.items():
        if source in INDEPENDENT:
            loose += square
        elif source in SET_ANEW:
            shared[f"{source} {exchanged} {photo.seating}"] = math.sqrt(square)
        elif source == CARD_OWN and photo.view == "sight":
            sign = -1.0 if exchanged else 1.0  # tip card less butt card; D stands at the tip
            shared["fold_D"] = sign * math.sqrt(square / 2)
            shared["fold_C"] = -sign * math.sqrt(square / 2)
        elif source == CARD_OWN:
            shared["fold_D" if exchanged else "fold_C"] = math.sqrt(square)
        else:
            shared[source] = math.sqrt(square)
    return _Reading(
        one.value,
        one.unit,
        math.sqrt(loose),
        shared,
        exchanged and photo.view == "sight",
        photo.seating,
        photo.strung,
        name,
        found.warnings,
    )


def combine(spot: Spot, readings: Sequence[_Reading]) -> Combined:
    """Combine the readings of one spot.

    Within a seating photographs weigh by what is new in each of them, with the cards as they
    are and exchanged weighing half each; seatings weigh alike, and how far they lie apart
    enters as a Type A uncertainty of their mean (GUM, JCGM 100:2008, 4.2.3).

    Raises
    ------
    ValueError
        If there is no reading or the units differ.
    """
    units = {r.unit for r in readings}
    if len(units) != 1:
        raise ValueError(f"{spot.characteristic} comes in {len(units)} units: {sorted(units)}")
    seatings: dict[int, list[_Reading]] = {}
    for r in readings:
        seatings.setdefault(r.seating, []).append(r)
    parts = [_one_seating(group) for group in seatings.values()]
    values = np.array([part.value for part in parts])
    merged = _weighted(parts, np.full(len(parts), 1 / len(parts)))
    independent = merged.independent
    if len(parts) > 1:
        scatter = float(np.std(values, ddof=1)) / math.sqrt(len(parts))
        independent = max(independent, scatter)  # the seatings' scatter holds the photographs' own
    notes = list(dict.fromkeys(note for r in readings for note in r.notes))
    if any(_disagree(group) for group in seatings.values()):
        notes.append(
            Note(
                DISAGREE,
                "The photographs differ by more than their uncertainty allows; "
                "it was made larger to fit.",
                "See whether the limb or a card moved between them, and take one more.",
            )
        )
    strung = {r.strung for r in readings}
    return Combined(
        spot,
        merged.value,
        next(iter(units)),
        independent,
        merged.shared,
        tuple(r.photo for r in readings),
        len(parts),
        float(np.ptp(values)) if len(parts) > 1 else None,
        _own_error(readings),
        strung.pop() if len(strung) == 1 else None,
        tuple(notes),
    )


@dataclass(frozen=True)
class _Part:
    value: float
    independent: float
    shared: dict[str, float]


def _part(r: _Reading) -> _Part:
    return _Part(r.value, r.independent, r.shared)


def _one_seating(group: Sequence[_Reading]) -> _Part:
    classes = [[r for r in group if r.exchanged is state] for state in (False, True)]
    parts = [_one_class(ones) for ones in classes if ones]
    return _weighted(parts, np.full(len(parts), 1 / len(parts)))


def _one_class(group: Sequence[_Reading]) -> _Part:
    """Photographs with the cards the same way round."""
    spread = np.array([max(r.independent, SMALLEST_UNCERTAINTY) for r in group])
    weights = spread**-2 / np.sum(spread**-2)
    part = _weighted([_part(r) for r in group], weights)
    if not _disagree(group):
        return part
    return _Part(part.value, part.independent * _birge_ratio(group), part.shared)


def _weighted(parts: Sequence[_Part], weights: np.ndarray) -> _Part:
    shared: dict[str, float] = {}
    for part, weight in zip(parts, weights, strict=True):
        for source, u in part.shared.items():
            shared[source] = shared.get(source, 0.0) + float(weight) * u
    squares = sum(
        (float(w) * part.independent) ** 2 for part, w in zip(parts, weights, strict=True)
    )
    return _Part(
        float(sum(w * part.value for part, w in zip(parts, weights, strict=True))),
        math.sqrt(squares),
        shared,
    )


def _birge_ratio(group: Sequence[_Reading]) -> float:
    """Observed over expected scatter of the independent parts; 1 for a single photograph."""
    if len(group) < 2:
        return 1.0
    spread = _may_differ(group)
    values = np.array([r.value for r in group])
    mean = np.sum(values / spread**2) / np.sum(spread**-2)
    return float(np.sqrt(np.sum(((values - mean) / spread) ** 2) / (len(group) - 1)))


def _may_differ(group: Sequence[_Reading]) -> np.ndarray:
    """How far each photograph may lie from the others, standard uncertainties, shape (n,).

    What they share moves them alike only where it weighs alike: the camera of one may stand so
    that a taper counts for more.
    """
    squares = np.array([max(r.independent, SMALLEST_UNCERTAINTY) ** 2 for r in group])
    for source in {name for r in group for name in r.shared}:
        shares = np.array([r.shared.get(source, 0.0) for r in group])
        usual = 0.0 if source in MEASURED_ANEW else float(np.mean(shares))
        squares = squares + (shares - usual) ** 2
    return np.asarray(np.sqrt(squares))


def _disagree(group: Sequence[_Reading]) -> bool:
    """Whether photographs of one seating, cards the same way round, cannot all be right."""
    for state in (False, True):
        ones = [r for r in group if r.exchanged is state]
        if len(ones) > 1:
            statistic = _birge_ratio(ones) ** 2 * (len(ones) - 1)
            if chdtrc(len(ones) - 1, statistic) < DISAGREE_PROBABILITY:
                return True
    return False


def _own_error(readings: Sequence[_Reading]) -> tuple[float, float] | None:
    """Half the difference of the two ways round, and its standard uncertainty."""
    plain = [r for r in readings if not r.exchanged]
    turned = [r for r in readings if r.exchanged]
    if not plain or not turned:
        return None
    one, other = _one_class(plain), _one_class(turned)
    # All but the cards' own error is an error of this difference; what both share cancels.
    squares = one.independent**2 + other.independent**2
    for source in {*one.shared, *other.shared} - {"fold_C", "fold_D"}:
        squares += (one.shared.get(source, 0.0) - other.shared.get(source, 0.0)) ** 2
    return (one.value - other.value) / 2, max(math.sqrt(squares) / 2, SMALLEST_UNCERTAINTY)
