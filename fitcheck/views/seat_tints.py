"""Whether a strip beside a limb's edge is limb or the riser that stands out under it.

Colours are linear light, red, green and blue, shape (3,). Brightness tells little, for the
limb's shadow lies on the riser: tints tell, the colours without their brightness.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_TINT_CHANGE = 0.2  # of the logarithm of the colours
# A blurred sliver has a tint between limb and riser: at least so far, and so nearly between.
MIXED_SHARE, BETWEEN = 0.4, 1.15
LOG_FLOOR = 0.002  # linear light


def tint_distance(one: Array, other: Array) -> float:
    """How far two colours, linear light (3,), are apart but in brightness, in logarithms."""
    # By hand: NumPy takes many times as long for three numbers.
    pairs = zip(one.tolist(), other.tolist(), strict=True)
    apart = [math.log((a + LOG_FLOOR) / (b + LOG_FLOOR)) for a, b in pairs]
    return math.dist(apart, [sum(apart) / len(apart)] * len(apart))


def is_riser(strip: Array | None, limb: Array, risers: list[Array]) -> bool:
    """Whether a strip has the tint of one of the riser's colours and not the limb's.

    Linear light, shape (3,) each.
    """
    if strip is None:
        return False
    nearest = min(risers, key=lambda c: tint_distance(strip, c))
    to_limb = tint_distance(strip, limb)
    # In the limb's shadow the riser is never brighter than its own face; a highlight
    # along the limb's arris is.
    shaded = strip.sum() < 1.05 * nearest.sum()
    alike = tint_distance(strip, nearest) < 0.5 * to_limb
    return bool(shaded and alike and to_limb > LEAST_TINT_CHANGE)


def holds_riser(strip: Array | None, limb: Array, risers: list[Array]) -> bool:
    """Whether a strip's light is the limb's with a good share of the riser's in it.

    Linear light, shape (3,) each. Its tint then lies between the two, and nowhere else.
    """
    if strip is None:
        return False
    nearest = min(risers, key=lambda c: tint_distance(strip, c))
    apart = tint_distance(limb, nearest)
    to_limb, to_riser = tint_distance(strip, limb), tint_distance(strip, nearest)
    # A highlight along the limb's arris is brighter than either.
    shaded = strip.sum() < 1.1 * max(limb.sum(), nearest.sum())
    between = to_limb + to_riser < BETWEEN * apart and to_limb > MIXED_SHARE * apart
    return bool(shaded and between and apart > LEAST_TINT_CHANGE)
