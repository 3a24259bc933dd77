"""Photographs for the report: reduced, with the cards named, measured edges and scale bars.

A scale bar is drawn in the plane of its card and beside it, so that it is true there and says
so; what lies nearer to the camera or farther away is larger or smaller. The photograph is
turned by quarter turns only, a seat with the limb's tip up.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import as_file, files

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitcheck.cards import CARDS
from fitcheck.measurement import CardSeen, Measurement
from fitcheck.overlay import close_ups
from fitcheck.overlay_seam import seam_close_ups
from fitcheck.photo import Photo
from fitcheck.reporting.model import Picture

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

SIDE_PX = 900  # longest side, some 190 dpi as large as it is printed
CLOSE_UP_PX = 480
JPEG_QUALITY = 82
BAR_MM = 20
BAR_OFF_MM = 7.0  # from the squares of its card
TEXT_OF_SIDE = 1 / 46
SHIFT = 4  # sub-pixel bits of the drawing functions

# Told apart with any colour vision, and by name.
CARD_COLOUR = (116, 220, 140)
LIMB_COLOUR = (255, 159, 28)
RISER_COLOUR = (64, 190, 255)
OTHER_COLOUR = (255, 255, 255)
HALO = (16, 20, 24)

EDGE_WORDS = {
    "limb_left": "limb left",
    "limb_right": "limb right",
    "riser_left": "riser left",
    "riser_right": "riser right",
    "butt_line": "butt line",
    "pad_line": "pad line",
    "limb_line": "limb line",
}


def pictures_of(
    photo: Photo, measurement: Measurement | None, say: Callable[[str], str] = str
) -> tuple[Picture, ...]:
    """Draw the pictures of one photograph: the whole, then close-ups of lips or of a seam's ends.

    Parameters
    ----------
    photo
        Upright.
    measurement
        Its measurement; without one, or for a refused one, only cards that were found are drawn.
    say
        Puts the words on the pictures into the report's language.
    """
    found = measurement or Measurement(photo.name, "")
    whole, cards = whole_picture(photo.pixels, found, say)
    drawn = [_picture(whole, "whole", cards)]
    for enlarge in (close_ups, seam_close_ups):
        for kind, close in enlarge(photo.pixels, found, say, CLOSE_UP_PX).items():
            drawn.append(_picture(close, kind, ()))
    return tuple(drawn)


def _picture(pixels: Pixels, kind: str, cards: tuple[str, ...]) -> Picture:
    good, data = cv2.imencode(
        ".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    if not good:
        raise RuntimeError("a picture of the report could not be encoded")
    return Picture(data.tobytes(), pixels.shape[1], pixels.shape[0], kind, cards)


def whole_picture(
    pixels: Pixels,
    found: Measurement,
    say: Callable[[str], str] = str,
    side_px: int = SIDE_PX,
) -> tuple[Pixels, tuple[str, ...]]:
    """Draw a whole photograph with its cards and edges named, and scale bars beside the cards.

    Parameters
    ----------
    pixels
        The upright photograph, RGB, shape (height, width, 3), dtype uint8.
    found
        Its measurement.
    say
        Puts the words on the picture into the report's language.
    side_px
        Longest side of the picture.

    Returns
    -------
    RGB, shape (h, w, 3), dtype uint8, and the cards beside which a scale bar is drawn.
    """
    height, width = pixels.shape[:2]
    # By whole numbers: several times faster, and every pixel counts alike.
    by = math.ceil(max(height, width) / side_px)
    size = max(width // by, 1), max(height // by, 1)
    kept = pixels[: size[1] * by, : size[0] * by]
    small = cv2.resize(kept, size, interpolation=cv2.INTER_AREA) if by > 1 else kept.copy()
    turns = _quarter_turns(found)
    canvas = np.ascontiguousarray(np.rot90(np.asarray(small, dtype=np.uint8), turns))

    def place(points_px: Array) -> Array:
        return _placed(points_px, 1 / by, size, turns)

    labels: list[_Label] = []
    barred = []
    text_px = max(12, round(side_px * TEXT_OF_SIDE))
    for card in found.cards:
        if len(card.outline_px) != 4 or card.card not in CARDS:
            continue
        outline = place(np.array(card.outline_px))
        _stroke(canvas, np.vstack([outline, outline[:1]]), CARD_COLOUR)
        corner = outline[np.argmax(outline[:, 0])]
        labels.append(_Label(f"{say('Card')} {card.card}", corner, CARD_COLOUR))
        bar = _bar(card, canvas.shape[:2], place, text_px)
        if bar is not None:
            _draw_bar(canvas, bar)
            at = _named_at(bar, canvas.shape[1])
            labels.append(_Label(f"{BAR_MM} mm, {card.card}", at, OTHER_COLOUR))
            barred.append(card.card)
    sides = picture_sides(found, place)
    for edge in found.edges:
        ends = place(np.array(edge.pixels, dtype=np.float64))
        if not np.all(np.isfinite(ends)) or np.abs(ends).max() > 1e5:
            continue
        _stroke(canvas, ends, _colour(edge.edge))
        words = EDGE_WORDS.get(edge.edge, edge.edge.replace("_", " "))
        side = sides.get(edge.edge, "")
        labels.append(_Label(say(words), _beside(ends, edge.edge), _colour(edge.edge), side))
    return _lettered(canvas, labels, text_px), tuple(barred)


@dataclass(frozen=True, eq=False)
class _Label:
    """Words, what they belong to (pixels of the drawing), their colour, the side they go to."""

    words: str
    at: Array
    colour: tuple[int, int, int]
    side: str = ""


def picture_sides(
    found: Measurement, place: Callable[[Array], Array] = np.asarray
) -> dict[str, str]:
    """On which side of the picture each of a part's two sides lies, by the edge's name.

    A bare pad is seen from the limb's tip: there the seat's left lies on the picture's right.

    Parameters
    ----------
    found
        The measurement of a photograph.
    place
        Takes pixels of the upright photograph, (n, 2), to those of the drawing.
    """
    across = {
        edge.edge: float(np.mean(place(np.array(edge.pixels, dtype=np.float64))[:, 0]))
        for edge in found.edges
    }
    sides = {}
    for part in ("limb", "riser"):
        left, right = f"{part}_left", f"{part}_right"
        if left in across and right in across:
            first = "left" if across[left] <= across[right] else "right"
            sides[left], sides[right] = first, "right" if first == "left" else "left"
    return sides


def _quarter_turns(found: Measurement) -> int:
    """Quarter turns, anticlockwise, that bring a seat's limb tip up; 0 for other views."""
    if found.view != "seat":
        return 0
    middles = {
        part: np.mean([e.pixels for e in found.edges if e.edge.startswith(part)], axis=(0, 1))
        for part in ("limb", "riser")
        if any(e.edge.startswith(part) for e in found.edges)
    }
    card = next((c for c in found.cards if c.card in "AB" and len(c.outline_px) == 4), None)
    if len(middles) == 2:
        dx, dy = middles["limb"] - middles["riser"]
    elif card is not None:  # its board's x axis points toward the tip
        (x0, y0), (x1, y1) = card.outline_px[:2]
        dx, dy = x1 - x0, y1 - y0
    else:
        return 0
    if abs(dx) > abs(dy):
        return 1 if dx > 0 else 3
    return 0 if dy < 0 else 2


