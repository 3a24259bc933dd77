"""The photograph with what was measured drawn on it.

Everything is drawn tip up, as the pad frame is defined, so that left is left: the picture is
turned, cropped and scaled in one step, and lines and words are laid on the result. Lines are
thin and let the edge show through; colour is never the only sign, every edge carries its name.

Pixels are (x, y), centres at whole numbers, of the upright photograph (``points_px``) or of
the picture that is drawn (``points_view``).
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from fitcheck.measurement import Characteristic, Edge, Measurement
from fitcheck.units import MINUS, quantity_text, uncertainty_text, value_text

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

LIMB_COLOUR = (255, 159, 28)  # orange and blue: told apart with any colour vision
RISER_COLOUR = (64, 190, 255)
BUTT_COLOUR = (255, 255, 255)
HALO = (16, 20, 24)
OUTSIDE = (88, 88, 88)  # beyond the photograph
CHIP = (16, 20, 24, 205)  # ground of the words
INK = (255, 255, 255, 255)

# Name of each edge, one line of a label each.
EDGE_WORDS = {
    "limb_left": ("Limb,", "left edge"),
    "limb_right": ("Limb,", "right edge"),
    "riser_left": ("Riser,", "left edge"),
    "riser_right": ("Riser,", "right edge"),
    "butt_line": ("Butt line",),
}

SMOOTH = 2  # drawn this much larger, then reduced: Pillow's lines have hard steps
MOST_MAGNIFIED = 4.0
MOST_REDUCED = 6  # bounds the memory for edges that cannot be right
CLOSE_UP_SIDE = 720
CLOSE_UP_TEXT_OF_SIDE = 26 / 720
CLOSE_UP_OF_WIDTH = 0.28  # side of a close-up as a share of the riser's or limb's width
END_MARGIN = 0.22  # picture kept beyond the edges' ends, as a share of the seat's width
# Words stay readable when the picture is shown 350 px wide, on a phone.
TEXT_OF_SIDE = 1 / 42
SMALLEST_TEXT_PX = 12
SMALLEST_SIDE = 400
WORDS_WIDE = 7.2  # widest label and its leader, in heights of the letters

Colour = tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class View:
    """A turned, cropped and scaled picture: ``view = turn @ px + shift``."""

    turn: Array
    shift: Array
    size: tuple[int, int]

    @property
    def scale(self) -> float:
        """Pixels of the view per pixel of the photograph."""
        return float(np.hypot(*self.turn[0]))

    def place(self, points_px: Array) -> Array:
        """Photograph to view, shape (n, 2)."""
        return np.asarray(points_px @ self.turn.T + self.shift)

    def take(self, photo_pixels: Pixels) -> Image.Image:
        """Resample the photograph; what lies outside it is grey."""
        # A reduction is taken in finer steps and averaged, or it would skip pixels.
        finer = min(max(1, math.ceil(1 / self.scale)), MOST_REDUCED)
        shift = finer * self.shift + (finer - 1) / 2  # pixel centres are at whole numbers
        warped = cv2.warpAffine(
            photo_pixels,
            np.column_stack([finer * self.turn, shift]),
            (finer * self.size[0], finer * self.size[1]),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=OUTSIDE,
        )
        if finer > 1:
            warped = cv2.resize(warped, self.size, interpolation=cv2.INTER_AREA)
        return Image.fromarray(np.asarray(warped, dtype=np.uint8))


def annotate(photo_pixels: Pixels, measurement: Measurement, max_side: int = 2000) -> Pixels:
    """Draw the measured edges and the overhangs on the photograph.

    Parameters
    ----------
    photo_pixels
        The upright photograph, RGB, shape (height, width, 3), dtype uint8.
    measurement
        Its measurement. Without edges the photograph is only reduced.
    max_side
        Longest side of the result, in pixels, at least 400.

    Returns
    -------
    RGB, shape (h, w, 3), dtype uint8: the seat, limb tip up, with a margin around it; a bare
    pad with what lies on it up.

    Raises
    ------
    ValueError
        If the picture is not of that shape and type or ``max_side`` is too small.
    """
    check_picture(photo_pixels)
    if max_side < SMALLEST_SIDE:
        raise ValueError(f"max_side must be at least {SMALLEST_SIDE}, got {max_side}")
    edges = _Edges.of(measurement)
    if edges is None:
        return _reduced(photo_pixels, max_side)
    text_px = max(SMALLEST_TEXT_PX, round(max_side * TEXT_OF_SIDE))
    view = _seat_view(edges, max_side, words_px=WORDS_WIDE * text_px)
    canvas = Canvas(view.take(photo_pixels), text_px)
    for name, ends in edges.lines.items():
        canvas.measured_line(view.place(ends), _colour(name), edges.beyond(name, view))
    _name_edges(canvas, edges, view)
    for side in ("left", "right"):
        _name_overhang(canvas, edges, view, measurement, side)
    if measurement.view == "seat":  # a pad is looked at from the tip, which lies toward the camera
        canvas.tip_mark()
    mm_px = edges.px_per_mm(measurement)
    if mm_px is not None:
        canvas.scale_bar(mm_px * view.scale, 10, "right")
    return canvas.pixels()


def close_ups(
    photo_pixels: Pixels,
    measurement: Measurement,
    say: Callable[[str], str] = str,
    side_px: int = CLOSE_UP_SIDE,
) -> dict[str, Pixels]:
    """Enlarge the lip at either end of the butt line.

    Parameters
    ----------
    photo_pixels
        The upright photograph, RGB, shape (height, width, 3), dtype uint8.
    measurement
        Its measurement.
    say
        Puts the words on the picture into another language: ``Limb edge``, ``Riser edge``,
        ``Left`` and ``Right``, and values.
    side_px
        Of each picture, at least 400.

    Returns
    -------
    ``"left"`` and ``"right"`` to a square RGB picture each, limb tip up; a side is left out
    where its limb edge or its riser edge was not measured.

    Raises
    ------
    ValueError
        If the picture is not of that shape and type.
    """
    check_picture(photo_pixels)
    edges = _Edges.of(measurement)
    if edges is None:
        return {}
    pictures = {}
    for side in ("left", "right"):
        names = (f"limb_{side}", f"riser_{side}")
        if not all(name in edges.lines for name in names):
            continue
        feet = [edges.foot(name) for name in names]
        # A big lip must be seen whole, with as much again around it.
        span = max(CLOSE_UP_OF_WIDTH * edges.width_px, 3.0 * float(np.hypot(*(feet[0] - feet[1]))))
        view = _tip_up(edges, np.mean(feet, axis=0), (span, span), side_px / span)
        text_px = max(SMALLEST_TEXT_PX, round(side_px * CLOSE_UP_TEXT_OF_SIDE))
        canvas = Canvas(view.take(photo_pixels), text_px, thin=True)
        for name in edges.lines:
            canvas.measured_line(
                view.place(edges.lines[name]), _colour(name), edges.beyond(name, view)
            )
        _label_close_up(canvas, view.place(np.stack(feet)), edges, view, measurement, side, say)
        mm_px = edges.px_per_mm(measurement)
        if mm_px is not None:
            canvas.scale_bar(mm_px * view.scale, 1, "right" if side == "left" else "left")
        pictures[side] = canvas.pixels()
    return pictures


def to_jpeg(pixels: Pixels, quality: int = 88) -> bytes:
    """Encode an RGB picture, shape (h, w, 3), dtype uint8, as JPEG.

    Colour is kept at full resolution, so that thin coloured lines stay clean.

    Raises
    ------
    ValueError
        If the picture is not of that shape and type or the quality is not 1 to 95.
    """
    check_picture(pixels)
    if not 1 <= quality <= 95:
        raise ValueError(f"quality must be 1 to 95, got {quality}")
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=0, optimize=True)
    return buffer.getvalue()


def check_picture(pixels: Pixels) -> None:
    """Raise ``ValueError`` unless it is an RGB picture, shape (h, w, 3), dtype uint8."""
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or not pixels.size:
        raise ValueError(
            f"expected an RGB picture (h, w, 3) of uint8, got {pixels.shape} of {pixels.dtype}"
        )


def _reduced(photo_pixels: Pixels, max_side: int) -> Pixels:
    image = Image.fromarray(photo_pixels)
    image.thumbnail((max_side, max_side), Image.Resampling.LANCZOS)
    return np.asarray(image, dtype=np.uint8)


@dataclass(frozen=True, eq=False)
class _Edges:
    """The measured edges as arrays, and what follows from them.

    Attributes
    ----------
    lines
        Name to the two ends, shape (2, 2): of sides, the riser's end first.
    tipward
        Unit vector toward the limb tip, in the photograph.
    rightward
        Unit vector to the right with the tip up.
    """

    lines: dict[str, Array]
    tipward: Array
    rightward: Array

    @staticmethod
    def of(measurement: Measurement) -> _Edges | None:
        """The edges of a measurement; None if no side was measured."""
        lines = {
            e.edge: np.array(e.pixels, dtype=np.float64)
            for e in measurement.edges
            if e.edge in EDGE_WORDS and _is_line(e)
        }
        sides = [name for name in lines if name != "butt_line"]
        if not sides:
            return None
        roughly = _from_riser_to_limb(lines, sides)
        for name in sides:
            if (lines[name][1] - lines[name][0]) @ roughly < 0:
                lines[name] = lines[name][::-1]
        along = np.sum([lines[name][1] - lines[name][0] for name in sides], axis=0)
        tipward = along / float(np.hypot(*along))
        # Pixels run right and down: turning (0, -1), up, by this gives (1, 0), right.
        rightward = np.array([-tipward[1], tipward[0]])
        return _Edges(lines, tipward, rightward)

    @property
    def width_px(self) -> float:
        """How wide the seat is in the photograph: its edges' spread across."""
        across = self.all_points() @ self.rightward
        return float(max(np.ptp(across), 40.0))

    def all_points(self) -> Array:
        """All end points, shape (n, 2)."""
        return np.concatenate(list(self.lines.values()))

    def butt_at(self) -> float:
        """How far tipward the butt line lies, in pixels along :attr:`tipward`."""
        if "butt_line" in self.lines:
            return float(np.mean(self.lines["butt_line"] @ self.tipward))
        limb = [line[0] @ self.tipward for n, line in self.lines.items() if n.startswith("limb")]
        riser = [line[1] @ self.tipward for n, line in self.lines.items() if n.startswith("riser")]
        ends = [float(np.mean(group)) for group in (limb, riser) if group]
        return float(np.mean(ends))

    def foot(self, name: str) -> Array:
        """Where the line through an edge passes the butt line, shape (2,)."""
        start, end = self.lines[name]
        if "butt_line" in self.lines:
            crossing = _crossing((start, end), self.lines["butt_line"])
            if crossing is not None:
                return crossing
        rate = float((end - start) @ self.tipward)
        share = (self.butt_at() - float(start @ self.tipward)) / rate if rate else 0.0
        return np.asarray(start + share * (end - start))

    def beyond(self, name: str, view: View) -> Array:
        """The stretch from an edge to a little past the butt line, in the view, shape (2, 2).

        The butt line itself goes to a little past the sides.
        """
        start, end = self.lines[name]
        if name == "butt_line":
            along = (end - start) / float(np.hypot(*(end - start)))
            feet = [self.foot(side) for side in self.lines if side != name]
            reach = np.array([start, end, *feet]) @ along
            past = 0.03 * self.width_px
            ends = np.array([reach.min() - past, reach.max() + past]) - float(start @ along)
            return view.place(start + ends[:, None] * along)
        toward = self.tipward if name.startswith("riser") else -self.tipward
        near = end if name.startswith("riser") else start
        return view.place(np.stack([near, self.foot(name) + 0.05 * self.width_px * toward]))

    def px_per_mm(self, measurement: Measurement) -> float | None:
        """Scale at the butt line from a measured width; None if no width was measured."""
        for part in ("limb", "riser"):
            names = [f"{part}_left", f"{part}_right"]
            if all(name in self.lines for name in names):
                left, right = (self.foot(name) for name in names)
                for found in measurement.characteristics:
                    if found.name == f"{part}_width" and found.value > 0:
                        return float(np.hypot(*(right - left))) / found.value
        return None


