"""Why no card was read in a photograph: mirrored, over-exposed, blurred; or it is not there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck.corners import card_shows
from fitcheck.errors import Refused

CLIPPED_SHARE_REFUSED = 0.02  # of the pixels; a card's white alone is less
# scikit-image's measure, 0 sharp to 1 blurred. On 16 photographs of 12 megapixels the quantity
# below is 0.35 to 0.57; with a Gaussian blur of 4 px 0.74 to 0.95, moved by 15 px 0.64 to 0.82,
# with noise over such a blur 0.62 to 0.70 (five photographs); on 13 pictures of scikit-image,
# and on these enlarged twice, 0.18 to 0.53.
BLUR_REFUSED = 0.6
JUDGED_SIDE_PX = 4032  # a larger picture is reduced to about this: its pixels say more than it
TILE_PX, TILES, SHARPEST = 100, 12, 3
LEAST_SPREAD = 2.0  # grey levels, standard deviation: a tile with less shows nothing


def explain_missing_card(grey: NDArray[np.uint8]) -> None:
    """Refuse a photograph in which something is known to keep a card from being read.

    A mirrored picture is told by its markers. Blur is judged by ``skimage.measure.blur_effect``
    (Crété-Roffet et al., "The blur effect", SPIE 6492, 2007) on small tiles with most contrast:
    on few of them, for that costs little, and on strong edges, which noise makes least sharper.

    Parameters
    ----------
    grey
        Picture, shape (height, width), dtype uint8.

    Raises
    ------
    Refused
        ``mirrored``, ``over_exposed`` or ``blurred``; returns if none explains a missing card.
    """
    if card_shows(np.asarray(cv2.flip(grey, 1), dtype=np.uint8)):
        raise Refused(
            "mirrored",
            "The photograph is mirrored: its left and right are exchanged.",
            "Take it with the main camera, or turn the mirroring of the front camera off, and "
            "retake.",
        )
    if np.mean(grey >= 254) > CLIPPED_SHARE_REFUSED:
        raise Refused(
            "over_exposed",
            "The photograph is over-exposed: its white areas have run together.",
            "Tap on the white card to set the exposure, or take the light further away.",
        )
    if _blur(grey) > BLUR_REFUSED:
        raise Refused(
            "blurred",
            "The photograph is blurred.",
            "Tap on the card to focus, rest the phone or your elbows, and retake in more light.",
        )


def _blur(grey: NDArray[np.uint8]) -> float:
    """How blurred the sharpest of a picture's busy places are, 0 to 1; 0 where nothing shows."""
    from skimage.measure import blur_effect

    step = max(1, round(max(grey.shape) / JUDGED_SIDE_PX))
    seen = cv2.resize(grey, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    rows, columns = (max(1, round(side / TILE_PX)) for side in seen.shape)
    tiles = [
        tile
        for band in np.array_split(seen, rows)
        for tile in np.array_split(band, columns, axis=1)
    ]
    busy = sorted(((float(np.std(t)), i) for i, t in enumerate(tiles)), reverse=True)[:TILES]
    blurs = sorted(float(blur_effect(tiles[i])) for spread, i in busy if spread >= LEAST_SPREAD)
    # A single sharp tile may be a speck; the fourth of twelve is a place.
    return blurs[min(SHARPEST, len(blurs) - 1)] if blurs else 0.0
