"""The printed cards as things: a face with its print, a board behind it, lying or standing."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck.cards import CARDS, MARGIN_MM
from sample_images.making.meshes import Mesh, joined, rotation, sheet

Array = NDArray[np.float64]

PX_PER_MM = 20


@dataclass(frozen=True, eq=False)
class PlacedCard:
    """A card and where it is.

    Attributes
    ----------
    name
        ``"A"`` to ``"D"``.
    card2world
        Rotation, shape (3, 3); card frame: x along, y down, z into the card.
    origin
        The card frame's origin in the world, mm.
    scale
        Print scale along and across, true over nominal.
    thickness
        Of print and board together, mm.
    bow_mm
        By how much the card's middle stands off the plane through its ends.
    """

    name: str
    card2world: Array
    origin: Array
    scale: tuple[float, float]
    thickness: float
    bow_mm: float = 0.0

    def points(self, card_mm: Array) -> Array:
        """Turn points of the printed face, nominal mm, shape (..., 2), into the world."""
        nominal = np.asarray(card_mm, dtype=np.float64)
        length = CARDS[self.name].board_mm[0]
        along = (nominal[..., 0] - length / 2) / (length / 2 + MARGIN_MM)
        z = -self.bow_mm * (1 - along**2)
        local = np.stack(
            [nominal[..., 0] * self.scale[0], nominal[..., 1] * self.scale[1], z], axis=-1
        )
        return np.asarray(local @ self.card2world.T + self.origin)

    def outline(self) -> Array:
        """Return the four corners of the cut card in the world, shape (4, 3)."""
        length, height = CARDS[self.name].board_mm
        m = MARGIN_MM
        return self.points(
            np.array([[-m, -m], [length + m, -m], [length + m, height + m], [-m, height + m]])
        )

    def face(self) -> Mesh:
        """Return the printed face."""
        length, height = CARDS[self.name].board_mm
        x, y = np.meshgrid(
            np.linspace(-MARGIN_MM, length + MARGIN_MM, 25),
            np.linspace(-MARGIN_MM, height + MARGIN_MM, 5),
        )
        points = self.points(np.stack([x, y], axis=-1))
        normals = np.broadcast_to(-self.card2world[:, 2], points.shape)
        return sheet(points, normals.copy())

    def board(self) -> Mesh:
        """Return the cut edges and the back of the card."""
        rim = np.concatenate([self.outline(), self.outline()[:1]])
        back = rim + self.card2world[:, 2] * self.thickness
        parts = []
        middle = rim[:4].mean(axis=0)
        for i in range(4):
            points = np.stack([rim[i : i + 2], back[i : i + 2]])
            out = points.mean(axis=(0, 1)) - middle
            edge = (rim[i + 1] - rim[i]) / np.linalg.norm(rim[i + 1] - rim[i])
            out -= edge * (out @ edge) + self.card2world[:, 2] * (out @ self.card2world[:, 2])
            out /= np.linalg.norm(out)
            parts.append(sheet(points, np.broadcast_to(out, points.shape).copy()))
        rear = np.stack([back[[0, 1]], back[[3, 2]]])
        parts.append(sheet(rear, np.broadcast_to(self.card2world[:, 2], rear.shape).copy()))
        return joined(parts)


@cache
def printed(name: str) -> NDArray[np.float32]:
    """Return how white a card is, 0 to 1, at 20 px/mm, with the marks in its margins.

    The chequer comes from the card's own picture, exact to the pixel; the small marks in the
    margin come from the printable sheet.
    """
    import pypdfium2

    from fitcheck.card_sheet import sheet_pdf

    exact = CARDS[name].picture(PX_PER_MM)
    page = pypdfium2.PdfDocument(sheet_pdf("a4"))[0]
    drawn = page.render(scale=PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
    drawn = drawn.reshape(drawn.shape[:2])
    quarter = cv2.resize(drawn, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wanted = cv2.resize(exact, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    _, _, _, (x, y) = cv2.minMaxLoc(cv2.matchTemplate(quarter, wanted, cv2.TM_CCOEFF_NORMED))
    cut = drawn[y * 4 : y * 4 + exact.shape[0], x * 4 : x * 4 + exact.shape[1]]
    margin = np.ones(exact.shape, dtype=bool)
    inside = int((MARGIN_MM - 0.15) * PX_PER_MM)
    margin[inside:-inside, inside:-inside] = False
    rim = PX_PER_MM // 3  # the cutting line may lie just inside
    margin[:rim] = margin[:, :rim] = margin[:, -rim:] = False
    if not CARDS[name].stands:
        margin[-rim:] = False
    drawn_over = np.where(margin, np.minimum(exact, cut), exact)
    return np.asarray(drawn_over / 255, dtype=np.float32)


def lying(
    name: str,
    at: Array,
    axes: Array,
    skew_deg: float,
    scale: tuple[float, float],
    thickness: float,
    bow_mm: float = 0.0,
    turned: bool = False,
) -> PlacedCard:
    """Lay a card on a surface, its x axis toward the tip.

    Parameters
    ----------
    at
        Where its board's middle goes, on the surface.
    axes
        Columns: across (right), along (toward the tip), out of the surface.
    """
    across, along, out = axes.T
    turn = rotation("z", skew_deg + (180.0 if turned else 0.0))
    card2world = np.stack([along, across, -out], axis=1) @ turn
    return _placed(name, at + out * thickness, (0.5, 0.5), card2world, scale, thickness, bow_mm)


def standing(
    name: str,
    at: Array,
    axes: Array,
    scale: tuple[float, float],
    thickness: float,
    lean_deg: float = 0.0,
    skew_deg: float = 0.0,
    fold_deg: float = 0.0,
    bow_mm: float = 0.0,
) -> PlacedCard:
    """Stand a card on its fold across a surface, printed side toward the tip.

    Parameters
    ----------
    at
        Where its centre mark stands, on the surface.
    axes
        Columns: across (right), along (toward the tip), out of the surface.
    lean_deg, skew_deg, fold_deg
        Turns about its fold, about the surface's normal, and of the print against the fold.
    """
    across, along, out = axes.T
    frame = np.stack([-across, -out, -along], axis=1)
    # In the card's own axes: skew about its y, lean about its x, fold error about its z.
    turn = rotation("y", skew_deg) @ rotation("x", lean_deg) @ rotation("z", fold_deg)
    return _placed(name, at, (0.5, None), frame @ turn, scale, thickness, bow_mm)


def _placed(
    name: str,
    at: Array,
    anchor: tuple[float, float | None],
    card2world: Array,
    scale: tuple[float, float],
    thickness: float,
    bow_mm: float,
) -> PlacedCard:
    """Put the anchor, a share of the board (None: the fold at its foot), at a point."""
    length, height = CARDS[name].board_mm
    down = height + MARGIN_MM if anchor[1] is None else anchor[1] * height
    local = np.array([anchor[0] * length * scale[0], down * scale[1], 0.0])
    return PlacedCard(name, card2world, at - card2world @ local, scale, thickness, bow_mm)