def _placed(points_px: Array, scale: float, size: tuple[int, int], turns: int) -> Array:
    """Pixels of the photograph to those of the drawing, centres at whole numbers, (n, 2)."""
    points = (np.asarray(points_px, dtype=np.float64) + 0.5) * scale - 0.5
    width, height = size
    for _ in range(turns):
        points = np.stack([points[:, 1], width - 1 - points[:, 0]], axis=1)
        width, height = height, width
    return points


def _bar(
    card: CardSeen, shape: tuple[int, ...], place: Callable[[Array], Array], text_px: int
) -> Array | None:
    """Ends of a bar and of its two end ticks, and what has to be free beyond it, shape (5, 2).

    It lies beside the card, in its plane, on the first side on which it is inside the picture.
    """
    length, height = CARDS[card.card].board_mm
    board = np.array([[0, 0], [length, 0], [length, height], [0, height]], dtype=np.float32)
    to_px = cv2.getPerspectiveTransform(board, np.array(card.outline_px, dtype=np.float32))
    middle = length / 2
    for y, outward in ((height + BAR_OFF_MM, 1.0), (-BAR_OFF_MM, -1.0)):
        bar = np.array(
            [
                [middle - BAR_MM / 2, y],
                [middle + BAR_MM / 2, y],
                [middle - BAR_MM / 2, y + 2 * outward],
                [middle + BAR_MM / 2, y + 2 * outward],
                [middle, y + 5 * outward],
            ]
        )
        pixels = cv2.perspectiveTransform(bar[None], to_px)[0]
        placed = place(np.asarray(pixels, dtype=np.float64))
        rim = text_px
        inside = (placed > rim).all() and (placed < np.array(shape[::-1]) - rim).all()
        if inside and np.hypot(*(placed[1] - placed[0])) > 8:
            return np.asarray(placed)
    return None


