"""Least squares by damped Gauss–Newton steps, for problems of few parameters.

The steps are Marquardt's (J. SIAM 11, 1963), damped as Nielsen does it (Madsen, Nielsen and
Tingleff, "Methods for non-linear least squares problems", 2004, algorithm 3.16). A problem
forms its own normal equations, so that it may use their structure, and gives residuals and
derivatives at once: with some hundred residuals the calls cost more than the arithmetic. A
general library takes several times as long for a photograph's problems, and as long again to
be loaded.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_DAMPING = 1e-12  # of the normal equations' diagonal


class Linearised(Protocol):
    """A least-squares problem about one point."""

    @property
    def parameters(self) -> Array:
        """The point, shape (p,)."""

    @property
    def cost(self) -> float:
        """Half the sum of squared residuals."""

    def step(self, damping: float) -> tuple[Array, float]:
        """The damped step, shape (p,), and by how much it should lower the cost."""


Problem = TypeVar("Problem", bound=Linearised)


def descended(
    about: Callable[[Array], Problem],
    start: Array,
    tolerance: float,
    most: int,
    damping: float = 1e-9,
) -> Problem:
    """Go down from a start until a step promises to lower the cost by no more than a share of it.

    Parameters
    ----------
    about
        Linearises the problem about parameters of shape (p,).
    start
        Where to begin, shape (p,).
    tolerance
        That share.
    most
        How many steps are tried at most.
    damping
        Of the first step, as a share of the normal equations' diagonal: next to none from a
        start that is close, about one where a long step may end in another valley.

    Returns
    -------
    The problem about the best point that was met.

    Raises
    ------
    ValueError
        If the start's cost is not finite.
    """
    here = about(start)
    if not np.isfinite(here.cost):
        raise ValueError(f"the problem has no finite cost at its start, but {here.cost}")
    growth = 2.0
    for _ in range(most):
        step, foreseen = here.step(damping)
        if foreseen <= tolerance * here.cost:
            break
        tried = about(here.parameters + step)
        gained = here.cost - tried.cost
        if gained >= 0:
            share = gained / max(foreseen, 1e-300)
            damping = max(damping * max(0.1, 1 - (2 * share - 1) ** 3), LEAST_DAMPING)
            here, growth = tried, 2.0
        else:
            damping, growth = damping * growth, 2 * growth
    return here
