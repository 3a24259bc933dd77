"""The four reference cards: their geometry, and each as a picture.

This is the only place that knows how a card looks. The printable sheet
(:mod:`fitcheck.card_sheet`), the detector (:mod:`fitcheck.corners`) and the views read it.

**Card frame**, millimetres: OpenCV's board frame. Origin at the outer corner of the
board's first square, x along the card, y down the card, z *into* the card, so that the
frame is right-handed and the printed side is seen from negative z. A card that lies on
the face of a limb with its x axis toward the tip therefore has its y axis to the right
and its z axis into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

DICTIONARY = cv2.aruco.DICT_5X5_100
MARGIN_MM = 2.0  # white border around the squares


@dataclass(frozen=True)
class Card:
    """One printed reference card: a ChArUco board with a white margin.

    Attributes
    ----------
    name
        ``"A"`` to ``"D"``.
    squares_x, squares_y
        Number of chequer squares along and down the card.
    square_mm, marker_mm
        Side of a square and of a marker, in millimetres.
    first_id
        Lowest marker id; the others follow on.
    stands
        True for a card that is folded at its lower edge and stands on the surface.
    """

    name: str
    squares_x: int
    squares_y: int
    square_mm: float
    marker_mm: float
    first_id: int
    stands: bool

    @property
    def board_mm(self) -> tuple[float, float]:
        """Length and height of the chequered field, in millimetres."""
        return self.squares_x * self.square_mm, self.squares_y * self.square_mm

    @property
    def outside_mm(self) -> tuple[float, float]:
        """Length and height of the cut card with its white margin, in millimetres."""
        length, height = self.board_mm
        return length + 2 * MARGIN_MM, height + 2 * MARGIN_MM

    @property
    def marker_ids(self) -> range:
        """Ids of the markers on this card."""
        return range(self.first_id, self.first_id + self.squares_x * self.squares_y // 2)

    @cached_property
    def board(self) -> Any:
        """The card as OpenCV's ``CharucoBoard`` (current pattern, units millimetres)."""
        return cv2.aruco.CharucoBoard(
            (self.squares_x, self.squares_y),
            self.square_mm,
            self.marker_mm,
            cv2.aruco.getPredefinedDictionary(DICTIONARY),
            np.array(list(self.marker_ids)),
        )

    @cached_property
    def corners_mm(self) -> NDArray[np.float64]:
        """Inner chequer corners in the card frame, row by row: shape (n, 3), mm, z = 0."""
        return np.array(self.board.getChessboardCorners(), dtype=np.float64)

    @cached_property
    def marker_corners_mm(self) -> dict[int, NDArray[np.float64]]:
        """Marker id to its four corners in the card frame: shape (4, 3), mm."""
        corners = [np.array(c, dtype=np.float64) for c in self.board.getObjPoints()]
        return dict(zip(self.marker_ids, corners, strict=True))

    def picture(self, px_per_mm: int = 20) -> NDArray[np.uint8]:
        """Draw the card, margin included.

        Parameters
        ----------
        px_per_mm
            Resolution, pixels per millimetre, at least 1.

        Returns
        -------
        Grey image of shape (height_mm * px_per_mm, length_mm * px_per_mm), dtype uint8.

        Raises
        ------
        ValueError
            If ``px_per_mm`` is below 1.
        """
        if px_per_mm < 1:
            raise ValueError(f"px_per_mm must be at least 1, got {px_per_mm}")
        length, height = self.outside_mm
        size = round(length * px_per_mm), round(height * px_per_mm)
        drawn = self.board.generateImage(
            size, marginSize=round(MARGIN_MM * px_per_mm), borderBits=1
        )
        return np.asarray(drawn, dtype=np.uint8)


CARDS: dict[str, Card] = {
    card.name: card
    for card in (
        Card("A", 15, 3, 8.0, 6.0, first_id=0, stands=False),
        Card("B", 15, 3, 8.0, 6.0, first_id=22, stands=False),
        Card("C", 10, 3, 12.0, 9.0, first_id=44, stands=True),
        Card("D", 10, 3, 12.0, 9.0, first_id=59, stands=True),
    )
}
