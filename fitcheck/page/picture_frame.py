"""The part of a photograph in which edges are marked by hand, turned tip up.

Points are (x, y) with pixel centres at whole numbers, in the photograph and in the frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitcheck.measurement import Point
from fitcheck.page.inspection import Line

LONGEST_SIDE_PX = 2000
MARGIN = 0.45  # round the edges, as a share of their longer extent

_TURNS = (
    None,
    Image.Transpose.ROTATE_90,
    Image.Transpose.ROTATE_180,
    Image.Transpose.ROTATE_270,
)


@dataclass(frozen=True)
class PictureFrame:
    """A piece of a photograph, turned by quarters and reduced.

    Attributes
    ----------
    left, top, width, height
        The piece, in whole pixels of the photograph.
    quarters
        Quarter turns counter-clockwise, 0 to 3.
    scale
        Pixels of the frame per pixel of the photograph, at most 1.
    """

    left: int
    top: int
    width: int
    height: int
    quarters: int
    scale: float

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the frame's picture."""
        size = max(1, round(self.width * self.scale)), max(1, round(self.height * self.scale))
        return (size[1], size[0]) if self.quarters % 2 else size

    def from_photo(self, point: Point) -> Point:
        """A point of the photograph, in the frame."""
        x, y = point[0] - self.left, point[1] - self.top
        across, down = self.width - 1, self.height - 1
        x, y = ((x, y), (y, across - x), (across - x, down - y), (down - y, x))[self.quarters]
        return (x + 0.5) * self.scale - 0.5, (y + 0.5) * self.scale - 0.5

    def to_photo(self, point: Point) -> Point:
        """A point of the frame, in the photograph; kept inside the piece that is shown."""
        x, y = ((c + 0.5) / self.scale - 0.5 for c in point)
        across, down = self.width - 1, self.height - 1
        x, y = ((x, y), (across - y, x), (across - x, down - y), (y, down - x))[self.quarters]
        return (
            float(np.clip(x, 0, across)) + self.left,
            float(np.clip(y, 0, down)) + self.top,
        )

    def take(self, photo_pixels: NDArray[np.uint8]) -> Image.Image:
        """Cut the picture out of the upright photograph, RGB, shape (height, width, 3)."""
        right, bottom = self.left + self.width, self.top + self.height
        picture = Image.fromarray(photo_pixels[self.top : bottom, self.left : right])
        turn = _TURNS[self.quarters]
        if turn is not None:
            picture = picture.transpose(turn)
        return picture.resize(self.size_px, Image.Resampling.LANCZOS, reducing_gap=3.0)


def frame_round(lines: Mapping[str, Line], size_px: tuple[int, int]) -> PictureFrame:
    """Frame the seat: what lies round the edges that were found, tip up.

    Parameters
    ----------
    lines
        Edge name to its ends, pixels of the photograph. Without any the whole photograph is
        framed as it is.
    size_px
        Width and height of the photograph.
    """
    width, height = size_px
    box = (0, 0, width, height)
    if lines:
        ends = np.array(list(lines.values()), dtype=np.float64).reshape(-1, 2)
        low, high = ends.min(axis=0), ends.max(axis=0)
        margin = MARGIN * float((high - low).max())
        left, top = np.maximum(np.floor(low - margin), 0).astype(int)
        right, bottom = np.minimum(np.ceil(high + margin) + 1, [width, height]).astype(int)
        box = (int(left), int(top), int(right - left), int(bottom - top))
    scale = min(1.0, LONGEST_SIDE_PX / max(box[2:]))
    return PictureFrame(*box, _quarters_to_tip_up(lines), scale)


def _quarters_to_tip_up(lines: Mapping[str, Line]) -> int:
    """Quarter turns counter-clockwise that bring the limb above the riser."""

    def middle(part: str) -> NDArray[np.float64] | None:
        ends = [line for name, line in lines.items() if name.startswith(part)]
        return np.array(ends, dtype=np.float64).mean(axis=(0, 1)) if ends else None

    limb, riser = middle("limb"), middle("riser")
    if limb is None or riser is None:
        return 0
    x, y = limb - riser
    if abs(x) > abs(y):
        return 1 if x > 0 else 3
    return 0 if y <= 0 else 2