def _from_riser_to_limb(lines: dict[str, Array], sides: list[str]) -> Array:
    """Roughly toward the tip, shape (2,): by where the parts lie, else by the first edge."""
    middles = {
        part: [lines[name].mean(axis=0) for name in sides if name.startswith(part)]
        for part in ("limb", "riser")
    }
    if all(middles.values()):
        apart = np.mean(middles["limb"], axis=0) - np.mean(middles["riser"], axis=0)
        if np.hypot(*apart) > 0:
            return np.asarray(apart)
    return np.asarray(lines[sides[0]][1] - lines[sides[0]][0])


def _is_line(edge: Edge) -> bool:
    ends = np.array(edge.pixels, dtype=np.float64)
    return bool(np.all(np.isfinite(ends)) and np.hypot(*(ends[1] - ends[0])) > 1e-6)


def _crossing(line: tuple[Array, Array], other: Array) -> Array | None:
    """Where two lines cross, shape (2,); None if they are nearly parallel."""
    along, across = line[1] - line[0], other[1] - other[0]
    turn = along[0] * across[1] - along[1] * across[0]
    if abs(turn) < 0.2 * float(np.hypot(*along) * np.hypot(*across)):
        return None
    gap = other[0] - line[0]
    share = (gap[0] * across[1] - gap[1] * across[0]) / turn
    return np.asarray(line[0] + share * along)


