"""The pixels of an upright picture, decoded and turned only as far as they are asked for.

A JPEG's luminance is coded by itself and read in half the time of its colours, and finding the
cards needs nothing else. The luminance is always that one, so that a photograph gives the same
numbers whatever else was looked at first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import simplejpeg
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]


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
    def colour(self) -> Pixels:
        """RGB, shape (rows, columns, 3), perhaps not contiguous: to take parts from."""
        stored, turn = self._decoded()
        return _locked(turn.seen(stored))

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
