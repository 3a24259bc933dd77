"""The pixels of an upright picture, decoded and turned only as far as they are asked for.

A JPEG's luminance is coded by itself and read in half the time of its colours, and finding the
cards needs nothing else. Its two colour differences are nearly always stored at half the size,
and kept so: colours are put together from both, part by part, where they are measured. Either is
always the one that was stored, so that a photograph gives the same numbers whatever else was
looked at first.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from fitcheck import pixel_grid

Pixels = NDArray[np.uint8]
Singles = NDArray[np.float32]
HALVED = [(2, 2), (1, 1), (1, 1)]  # ITU-T T.81: horizontal and vertical sampling of Y, Cb, Cr
# What Y, Cb and Cr, less their middle, add to Y for red, green and blue: ITU-T T.871, section 7,
# to 16 bits as libjpeg has it.
MIDDLE = 128
RGB_OF_DIFFERENCES = np.array(
    [[0, 0, 91881], [0, -22554, -46802], [0, 116130, 0]], np.float32
) / np.float32(1 << 16)
# Between stored differences libjpeg goes evenly, in sixteenths, and rounds halves up in even
# columns and down in odd ones.
EVEN_ROUNDED, ODD_ROUNDED = 8 / 16, 7 / 16
AT_ONCE_PX = 1 << 17  # pixels put together at once: their numbers stay in the processor's cache


@dataclass(frozen=True)
class Turn:
    """What turns a stored picture upright.

    Attributes
    ----------
    transposed
        Whether rows and columns change places, before anything else.
    reversed_axes
        Which of (rows, columns) are then put in reverse order.
    """

    transposed: bool = False
    reversed_axes: tuple[int, ...] = ()

    def seen(self, stored: Pixels) -> Pixels:
        """Return the upright picture as a view: nothing is copied."""
        upright = stored.swapaxes(0, 1) if self.transposed else stored
        return np.flip(upright, self.reversed_axes) if self.reversed_axes else upright

    def made(self, stored: Pixels) -> Pixels:
        """Return the upright picture, C-contiguous."""
        import cv2  # only here: it takes longer to load than the readers of photographs

        if not self.transposed and not self.reversed_axes:
            return np.ascontiguousarray(stored)
        upright = np.asarray(cv2.transpose(stored), np.uint8) if self.transposed else stored
        if self.reversed_axes:
            axis = -1 if len(self.reversed_axes) == 2 else self.reversed_axes[0]
            place = upright if self.transposed else None  # the stored picture stays as it is
            upright = np.asarray(cv2.flip(upright, axis, dst=place), dtype=np.uint8)
        return upright


# EXIF 2.32, section 4.6.4, tag Orientation; 1 is upright.
TURNS = {
    2: Turn(False, (1,)),
    3: Turn(False, (0, 1)),
    4: Turn(False, (0,)),
    5: Turn(True),
    6: Turn(True, (1,)),
    7: Turn(True, (0, 1)),
    8: Turn(True, (0,)),
}


class Colours:
    """The colours of an upright picture, to take parts from.

    Attributes
    ----------
    shape
        Rows and columns, upright.
    """

    def __init__(self, rgb: Pixels) -> None:
        """Take RGB, upright, shape (rows, columns, 3), perhaps not contiguous."""
        self.shape = rgb.shape[:2]
        self._rgb: Pixels | None = rgb
        self._luminance = self._halved = np.empty(0, np.uint8)
        self._rounding = np.empty(0, np.float32)

    @classmethod
    def halved(cls, luminance: Pixels, halved: Pixels, turn: Turn) -> Colours:
        """Take Y, shape (rows, columns), both even, and Y, Cb, Cr of half that, (..., 3).

        Both are upright; ``turn`` tells how they were stored.
        """
        colours = cls.__new__(cls)
        colours.shape, colours._rgb = luminance.shape, None
        colours._luminance, colours._halved = luminance, halved
        along = 0 if turn.transposed else 1  # where the stored rows run
        odd_first = along in turn.reversed_axes
        pair = [ODD_ROUNDED, EVEN_ROUNDED] if odd_first else [EVEN_ROUNDED, ODD_ROUNDED]
        of_two = np.array(pair, np.float32).reshape((1, 2, 1) if along else (2, 1, 1)) - MIDDLE
        colours._rounding = np.broadcast_to(of_two, (2, 2, 3))
        return colours

    def window(self, x: Singles, y: Singles) -> tuple[Pixels, Singles, Singles]:
        """Take the part that a grid needs: RGB, C-contiguous, and the grid in its pixels.

        Places of the grid are upright pixels, of any shape; they may lie beyond the picture.
        """
        if self._rgb is not None:
            return pixel_grid.window(self._rgb, x, y)
        top, low, left, right = pixel_grid.reach(self.shape, x, y)
        part = np.empty((low - top, right - left, 3), np.uint8)
        rows = max(1, AT_ONCE_PX // (right - left))
        for first in range(top, low, rows):
            last = min(first + rows, low)
            part[first - top : last - top] = self._put_together(first, last, left, right)
        return part, x - np.float32(left), y - np.float32(top)

    def _put_together(self, top: int, low: int, left: int, right: int) -> Pixels:
        import cv2  # only here: it takes longer to load than the readers of photographs

        # Each stored difference lies in the middle of four pixels, between which it changes
        # evenly; one more of them to all sides.
        first, start = max(top // 2 - 1, 0), max(left // 2 - 1, 0)
        stored = self._halved[first : low // 2 + 2, start : right // 2 + 2].astype(np.float32)
        full = cv2.resize(stored, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
        row_pairs = full.reshape(-1, 2, *full.shape[1:])
        row_pairs += np.tile(self._rounding, (1, stored.shape[1], 1))
        added = cv2.transform(np.floor(full, out=full), RGB_OF_DIFFERENCES)
        added = added[top - 2 * first :, left - 2 * start :][: low - top, : right - left]
        luminance = np.ascontiguousarray(self._luminance[top:low, left:right])
        grey = cv2.cvtColor(luminance, cv2.COLOR_GRAY2RGB)
        return np.asarray(cv2.add(grey, added, dtype=cv2.CV_8U), np.uint8)


class Picture:
    """An upright picture in colour and in grey. All arrays are read-only.

    Attributes
    ----------
    shape
        Rows and columns, upright.
    """

    def __init__(self, pixels: Pixels, turn: Turn | None = None) -> None:
        """Take pixels as they are stored, RGB, shape (rows, columns, 3)."""
        self._turn = turn or Turn()
        # Set in one piece, because several people may look at one picture at once.
        self._stored: tuple[Pixels, Turn] | None = (pixels, self._turn)
        self._jpeg = b""
        self._colours: Colours | None = None
        self._grey: Pixels | None = None
        self.shape = self._turn.seen(pixels).shape[:2]

    @classmethod
    def of_jpeg(cls, data: bytes, turn: Turn | None = None) -> Picture:
        """Read a JPEG that has no fault at all; only its luminance is decoded now.

        Raises
        ------
        ValueError
            If there is any fault in it, harmless or not.
        """
        grey = np.asarray(simplejpeg.decode_jpeg(data, "GRAY", strict=True), dtype=np.uint8)
        picture = cls(grey, turn)
        picture._stored, picture._jpeg = None, data
        picture._grey = _locked(picture._turn.made(grey[:, :, 0]))
        return picture

    @property
    def colours(self) -> Colours:
        """Its colours, to take parts from."""
        if self._colours is None:
            halved = self._decoded_at_half() if self._jpeg else None
            if halved is None:
                stored, turn = self._decoded()
                self._colours = Colours(_locked(turn.seen(stored)))
            else:
                self._colours = Colours.halved(self.grey, halved, self._turn)
        return self._colours

    @property
    def pixels(self) -> Pixels:
        """RGB, shape (rows, columns, 3), C-contiguous: to work on the whole of it."""
        stored, turn = self._decoded()
        upright = turn.made(stored)
        self._stored = (upright, Turn())
        return _locked(upright)

    @property
    def grey(self) -> Pixels:
        """Luminance (ITU-R BT.601 weights), shape (rows, columns), C-contiguous."""
        if self._grey is None:
            import cv2

            grey = cv2.cvtColor(self.pixels, cv2.COLOR_RGB2GRAY)
            self._grey = _locked(np.asarray(grey, dtype=np.uint8))
        return self._grey

    def _decoded_at_half(self) -> Pixels | None:
        """Y, Cb and Cr of half the size, upright, if Cb and Cr are stored like that."""
        from PIL import JpegImagePlugin

        rows, columns = self.shape
        with JpegImagePlugin.JpegImageFile(io.BytesIO(self._jpeg)) as image:
            layout = [(component[1], component[2]) for component in image.layer]
            if layout != HALVED or rows % 2 or columns % 2:
                return None
            image.draft("YCbCr", (image.width // 2, image.height // 2))
            try:
                return self._turn.made(np.asarray(image))
            except OSError:  # red, green and blue themselves are stored
                return None

    def _decoded(self) -> tuple[Pixels, Turn]:
        if self._stored is None:
            # It was found sound when its luminance was read.
            stored = simplejpeg.decode_jpeg(self._jpeg, "RGB", strict=False)
            self._stored = (np.asarray(stored, dtype=np.uint8), self._turn)
        return self._stored


def _locked(pixels: Pixels) -> Pixels:
    seen = pixels.view()
    seen.flags.writeable = False
    return seen