def _seat_view(edges: _Edges, max_side: int, words_px: float) -> View:
    """All edges, with room for words of that width (in the view) on either side."""
    points = edges.all_points()
    across, along = points @ edges.rightward, points @ edges.tipward
    height = float(np.ptp(along)) + 2 * END_MARGIN * edges.width_px
    scale = min(
        (max_side - 2 * words_px) / edges.width_px,
        max_side / height,
        MOST_MAGNIFIED,
    )
    middle = (np.ptp(across) / 2 + across.min()) * edges.rightward + (
        np.ptp(along) / 2 + along.min()
    ) * edges.tipward
    return _tip_up(edges, middle, (edges.width_px + 2 * words_px / scale, height), scale)


def _tip_up(edges: _Edges, middle_px: Array, span_px: tuple[float, float], scale: float) -> View:
    """The view with the tip up, its middle and extent given in pixels of the photograph."""
    turn = scale * np.stack([edges.rightward, -edges.tipward])
    size = (max(round(span_px[0] * scale), 2), max(round(span_px[1] * scale), 2))
    centre = (np.array(size, dtype=np.float64) - 1) / 2
    return View(turn, centre - turn @ middle_px, size)


def _colour(edge: str) -> Colour:
    if edge.startswith("limb"):
        return LIMB_COLOUR
    return RISER_COLOUR if edge.startswith("riser") else BUTT_COLOUR


