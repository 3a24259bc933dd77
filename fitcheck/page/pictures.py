"""Photographs as pictures for the browser: reduced, cut out at full resolution, and as profiles.

A photograph is decoded once and the last few are kept, for measuring, for its overlay and for
the magnifier alike. What is shown of it small is made once, and kept longer.
"""

from __future__ import annotations

import io
import threading
from collections import OrderedDict
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitcheck.errors import BadInput
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.photo import Photo, read_photo
from fitcheck.tone import linear_light

KEPT_DECODED = 3  # 36 MB each at 12 megapixels
KEPT_SMALL = 160  # 60 kB each
SMALL_PX = (240, 900)  # longest sides in which a whole photograph is shown
MOST_PIECE_PX = 512
JPEG_QUALITY = 85

_decoded: OrderedDict[str, Photo] = OrderedDict()
_small: OrderedDict[tuple[str, int], bytes] = OrderedDict()
_decoding = threading.Lock()
_keeping = threading.Lock()

Array = NDArray[np.float64]


def picture_of(sha256: str, read: Callable[[], bytes], name: str) -> Photo:
    """Return a photograph's picture, decoded or remembered.

    Parameters
    ----------
    sha256, name
        Of the photograph.
    read
        Gives its file; not called if the picture is remembered.

    Raises
    ------
    BadInput
        As ``read`` and :func:`fitcheck.photo.read_photo` do.
    """
    known = _remembered(sha256)
    if known is not None:
        return known
    with _decoding:  # two who ask at once get one picture, decoded once
        known = _remembered(sha256)
        if known is not None:
            return known
        photo = read_photo(read(), name)
        with _keeping:
            _decoded[sha256] = photo
            while len(_decoded) > KEPT_DECODED:
                _decoded.popitem(last=False)
        return photo


def _remembered(sha256: str) -> Photo | None:
    with _keeping:
        known = _decoded.get(sha256)
        if known is not None:
            _decoded.move_to_end(sha256)
        return known


def small_of(sha256: str, read: Callable[[], bytes], name: str, longest_px: int) -> bytes:
    """Return a whole photograph as a small JPEG, made or remembered; as :func:`picture_of`."""
    key = (sha256, longest_px)
    with _keeping:
        known = _small.get(key)
        if known is not None:
            _small.move_to_end(key)
            return known
    made = preview(picture_of(sha256, read, name), longest_px)
    with _keeping:
        _small[key] = made
        while len(_small) > KEPT_SMALL:
            _small.popitem(last=False)
    return made


def preview(photo: Photo, longest_px: int) -> bytes:
    """Return a photograph as a small JPEG, upright."""
    import cv2  # large; the page's own first look is to be there before it

    share = min(1.0, longest_px / max(photo.size_px))
    width, height = (max(1, round(side * share)) for side in photo.size_px)
    small = cv2.resize(photo.pixels, (width, height), interpolation=cv2.INTER_AREA)
    return jpeg(Image.fromarray(small))


def jpeg(picture: Image.Image) -> bytes:
    """Return a picture as JPEG."""
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=JPEG_QUALITY)
    return buffer.getvalue()


def frame_jpeg(photo: Photo, frame: PictureFrame) -> bytes:
    """Return what a frame shows of a photograph.

    Raises
    ------
    BadInput
        ``frame_outside`` if the frame lies outside the photograph.
    """
    width, height = photo.size_px
    inside = (
        0 <= frame.left < frame.left + frame.width <= width
        and 0 <= frame.top < frame.top + frame.height <= height
        and 0 < frame.scale <= 1
    )
    if not inside:
        raise BadInput(
            "frame_outside", "There is no such part of the photograph.", "Load the page again."
        )
    return jpeg(frame.take(photo.pixels))


def piece_of(frame: PictureFrame, left: int, top: int, side: int) -> PictureFrame:
    """Return a square piece of a frame at full resolution, turned as the frame is.

    Parameters
    ----------
    frame
        As it is shown.
    left, top, side
        In pixels of the photograph, counted in the turned frame; cut off at its borders.
    """
    whole = PictureFrame(frame.left, frame.top, frame.width, frame.height, frame.quarters, 1.0)
    wide, high = whole.size_px
    side = min(max(side, 1), MOST_PIECE_PX, wide, high)
    left, top = min(max(left, 0), wide - side), min(max(top, 0), high - side)
    first = whole.to_photo((left, top))
    last = whole.to_photo((left + side - 1, top + side - 1))
    x, y = (round(min(a, b)) for a, b in zip(first, last, strict=True))
    return PictureFrame(x, y, side, side, frame.quarters, 1.0)


def profile_across(
    photo: Photo, line: tuple[tuple[float, float], tuple[float, float]], reach_px: float
) -> tuple[Array, Array]:
    """Return the light across a line, averaged along it: what an edge looks like from the side.

    Parameters
    ----------
    photo
        The photograph.
    line
        Two ends, pixels of the upright photograph.
    reach_px
        How far to either side.

    Returns
    -------
    Distances from the line, pixels, positive to the right as one looks from the first end to
    the other; and the mean linear light there, 0 to 1, shapes (n,). Nothing where the line
    leaves the photograph or is no longer than a point.
    """
    (x0, y0), (x1, y1) = line
    length = float(np.hypot(x1 - x0, y1 - y0))
    if length < 2:
        return np.empty(0), np.empty(0)
    across = np.arange(-reach_px, reach_px + 0.25, 0.5)
    share = np.linspace(0.03, 0.97, int(min(max(length, 16), 400)))
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    x = (x0 + share * (x1 - x0))[:, None] + across * nx
    y = (y0 + share * (y1 - y0))[:, None] + across * ny
    height, width = photo.pixels.shape[:2]
    if x.min() < 1 or y.min() < 1 or x.max() > width - 2 or y.max() > height - 2:
        return np.empty(0), np.empty(0)
    left, top = int(x.min()) - 1, int(y.min()) - 1
    right, bottom = int(x.max()) + 3, int(y.max()) + 3
    light = linear_light(photo.pixels[top:bottom, left:right]).mean(axis=2)
    columns, rows = x - left, y - top
    column, row = np.floor(columns).astype(int), np.floor(rows).astype(int)
    fx, fy = columns - column, rows - row
    value = (
        light[row, column] * (1 - fx) * (1 - fy)
        + light[row, column + 1] * fx * (1 - fy)
        + light[row + 1, column] * (1 - fx) * fy
        + light[row + 1, column + 1] * fx * fy
    )
    return across, np.asarray(value.mean(axis=0), dtype=np.float64)
