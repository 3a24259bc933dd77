"""Other readings of a seam than a black opening between two nearly plain sides.

- *A layer*: a dark layer of the limb or the riser runs beside the seam, a few tenths of a
  millimetre from the edge. It stays as wide from end to end while an opening widens.
- *Light in the opening*: light shows through it, or falls on the faces in it.

Both let the light be nearly anything, and so explain every photograph a little better. A
reading is told only where it explains far more, and then another opening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.edges import Rival
from fitcheck.seam_light import DARK_SEAM, Reading
from fitcheck.seam_model import SeamModel
from fitcheck.seam_search import (
    ROUGHLY,
    SAME_OPENING_MM,
    Solution,
    likeliest,
    search,
    searched_again,
    share_left,
    thinned,
)
from fitcheck.seam_shapes import EDGES, OPEN_A, PAD_A

Array = NDArray[np.float64]

# Layers may be black. Faces in an opening that light falls on, as shares of the paper's light:
# mean, spread, and change along; from memory.
LAYER = replace(DARK_SEAM, knot_texture=1.0)
LIGHT = replace(DARK_SEAM, inner_light=(0.15, 0.3, 0.02))

# Openings at the two ends: shut, a wedge to either side, open.
OPENING_GUESSES_MM = (
    (0.03, 0.03),
    (0.03, 0.22),
    (0.22, 0.03),
    (0.03, 0.45),
    (0.45, 0.03),
    (0.22, 0.4),
    (0.4, 0.22),
)
LINE_SHARES = (0.0, 0.5, 1.0)
OFFSETS_MM = {"layer": (-0.5, -0.25, 0.0, 0.25), "light": (-0.15, 0.15)}
MOST_STARTS, FEW_STEPS = 2, 6
# A reading whose best guess leaves more than this share of the dark seam's misfit is not
# searched; a guess lies up to a tenth of a millimetre from the solution.
GUESS_LEAVES = 1.6
# Misfit that is left, as a share of what the dark seam leaves. Below the first a reading is the
# likelier one, below the second it is worth telling; between solutions of one reading, too.
BETTER, WORTH_TELLING = 0.55, 0.72
EVEN_SHARE = 0.1  # of a wide band's width, by which it may widen and still be as wide


@dataclass(frozen=True, eq=False)
class Told:
    """A reading with its solutions, the best first, and the share of misfit that it leaves."""

    name: str
    reading: Reading
    solutions: list[Solution]
    left: float


@dataclass(frozen=True, eq=False)
class Choice:
    """The reading that is taken, and those that may be meant instead.

    Attributes
    ----------
    name, reading, solutions
        What is taken, as in :class:`Told`; ``dark`` is the plain one.
    rivals
        How likely another reading is against the one that is taken, and how far its openings
        at the two ends are from that one's, mm, shape (2,).
    left
        Share of the dark seam's misfit that is left where a reading with the same opening
        explains more; 1 where there is none.
    """

    name: str
    reading: Reading
    solutions: list[Solution]
    rivals: list[Rival]
    left: float


def choose(dark: list[Solution], told: list[Told]) -> Choice:
    """Choose between a dark seam and other readings.

    Parameters
    ----------
    dark
        Solutions for a dark seam, the best first.
    told
        What :func:`other_readings` tells.
    """
    here = dark[0].theta[:EDGES]
    same = [_same_opening(one.solutions[0], dark[0]) for one in told]
    left = min((one.left for one, is_same in zip(told, same, strict=True) if is_same), default=1.0)
    # How unlikely each is: misfit that it leaves, other readings with less trust beforehand.
    unlikely = [min(1.0, left / BETTER)]
    choices = [Choice("dark", DARK_SEAM, dark, [], left)]
    for one, is_same in zip(told, same, strict=True):
        if not is_same:
            unlikely.append(one.left / BETTER)
            choices.append(Choice(one.name, one.reading, one.solutions, [], 1.0))
    edges = [one.solutions[0].theta[:EDGES] for one in choices]
    # What is dark and as wide from end to end may be a layer, but is sooner the opening.
    even = [
        one.name == "layer" and _as_wide((here - e)[OPEN_A:])
        for one, e in zip(choices, edges, strict=True)
    ]
    best = int(np.argmin(np.where(even, np.inf, unlikely)))
    taken = choices[best]
    rivals = [
        _rival(min(1.0, unlikely[best] / unlikely[k]) ** 2, edges[k] - edges[best])
        for k in range(len(choices))
        if k != best
    ]
    of_reading = [one for one, is_same in zip(told, same, strict=True) if is_same]
    if taken.name != "dark":
        of_reading = [one for one in told if one.name == taken.name]
    if of_reading:
        first, *others = of_reading[0].solutions
        for other in others:
            clear = share_left(first.cost, other.cost)
            apart = (other.theta - first.theta)[:EDGES]
            if clear > WORTH_TELLING and not _same_opening(other, first):
                rivals.append(_rival(clear**2, apart))
    return replace(taken, rivals=rivals)


def _same_opening(one: Solution, other: Solution) -> bool:
    apart = (one.theta - other.theta)[OPEN_A:EDGES]
    return float(np.max(np.abs(apart))) <= SAME_OPENING_MM


def _as_wide(band_mm: Array) -> bool:
    """Whether a band is as wide at both ends as its edges tell, (2,)."""
    tells = max(SAME_OPENING_MM, EVEN_SHARE * float(np.abs(band_mm).max()))
    return abs(float(band_mm[1] - band_mm[0])) <= tells


def _rival(likely: float, apart_mm: Array) -> Rival:
    return Rival(apart_mm[OPEN_A:EDGES], likely)


def other_readings(
    model: SeamModel, few: SeamModel, dark: Solution, plain: Solution
) -> list[Told]:
    """Tell which other readings explain the profiles far better than a dark seam.

    Parameters
    ----------
    model, few
        The dark seam in some blocks, and in few.
    dark, plain
        The best solutions for them.

    Returns
    -------
    Those worth telling, the best first.
    """
    told = []
    # What a reading must beat: where a layer explains much without moving the opening, light in
    # it must explain more.
    worth, worth_few = WORTH_TELLING, WORTH_TELLING
    for name, reading in (("layer", LAYER), ("light", LIGHT)):
        first = few.read_as(reading)
        guesses, least = _guesses(first, dark.theta, OFFSETS_MM[name])
        if share_left(least, plain.cost) > GUESS_LEAVES:
            continue
        found = search(first, guesses, ROUGHLY, FEW_STEPS)
        least = min(one.cost for one in found)
        left_few = share_left(least, plain.cost)
        if left_few > worth_few:
            continue
        solutions = searched_again(model.read_as(reading), found, WORTH_TELLING)
        left = share_left(solutions[0].cost, dark.cost)
        if left < worth:
            told.append(Told(name, reading, solutions, left))
            if _same_opening(solutions[0], dark):
                worth, worth_few = left, left_few
    return sorted(told, key=lambda one: one.left)


def _guesses(
    model: SeamModel, dark: Array, offsets_mm: tuple[float, ...]
) -> tuple[list[Array], float]:
    """The likeliest of a grid about the line that was found and the dark seam's; least cost."""
    tried = np.array(
        [
            [up - share * a, up - share * b, a, b, *model.known_mean]
            for a, b in OPENING_GUESSES_MM
            for share in LINE_SHARES
            for up in offsets_mm
        ]
    )
    beside = tried.copy()
    beside[:, PAD_A:OPEN_A] += dark[PAD_A:OPEN_A]
    tried = thinned(np.concatenate([tried, beside]))
    costs = model.costs(tried)
    return likeliest(tried, costs, MOST_STARTS), float(costs.min())