class Canvas:
    """A picture under a layer of lines and words that is laid on it at the end."""

    def __init__(self, picture: Image.Image, text_px: int, *, thin: bool = False) -> None:
        self.picture = picture
        self.width, self.height = picture.size
        self.text_px = text_px
        self.thin = thin
        self.lines = Image.new("RGBA", (self.width * SMOOTH, self.height * SMOOTH))
        self.words = Image.new("RGBA", picture.size)
        self.line_draw = ImageDraw.Draw(self.lines)
        self.word_draw = ImageDraw.Draw(self.words)
        self.font = ImageFont.load_default(size=text_px)

    def stroke(
        self,
        start: Array,
        end: Array,
        colour: Colour,
        width: float,
        *,
        alpha: int = 225,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A straight line with a dark halo; dashes as (on, off) in pixels."""
        pieces = [(start, end)] if dash is None else list(_dashes(start, end, *dash))
        halo = 1.0 if self.thin else max(0.8, 0.5 * width)
        for a, b in pieces:
            self._line(a, b, (*HALO, round(alpha * 0.55)), width + 2 * halo)
        for a, b in pieces:
            self._line(a, b, (*colour, alpha), width)

    def _line(self, a: Array, b: Array, fill: tuple[int, int, int, int], width: float) -> None:
        points = [tuple((p + 0.5) * SMOOTH - 0.5) for p in (a, b)]
        self.line_draw.line(points, fill=fill, width=max(1, round(width * SMOOTH)))

    def measured_line(self, ends: Array, colour: Colour, beyond: Array) -> None:
        """A measured edge, its ends marked, and the stretch beyond it dashed."""
        width = 2.6 if self.thin else max(1.5, self.text_px / 15)
        alpha = 225
        self.stroke(
            beyond[0],
            beyond[1],
            colour,
            width,
            alpha=alpha,
            dash=(self.text_px / 3, self.text_px / 3),
        )
        self.stroke(ends[0], ends[1], colour, width, alpha=alpha)
        direction = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
        tick = self.text_px * 0.5 * np.array([-direction[1], direction[0]])
        for end in ends:
            self.stroke(end - tick, end + tick, colour, width, alpha=alpha)

    def chip(
        self,
        words: str | Sequence[tuple[str, Colour]],
        at: tuple[float, float],
        anchor: str,
        *,
        size: float = 1.0,
    ) -> tuple[float, float, float, float]:
        """Words on a dark ground, kept inside the picture; returns the box they take.

        ``anchor`` says which side of the box lies at ``at``: ``l``, ``r`` or ``m``.
        """
        lines = [(words, INK[:3])] if isinstance(words, str) else list(words)
        font = self.font if size == 1.0 else ImageFont.load_default(size=self.text_px * size)
        shown = [(_printable(text), colour) for text, colour in lines]
        pad = self.text_px * 0.35
        step = self.text_px * size * 1.25
        wide = max(self.word_draw.textlength(text, font=font) for text, _ in shown) + 2 * pad
        tall = step * len(shown) + 2 * pad * 0.7
        left = at[0] - {"l": 0.0, "m": wide / 2, "r": wide}[anchor]
        left = min(max(left, 2.0), max(self.width - wide - 2, 2.0))
        top = min(max(at[1] - tall / 2, 2.0), max(self.height - tall - 2, 2.0))
        box = (left, top, left + wide, top + tall)
        self.word_draw.rounded_rectangle(box, radius=pad, fill=CHIP)
        for i, (text, colour) in enumerate(shown):
            middle = top + pad * 0.7 + step * (i + 0.5)
            self.word_draw.text(
                (left + pad, middle), text, font=font, fill=(*colour, 255), anchor="lm"
            )
        return box

    def tip_mark(self) -> None:
        """An arrow and words at the top: which way the limb tip lies."""
        size = self.text_px
        box = self.chip("     Limb tip", (size * 0.7, size * 1.3), "l")
        x, top, bottom = box[0] + size * 0.95, box[1] + size * 0.35, box[3] - size * 0.35
        self.word_draw.line((x, bottom, x, top + size * 0.2), fill=INK, width=max(2, size // 9))
        wing = size * 0.32
        self.word_draw.polygon(
            [(x, top), (x - wing, top + wing * 1.4), (x + wing, top + wing * 1.4)], fill=INK
        )

    def scale_bar(self, px_per_mm: float, length_mm: int, side: str) -> None:
        """A bar of that length in a lower corner, ``left`` or ``right``, its length in words."""
        length, size = px_per_mm * length_mm, self.text_px
        if not 4 < length < 0.6 * self.width:
            return
        words = f"{length_mm} mm"
        pad = size * 0.4
        wide = max(length, self.word_draw.textlength(words, font=self.font)) + 2 * pad
        left = 8.0 if side == "left" else self.width - 8.0 - wide
        bottom = self.height - 8.0
        box = (left, bottom - size * 1.9, left + wide, bottom)
        self.word_draw.rounded_rectangle(box, radius=pad, fill=CHIP)
        middle = (box[0] + box[2]) / 2
        y = bottom - pad
        stroke = max(2, size // 9)
        ends = (middle - length / 2, middle + length / 2)
        self.word_draw.line((ends[0], y, ends[1], y), fill=INK, width=stroke)
        for x in ends:
            self.word_draw.line((x, y - pad * 0.6, x, y + pad * 0.6), fill=INK, width=stroke)
        self.word_draw.text(
            (middle, box[1] + size * 0.7), words, font=self.font, fill=INK, anchor="mm"
        )

    def arrow(self, tail: Array, tip: Array) -> None:
        """A white arrow with an open head."""
        along = (tip - tail) / max(float(np.hypot(*(tip - tail))), 1e-9)
        across = np.array([-along[1], along[0]])
        width = 2.6 if self.thin else max(1.5, self.text_px / 18)
        self.stroke(tail, tip, BUTT_COLOUR, width)
        wing = self.text_px * 0.3
        for turn in (-0.6, 0.6):
            self.stroke(tip, tip - wing * (along + turn * across), BUTT_COLOUR, width)

    def pixels(self) -> Pixels:
        """Lay the layers on the picture."""
        lines = self.lines.resize(self.picture.size, Image.Resampling.BOX)
        whole = Image.alpha_composite(self.picture.convert("RGBA"), lines)
        whole = Image.alpha_composite(whole, self.words)
        return np.asarray(whole.convert("RGB"), dtype=np.uint8)


def _dashes(a: Array, b: Array, on: float, off: float) -> Iterable[tuple[Array, Array]]:
    length = float(np.hypot(*(b - a)))
    direction = (b - a) / max(length, 1e-9)
    for i in range(math.ceil(length / (on + off))):
        start = i * (on + off)
        yield a + start * direction, a + min(start + on, length) * direction


def _printable(text: str) -> str:
    """The letters that Pillow's own face has: it lacks the true minus sign."""
    return text.replace(MINUS, "-")


def _name_edges(canvas: Canvas, edges: _Edges, view: View) -> None:
    """Each edge's name outside the seat, with a leader to the edge."""
    gap = canvas.text_px * 1.2
    for name, ends in edges.lines.items():
        placed = view.place(ends)
        words = [(line, _colour(name)) for line in EDGE_WORDS[name]]
        if name == "butt_line":
            middle = placed.mean(axis=0)
            canvas.chip(words, (middle[0], middle[1] - canvas.text_px * 1.4), "m", size=0.9)
            continue
        # Away from the butt line, which is left to the overhangs.
        far = 0.55 if name.startswith("limb") else 0.45
        point = placed[0] + far * (placed[1] - placed[0])
        out, anchor = (-1, "r") if name.endswith("left") else (1, "l")
        outward = np.array([float(out), 0.0])
        end = point + gap * outward
        canvas.stroke(point + 3 * outward, end, _colour(name), 1.5)
        canvas.chip(words, (end[0], end[1]), anchor, size=0.9)


def _name_overhang(
    canvas: Canvas, edges: _Edges, view: View, measurement: Measurement, side: str
) -> None:
    """The overhang of one side beside the butt line, and an arrow to the lip."""
    found = _overhang(measurement, side)
    names = [n for n in (f"limb_{side}", f"riser_{side}") if n in edges.lines]
    if found is None or not names:
        return
    feet = view.place(np.stack([edges.foot(name) for name in names]))
    out, anchor = (-1, "r") if side == "left" else (1, "l")
    x = float(feet[:, 0].min() if side == "left" else feet[:, 0].max())
    y = float(feet[:, 1].mean())
    size = canvas.text_px
    tail = np.array([x + out * size * 1.2, y])
    canvas.arrow(tail, np.array([x + out * size * 0.25, y]))
    spread = found.expanded_uncertainty
    lines = (
        f"{side.capitalize()} side",
        value_text(found.value, spread, found.unit),
        uncertainty_text(spread, found.unit),
        _proud_words(found.value, spread),
    )
    canvas.chip([(line, BUTT_COLOUR) for line in lines], (tail[0], y), anchor)


def _label_close_up(
    canvas: Canvas,
    feet: Array,
    edges: _Edges,
    view: View,
    measurement: Measurement,
    side: str,
    say: Callable[[str], str],
) -> None:
    """Names at the outer side, where the bench is; arrows to the lip; the overhang at the foot."""
    outer, anchor, inward = (8.0, "l", 1) if side == "left" else (canvas.width - 8.0, "r", -1)
    size = canvas.text_px
    heights = {"limb": size * 1.3, "riser": canvas.height - size * 3.9}
    for part, y in heights.items():
        name = f"{part}_{side}"
        start, end = view.place(edges.lines[name])
        x = float(start[0] + (y - start[1]) / (end[1] - start[1]) * (end[0] - start[0]))
        box = canvas.chip(
            [(say(f"{part.capitalize()} edge"), _colour(name))], (outer, y), anchor, size=0.9
        )
        from_x = box[2] if side == "left" else box[0]
        if (x - from_x) * inward > 6:
            canvas.stroke(np.array([from_x, y]), np.array([x - inward * 3, y]), _colour(name), 1.5)
    found = _overhang(measurement, side)
    if found is None:
        return
    # Below the butt line a limb that stands proud shows the lip against the bench.
    y = float(feet[:, 1].mean()) + size * 2.2
    low, high = float(feet[:, 0].min()), float(feet[:, 0].max())
    reach = size * 1.8
    canvas.arrow(np.array([low - reach, y]), np.array([low - 3, y]))
    canvas.arrow(np.array([high + reach, y]), np.array([high + 3, y]))
    words = quantity_text(found.value, found.expanded_uncertainty, found.unit)
    said = f"{say(side.capitalize())}: {say(words)}"
    canvas.chip(said, (outer, canvas.height - 8 - size * 0.9), anchor)


def _overhang(measurement: Measurement, side: str) -> Characteristic | None:
    return next((c for c in measurement.characteristics if c.name == f"overhang_{side}"), None)


def _proud_words(value_mm: float, expanded_uncertainty_mm: float) -> str:
    if abs(value_mm) <= expanded_uncertainty_mm:
        return "about level"
    return "limb proud" if value_mm > 0 else "riser proud"
