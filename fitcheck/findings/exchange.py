"""Whether the limbs sit on the wrong ends: by their marks, and by how they fit.

By fit they do if two things hold. Both seats together come nearer to their good limits the
other way round; and the parts cancel in pairs that way so well that they must have been
fitted so. The first alone can come of a riser's own error that meets another limb there: that
is put right on the riser, and fits no limb better.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.combine import Spot
from fitcheck.findings.limits import Tolerance
from fitcheck.findings.pairs import Pair, belong_there
from fitcheck.findings.shares import Shares
from fitcheck.findings.sums import Part, roll_row, sideways_row
from fitcheck.inspection import ENDS, End, Inspection
from fitcheck.judgement import REQUIRED_PROBABILITY

Array = NDArray[np.float64]

DRAWS = 1500  # eight times as many with every renaming
SEED = 5  # any fixed number
# What changing ends must gain, in good limits over both seats, to be worth it.
WORTH_IT = 1.0
# Changing ends is tried before a cut if it gains so much and they so probably belong there.
WORTH_TRYING, PERHAPS = 0.5, 0.75


@dataclass(frozen=True)
class Exchange:
    """Whether the limbs sit on the wrong ends.

    Attributes
    ----------
    by_marks
        What their marks say: True exchanged, False as marked, None if there are none.
    probability
        That the limbs belong the other way round, by the readings: the weaker of its two
        conditions. None if the readings say nothing of the other way round.
    probability_as_is
        The same of the way they sit: that changing ends would be wrong.
    better_by
        Expected gain in multiples of the good limits, over both seats.
    determined
        Whether the readings fix the fit of both seats both ways round.
    belongs
        How probably the limbs were fitted to the other ends, by how the parts pair, by those
        readings alone that fix the fit of both seats both ways round.
    """

    by_marks: bool | None
    probability: float | None
    probability_as_is: float | None
    better_by: float
    determined: bool
    belongs: float | None = None

    @property
    def by_chance(self) -> float | None:
        """Probability that faults only happen to cancel the other way round."""
        return None if self.belongs is None else 1 - self.belongs

    @property
    def verdict(
        self,
    ) -> Literal[
        "exchanged", "as they belong", "marks only", "contradiction", "perhaps", "not known"
    ]:
        """What follows.

        ``exchanged`` by the readings (and not against the marks), ``marks only`` where the
        readings do not say it, ``contradiction`` where marks and readings disagree, ``perhaps``
        where limbs without marks fit better the other way round and faults that cancel by
        chance may be all there is to it.
        """
        p = self.probability
        if p is not None and p >= REQUIRED_PROBABILITY:
            return "contradiction" if self.by_marks is False else "exchanged"
        if self.by_marks:
            back = self.probability_as_is
            return (
                "contradiction"
                if back is not None and back >= REQUIRED_PROBABILITY
                else "marks only"
            )
        if self.by_marks is False:
            return "as they belong"
        if self.belongs is not None and self.belongs >= PERHAPS and self.better_by >= WORTH_TRYING:
            return "perhaps"
        if p is not None and p <= 1 - REQUIRED_PROBABILITY:
            return "as they belong"
        return "not known"


def find_exchange(
    inspection: Inspection, roll: Shares, sideways: Shares, limits: Mapping[str, Tolerance]
) -> Exchange:
    """Say whether the limbs would fit better the other way round.

    Parameters
    ----------
    inspection
        Limbs, their marks and where they sat.
    roll, sideways
        Shares from all readings.
    limits
        In force; what lies within its good limit counts as no misfit.
    """
    here = inspection.limbs_at("as received")
    marked = {limb.name: limb.marked_for for limb in inspection.limbs}
    said = [marked[name] != end for end, name in here.items() if marked.get(name)]
    by_marks = all(said) if said and len(set(said)) == 1 else None
    if len(here) < 2:
        return Exchange(by_marks, None, None, 0.0, False)
    there = inspection.limbs_at("exchanged")
    gain = np.zeros(1)
    implied, kinds, measured = [], [], []
    for shares, rows_at, pairs_at, good in (
        (roll, _total_rows, _roll_pairs, [limits["wind"].good[1]]),
        (
            sideways,
            _place_rows,
            _hole_pairs,
            [limits[n].good[1] for n in ("overhang", "lateral_angle")],
        ),
    ):
        now, then = rows_at(shares, here), rows_at(shares, there)
        implied.append(shares.implied(now) and shares.implied(then))
        draws = _draws(shares)
        gain = gain + (_misfit(draws @ now.T, good) - _misfit(draws @ then.T, good))
        kinds.append((shares, pairs_at(here), pairs_at(there)))
        if implied[-1]:
            measured.append(kinds[-1])
    if not any(implied):
        return Exchange(by_marks, None, None, 0.0, False)
    # What is not implied enters with all its uncertainty and keeps the answer from being sure.
    belong = belong_there(kinds)

    def sure(sign: int, by_pairs: float) -> float:
        return min(float(np.mean(sign * gain >= WORTH_IT)), by_pairs)

    return Exchange(
        by_marks,
        sure(1, belong),
        sure(-1, 1 - belong),
        float(np.mean(gain)),
        all(implied),
        belong_there(measured),
    )


def _roll_pairs(at: Mapping[End, str]) -> list[Pair]:
    return [(Part("pad", end), Part("butt", limb=name)) for end, name in at.items()]


def _hole_pairs(at: Mapping[End, str]) -> list[Pair]:
    return [(Part("riser_holes", end), Part("limb_holes", limb=name)) for end, name in at.items()]


def _total_rows(roll: Shares, at: Mapping[End, str]) -> Array:
    parts = [p for p in roll.readings.parts if isinstance(p, Part)]
    spots = [Spot("twist", end, at[end], from_riser=True) for end in ENDS]
    return np.array([roll_row(parts, spot) for spot in spots])


def _place_rows(sideways: Shares, at: Mapping[End, str]) -> Array:
    parts = [p for p in sideways.readings.parts if isinstance(p, Part)]
    return np.array([sideways_row(parts, end, at[end], c) for c in range(2) for end in ENDS])


def _misfit(values: Array, good: Sequence[float]) -> Array:
    """How far both seats lie past their good limits, in multiples of them, shape (draws,).

    ``values`` has two columns, the two seats, for each of the limits.
    """
    off = np.abs(values) / np.repeat(good, 2) - 1
    return np.asarray(np.sum(np.maximum(off, 0), axis=1))


def _draws(shares: Shares) -> Array:
    """Draws of all shares that no renaming of ends, limbs or sides can change.

    The symmetric square root of the covariance turns with the parts when they are renamed,
    and the draws hold every renaming and the opposite of each draw: so the answer is the same
    for a bow and for its mirror image, to the last digit.
    """
    mean, covariance = shares.moments()
    values, vectors = np.linalg.eigh(covariance)
    root = (vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T
    d = shares.readings.components
    base = np.random.default_rng(SEED + d).standard_normal((DRAWS, len(mean)))
    everything = []
    for swap_ends in (False, True):
        for swap_limbs in (False, True):
            order = _renamed(shares.readings.parts, swap_ends, swap_limbs)
            columns = [place * d + c for place in order for c in range(d)]
            everything += [base[:, columns], -base[:, columns]]
    return np.asarray(mean + np.concatenate(everything) @ root)


def _renamed(parts: Sequence[object], swap_ends: bool, swap_limbs: bool) -> list[int]:
    known = [p for p in parts if isinstance(p, Part)]
    limbs = list(dict.fromkeys(p.limb for p in known if p.limb))

    def renamed(part: Part) -> Part:
        end, limb = part.end, part.limb
        if swap_ends and end:
            end = "lower" if end == "upper" else "upper"
        if swap_limbs and limb and len(limbs) == 2:
            limb = limbs[1 - limbs.index(limb)]
        return Part(part.kind, end, limb)

    return [known.index(renamed(p)) for p in known]
