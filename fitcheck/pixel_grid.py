"""Where the points of a grid on a surface land in the picture, without projecting each of them.

The way from a flat surface through a lens is smooth. So few nodes are projected, and between
them runs a polynomial through the nodes: to some ten thousandths of a pixel the same as
projecting every point, at a small part of the time.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Place = TypeVar("Place", Array, Singles)


@lru_cache
def nodes(count: int) -> Array:
    """Chebyshev points of [-1, 1], shape (count,): a polynomial through them stays close between.

    They have no unit: :func:`spread_over` gives millimetres.

    Source: Trefethen, "Approximation Theory and Approximation Practice", 2013, chapters 2 and 4.
    """
    points = np.cos(np.pi * np.arange(count - 1, -1, -1) / (count - 1))
    points.flags.writeable = False
    return np.asarray(points)


def spread_over(places: Array, count: int) -> Array:
    """Nodes over the range of the places, same unit, shape (count,)."""
    low, high = float(places[0]), float(places[-1])
    return np.asarray((low + high) / 2 + (high - low) / 2 * nodes(count))


def weights(places: Array, count: int) -> Array:
    """What each node counts at each place, shape (n, count), for increasing places (n,).

    A function's values at the places are these weights times its values at the nodes of
    :func:`spread_over`, exactly so for polynomials of a degree below ``count``.
    """
    low, high = float(places[0]), float(places[-1])
    scaled = (2 * places - low - high) / max(high - low, 1e-12)
    return np.asarray(_chebyshev(scaled, count).T @ _of_nodes(count))


@lru_cache
def _of_nodes(count: int) -> Array:
    """Coefficients of the Chebyshev series through values at the nodes, one column a node."""
    return np.asarray(np.linalg.inv(_chebyshev(nodes(count), count).T))


def _chebyshev(places: Array, count: int) -> Array:
    """Chebyshev polynomials at places of [-1, 1], (n,), by their recurrence: shape (count, n).

    NumPy's own takes four times as long for so few.
    """
    values = np.ones((count, len(places)))
    values[1] = places
    for k in range(2, count):
        values[k] = 2 * places * values[k - 1] - values[k - 2]
    return values


def between(at_nodes: Array, first: Array, second: Array) -> tuple[Singles, Singles]:
    """Pixels between projected nodes.

    Parameters
    ----------
    at_nodes
        Pixels of the nodes, shape (..., j, k, 2).
    first, second
        Weights along both directions, shapes (n, j) and (m, k).

    Returns
    -------
    x and y of the grid's points, each of shape (..., n, m), dtype float32 as ``cv2.remap`` takes
    them.
    """
    x = (first @ at_nodes[..., 0] @ second.T).astype(np.float32)
    y = (first @ at_nodes[..., 1] @ second.T).astype(np.float32)
    return x, y


def as_stored(picture: Pixels, x: Place, y: Place) -> tuple[Pixels, Place, Place]:
    """An upright view of a picture, and pixels in it, turned back to how the picture is stored.

    To cut out of a picture as it is stored is quick; OpenCV copies whatever is turned.
    """
    if abs(picture.strides[0]) < abs(picture.strides[1]):
        picture, x, y = picture.swapaxes(0, 1), y, x
    if picture.strides[0] < 0:
        picture, y = np.flip(picture, 0), picture.shape[0] - 1 - y
    if picture.strides[1] < 0:
        picture, x = np.flip(picture, 1), picture.shape[1] - 1 - x
    return picture, x, y


def window(
    picture: Pixels, x: Singles, y: Singles, room_px: int = 2
) -> tuple[Pixels, Singles, Singles]:
    """Cut out the part of a picture that a grid needs, as it is stored.

    Parameters
    ----------
    picture
        Shape (height, width, ...).
    x, y
        The grid in pixels, any shape; it may lie beyond the picture.
    room_px
        How much more to take on all sides.

    Returns
    -------
    The part, C-contiguous, at least one pixel, and the grid in its pixels.
    """
    picture, x, y = as_stored(picture, x, y)
    top, low, left, right = reach(picture.shape[:2], x, y, room_px)
    part = np.ascontiguousarray(picture[top:low, left:right])
    return part, x - np.float32(left), y - np.float32(top)


def reach(
    shape: tuple[int, ...], x: Singles, y: Singles, room_px: int = 2
) -> tuple[int, int, int, int]:
    """First and last row, first and last column that a grid needs; the last ones not included.

    Of a picture of so many rows and columns at least one pixel; ``room_px`` more on all sides.
    """
    height, width = shape
    left = min(max(math.floor(x.min()) - room_px, 0), width - 1)
    top = min(max(math.floor(y.min()) - room_px, 0), height - 1)
    right = min(max(math.ceil(x.max()) + room_px + 1, left + 1), width)
    low = min(max(math.ceil(y.max()) + room_px + 1, top + 1), height)
    return top, low, left, right
