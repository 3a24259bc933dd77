"""Pieces of drawings in SVG: text, lines, shapes, cards, light and flash.

All measures are pixels of the drawing, x to the right, y down.
"""

from __future__ import annotations

from itertools import pairwise

from fitcheck.card_sheet import black_outlines
from fitcheck.cards import MARGIN_MM, Card

PAPER = "#fbf8f2"
INK = "#1d2730"
SOFT = "#4a5661"  # lesser words and leaders
BLUE = "#0b5394"  # toward the tip; the camera and what it sees
RUST = "#9a3c00"  # overhang
LIMB = "#55606b"
WOOD, WOOD_DARK, WOOD_LINE = "#c99b66", "#94632f", "#5d3a1a"
GREEN, RED = "#14521f", "#a3190d"


def text(x: float, y: float, words: str, size: int = 14, colour: str = INK, **more: str) -> str:
    """One line of text; an underscore in an attribute's name stands for a hyphen."""
    extra = "".join(f' {key.replace("_", "-")}="{value}"' for key, value in more.items())
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}" fill="{colour}"{extra}>{words}</text>'


def line(
    *points: tuple[float, float], colour: str = SOFT, width: float = 1, dash: str = ""
) -> str:
    """Straight strokes from point to point."""
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    look = f'stroke="{colour}" stroke-width="{width:g}"'
    if dash:
        look += f' stroke-dasharray="{dash}"'
    return f'<polyline points="{path}" fill="none" {look}/>'


def leader(start: tuple[float, float], end: tuple[float, float], colour: str = SOFT) -> str:
    """A thin line from words to what they name, with a light rim where it crosses the bow."""
    return line(start, end, colour=PAPER, width=4) + line(start, end, colour=colour, width=1.25)


def shape(*points: tuple[float, float], fill: str, line: str = "none") -> str:
    """A filled polygon."""
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polygon points="{path}" fill="{fill}" stroke="{line}" stroke-linejoin="round"/>'


def arrow(x: float, foot: float, head: float) -> str:
    """A vertical arrow from ``foot`` to ``head`` (px)."""
    back = head + (12 if foot > head else -12)
    return line((x, foot), (x, back), colour=BLUE, width=3) + shape(
        (x - 6, back), (x, head), (x + 6, back), fill=BLUE
    )


def card(of: Card, x: float, y: float, turn_deg: float, scale: float, name: str = "") -> str:
    """A card in its own frame: its board's origin at (x, y), its x axis turned by an angle.

    Parameters
    ----------
    of
        The card.
    x, y
        Place of the board's origin, the first square's corner.
    turn_deg
        Clockwise, as seen.
    scale
        Pixels for each millimetre.
    name
        Identity of the group; none if empty.
    """
    length, height = of.outside_mm
    path = []
    for loop in black_outlines(of):
        path.append(f"M{loop[0][0]:.2f} {loop[0][1]:.2f}")
        for before, here in pairwise(loop):
            sideways = here[0] != before[0]
            path.append(f"H{here[0]:.2f}" if sideways else f"V{here[1]:.2f}")
        path.append("Z")
    identity = f' id="{name}"' if name else ""
    return (
        f"<g{identity}"
        f' transform="translate({x:.2f} {y:.2f}) rotate({turn_deg:g}) scale({scale:g})">'
        f'<rect x="{-MARGIN_MM:g}" y="{-MARGIN_MM:g}" width="{length:g}" height="{height:g}"'
        f' fill="#ffffff"/><path fill="#000000" fill-rule="evenodd" d="{"".join(path)}"/></g>'
    )


def even_light(x: float, y: float) -> list[str]:
    """A sun, with its words under it."""
    rays = [
        line((x + 15 * i, y + 15 * j), (x + 21 * i, y + 21 * j), colour=INK, width=2)
        for i, j in (
            (1, 0),
            (0.71, 0.71),
            (0, 1),
            (-0.71, 0.71),
            (-1, 0),
            (-0.71, -0.71),
            (0, -1),
            (0.71, -0.71),
        )
    ]
    sun = f'<circle cx="{x}" cy="{y}" r="10" fill="#f6c445" stroke="{INK}" stroke-width="2"/>'
    return [*rays, sun, text(x, y + 42, "Even light", text_anchor="middle")]


def no_flash(x: float, y: float) -> list[str]:
    """A crossed-out flash, with its words under it."""
    bolt = ((4, -22), (-11, 4), (-1, 4), (-5, 22), (11, -6), (1, -6))
    slash = (x - 20, y - 17), (x + 20, y + 17)
    return [
        shape(*((x + i, y + j) for i, j in bolt), fill="#f6c445", line=INK),
        line(*slash, colour=PAPER, width=5),
        line(*slash, colour="#b3261e", width=3),
        text(x, y + 42, "No flash", text_anchor="middle"),
    ]
