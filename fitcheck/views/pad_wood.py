"""Whether what lies just inside two lines is the same wood.

A riser's outer laminations are alike on both sides. What stands behind or beside a riser, a
rest, a block or a clamp, has edges as clear and as upright as the riser's own, but between
its edge and the riser's side lies something else than wood of the riser. So the colour just
inside the two lines tells whether they belong together. Colour counts for more than
brightness, which a lamp from one side changes over a face.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.picture import Colours
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside

Array = NDArray[np.float64]

INSIDE_MM = (-1.7, -0.4)
LOG_FLOOR = 0.03  # of the paper's light
# Natural logarithms. On rendered and ray-cast risers the two sides' colours differ by up to
# 0.07 and their brightness by up to 0.1; daylight on one side and a lamp on the other do more.
COLOUR_LIKE, BRIGHTNESS_LIKE = 0.12, 0.4
UNLIKE_SHARE = 0.25  # a riser may have laminations that are not alike


def shade_inside(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    line: Line,
    along_mm: tuple[float, float],
    white: float,
) -> Array | None:
    """Logarithm of the light just inside a line.

    Parameters
    ----------
    picture
        The colours of the upright picture.
    surface, frame
        Where the face lies, outward positive.
    line
        In the strip frame.
    along_mm
        The stretch that is looked at.
    white
        Linear light of the card's paper.

    Returns
    -------
    Of red, green and blue, shape (3,), median over blocks of 1 mm; None outside the picture.
    """
    light, _, _ = blocks_beside(picture, surface, frame, line, along_mm, INSIDE_MM, 1.0, [])
    if len(light) == 0:
        return None
    logs = np.log(light + LOG_FLOOR * white).mean(axis=1)
    return np.asarray(np.median(logs, axis=0))


def unlikeness(one: Array, other: Array) -> Array:
    """How far shades, log light (..., 3), differ: up to 1 in one wood, over 1 in others."""
    apart = one - other
    brightness = apart.mean(axis=-1)
    colour = np.linalg.norm(apart - brightness[..., None], axis=-1)
    return np.asarray(np.hypot(colour / COLOUR_LIKE, brightness / BRIGHTNESS_LIKE))


def same_wood(unlike: float) -> float:
    """Likelihood of an unlikeness if both lines are a riser's sides, from 1 down to a floor."""
    return UNLIKE_SHARE + (1 - UNLIKE_SHARE) / (1 + unlike**4)