def _named_at(bar: Array, width: int) -> Array:
    """Where the line to a bar's words begins: its middle, or the nearer tick of one that lies.

    On the tick the line stands clear of the bar: in line with it it would lengthen it.
    """
    middle = np.asarray((bar[0] + bar[1]) / 2)
    along = np.abs(bar[1] - bar[0])
    if along[1] > along[0]:
        return middle
    first, last = sorted(bar[2:4], key=lambda end: float(end[0]))
    return np.asarray(first if middle[0] < width / 2 else last)


def _draw_bar(canvas: Pixels, bar: Array) -> None:
    _stroke(canvas, bar[:2], OTHER_COLOUR)
    for end, tick in ((0, 2), (1, 3)):
        _stroke(canvas, np.stack([2 * bar[end] - bar[tick], bar[tick]]), OTHER_COLOUR)


def _beside(ends: Array, name: str) -> Array:
    share = {"pad_line": 0.25, "limb_line": 0.75, "butt_line": 0.05}.get(name, 0.5)
    return np.asarray(ends[0] + share * (ends[1] - ends[0]))


def _colour(edge: str) -> tuple[int, int, int]:
    if edge.startswith("limb"):
        return LIMB_COLOUR
    return RISER_COLOUR if edge.startswith(("riser", "pad")) else OTHER_COLOUR


def _stroke(
    canvas: Pixels, points: Array, colour: tuple[int, int, int], *, thin: bool = False
) -> None:
    path = [np.round(points * (1 << SHIFT)).astype(np.int32)]
    for paint, width in ((HALO, 2), (colour, 1)) if thin else ((HALO, 4), (colour, 2)):
        cv2.polylines(canvas, path, False, paint, width, cv2.LINE_AA, SHIFT)


@lru_cache(maxsize=4)
def _font(size: int) -> ImageFont.FreeTypeFont:
    source = files("fitcheck").joinpath("reporting/fonts/DejaVuSansCondensed-Bold.ttf")
    with as_file(source) as path:
        return ImageFont.truetype(str(path), size)


def _lettered(canvas: Pixels, labels: list[_Label], text_px: int) -> Pixels:
    """Lay words on dark chips along the rims, clear of each other, each with its line."""
    height, width = canvas.shape[:2]
    font = _font(text_px)
    tall = text_px * 1.5
    chips = []
    taken: dict[str, list[float]] = {"left": [], "right": []}
    for label in sorted(labels, key=lambda one: float(one.at[1])):
        nearer = "left" if label.at[0] < width / 2 else "right"
        side = label.side if label.side in taken else nearer
        wide = font.getlength(label.words) + text_px
        top = _free(float(label.at[1]) - tall / 2, tall, taken[side], height)
        taken[side].append(top)
        left = 4.0 if side == "left" else max(width - wide - 4.0, 4.0)
        end = left + wide if side == "left" else left
        _stroke(canvas, np.stack([[end, top + tall / 2], label.at]), label.colour, thin=True)
        chips.append((label, (left, top, left + wide, top + tall)))
    picture = Image.fromarray(canvas)
    draw = ImageDraw.Draw(picture)
    for label, box in chips:
        draw.rounded_rectangle(box, radius=text_px * 0.3, fill=HALO)
        middle = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        draw.text(middle, label.words, font=font, fill=label.colour, anchor="mm")
    return np.asarray(picture, dtype=np.uint8)


def _free(top: float, tall: float, taken: list[float], height: int) -> float:
    """The nearest place above or below, in steps of a line, where no other words lie."""
    for step in range(40):
        way = (step + 1) // 2 * (1 if step % 2 else -1)
        y = float(np.clip(top + way * tall * 0.5, 2, max(height - tall - 2, 2)))
        if all(abs(y - other) >= tall + 2 for other in taken):
            return y
    return top
