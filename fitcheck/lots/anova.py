"""Sums of squares of one-way and of crossed two-way layouts.

Deviations are taken from a value near the middle first and then from means, so that readings
with many equal leading digits lose none of the others (tried on NIST's StRD sets). A crossed
layout with unequal cells is reckoned from its cell means, each counting alike, with the harmonic
mean of the cells' sizes: unweighted sums of squares, as in Burdick, Borror and Montgomery,
"Design and Analysis of Gauge R&R Studies" (2005), chapter 7 (from memory). With equal cells
that is the ordinary analysis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Source:
    """A line of a table: sum of squares and degrees of freedom."""

    squares: float
    dof: int

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.squares / self.dof


@dataclass(frozen=True)
class OneWay:
    """Groups against what is within them.

    Attributes
    ----------
    between, within
        The two sources.
    mean_size
        Size of the groups: harmonic mean.
    """

    between: Source
    within: Source
    mean_size: float

    @property
    def f(self) -> float:
        """Mean square between over that within; infinite without scatter within."""
        return ratio(self.between, self.within)

    @property
    def probability(self) -> float:
        """Of so large an F where the groups do not differ."""
        return probability(self.between, self.within)


@dataclass(frozen=True)
class Crossed:
    """Parts × operators with repeats.

    Attributes
    ----------
    part, operator, interaction, error
        The sources.
    parts, operators
        How many of each.
    size
        Readings to a cell: harmonic mean.
    balanced
        Whether all cells have one size.
    """

    part: Source
    operator: Source
    interaction: Source
    error: Source
    parts: int
    operators: int
    size: float
    balanced: bool

    @property
    def total(self) -> Source:
        """All of them."""
        lines = (self.part, self.operator, self.interaction, self.error)
        return Source(math.fsum(s.squares for s in lines), sum(s.dof for s in lines))

    @property
    def interaction_probability(self) -> float:
        """Of so large an F of the interaction where there is none."""
        return probability(self.interaction, self.error)


def ratio(upper: Source, lower: Source) -> float:
    """F of two sources; 0 where neither has any square, infinite where only the lower has none."""
    if lower.squares > 0:
        return upper.mean_square / lower.mean_square
    return math.inf if upper.squares > 0 else 0.0


def probability(upper: Source, lower: Source) -> float:
    """Probability of so large an F by chance."""
    return float(f_distribution.sf(ratio(upper, lower), upper.dof, lower.dof))


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Analyse groups of readings, weighted by their sizes.

    Raises
    ------
    ValueError
        Unless there are 2 groups and at least one reading more than groups, all finite.
    """
    cells = [np.asarray(group, dtype=np.float64) for group in groups]
    _check(cells)
    if len(cells) < 2:
        raise ValueError(f"an analysis of variance needs at least 2 groups, got {len(cells)}")
    cells = _centred(cells)
    sizes = np.array([len(c) for c in cells], dtype=np.float64)
    means = np.array([_mean(c) for c in cells])
    grand = math.fsum(sizes * means) / float(np.sum(sizes))
    between = math.fsum(sizes * (means - grand) ** 2)
    dof = int(np.sum(sizes)) - len(cells)
    return OneWay(
        Source(between, len(cells) - 1),
        Source(_within(cells, means), dof),
        len(cells) / float(np.sum(1 / sizes)),
    )


def crossed(table: Sequence[Sequence[Sequence[float]]]) -> Crossed:
    """Analyse a crossed layout.

    Parameters
    ----------
    table
        ``table[i][j]``: the readings of part i by operator j, at least one in each cell.

    Raises
    ------
    ValueError
        Unless there are 2 parts, 2 operators and one cell with 2 readings, all finite.
    """
    parts, operators = len(table), len(table[0]) if len(table) else 0
    if parts < 2 or operators < 2 or any(len(row) != operators for row in table):
        raise ValueError(f"a crossed layout is at least 2 × 2, got {parts} × {operators}")
    cells = [np.asarray(cell, dtype=np.float64) for row in table for cell in row]
    _check(cells)
    cells = _centred(cells)
    sizes = np.array([len(c) for c in cells], dtype=np.float64)
    size = len(cells) / float(np.sum(1 / sizes))
    flat = np.array([_mean(c) for c in cells])
    means = flat.reshape(parts, operators)
    grand = _mean(flat)
    of_part = np.array([_mean(row) for row in means])
    of_operator = np.array([_mean(column) for column in means.T])
    rest = means - of_part[:, None] - of_operator[None, :] + grand
    return Crossed(
        Source(operators * size * math.fsum((of_part - grand) ** 2), parts - 1),
        Source(parts * size * math.fsum((of_operator - grand) ** 2), operators - 1),
        Source(size * math.fsum(np.ravel(rest) ** 2), (parts - 1) * (operators - 1)),
        Source(_within(cells, flat), int(np.sum(sizes)) - len(cells)),
        parts,
        operators,
        size,
        bool(np.all(sizes == sizes[0])),
    )


def _check(cells: Sequence[Array]) -> None:
    if any(len(c) == 0 for c in cells):
        raise ValueError("every cell needs a reading")
    if not all(np.all(np.isfinite(c)) for c in cells):
        raise ValueError("an analysis of variance takes finite readings only")
    if sum(len(c) for c in cells) <= len(cells):
        raise ValueError("an analysis of variance needs repeats: a cell with 2 readings")


def _centred(cells: Sequence[Array]) -> list[Array]:
    """The readings less one of their own: exact in floating point where they are close."""
    middle = float(np.median(np.concatenate(cells)))
    return [c - middle for c in cells]


def _mean(values: Array) -> float:
    return math.fsum(values) / len(values)


def _within(cells: Sequence[Array], means: Array) -> float:
    return math.fsum(float(x) for c, m in zip(cells, means, strict=True) for x in (c - m) ** 2)
