"""Drawings for the photographs of pad, sight and joint, and what makes a photograph good or bad.

They are of one kind with :mod:`fitcheck.guide`. Cards are drawn from their own geometry, and
distances are those that the views ask for.
"""

from __future__ import annotations

from collections.abc import Sequence

from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.guide import seat_guide_svg
from fitcheck.svg_pieces import (
    BLUE,
    GREEN,
    INK,
    LIMB,
    PAPER,
    RED,
    SOFT,
    WOOD,
    WOOD_LINE,
    card,
    even_light,
    leader,
    line,
    no_flash,
    shape,
    text,
)

WIDE = 360
RISER_MM = 42.0  # of a usual riser
CARD_FROM_END_MM = 3.0
PAD_DISTANCE_MM, SIGHT_DISTANCE_MM, JOINT_DISTANCE_MM = 250.0, 300.0, 225.0
BELOW_SEAM_MM = 3.5


def guide_svg(view: str) -> str:
    """Draw how the photograph of a view is taken.

    Parameters
    ----------
    view
        Its name, for instance ``"seat"``.

    Returns
    -------
    One SVG element, as wide as the place it is put in; empty for a view without a drawing,
    whose steps in words must do.
    """
    return _DRAWINGS[view]() if view in _DRAWINGS else ""


def guide_words(view: str) -> str:
    """Say in words what the drawing of a view shows, for those who cannot see it.

    Empty for a view without a drawing.
    """
    return _WORDS.get(view, "")


_WORDS = {
    "seat": "Drawing: card A on the limb, on the tip side of the bolt, and card B on the riser "
    "beyond the butt line, both arrows toward the limb’s tip; the phone straight above the seam, "
    "about 40 cm away.",
    "pad": "Drawing: the riser’s end seen along the pad, limb off. Card C stands across the pad "
    "near its end, printed side toward you, its mark on the centreline; the phone in front of "
    "the end and a little above the pad, about 25 cm away.",
    "sight": "Drawing: looking along the limb from beyond its tip. Card D stands across the tip, "
    "card C across the butt or the riser, centre marks on the centreline; the phone a little "
    "above the limb, about 30 cm from the nearer card.",
    "joint": "Drawing: the seam from the side. Card B lies on the riser’s side under the seam, "
    "arrow toward the limb’s tip; the phone level with the seam and square to the side, 20 to 25 "
    "cm away.",
}


def _sheet(view: str, title: str, high: int, parts: Sequence[str]) -> str:
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {high}" width="100%"'
            f' style="max-width: 30rem" role="img" aria-labelledby="{view}-guide-title"'
            ' font-family="system-ui, -apple-system, Segoe UI, Roboto, Arial, sans-serif">',
            f'<title id="{view}-guide-title">{title}</title>',
            f'<rect width="{WIDE}" height="{high}" rx="12" fill="{PAPER}"/>',
            text(16, 32, title, 18, font_weight="bold"),
            *parts,
            "</svg>",
        ]
    )


def _standing(name: str, middle: float, foot: float, scale: float) -> str:
    """A card that stands, seen from in front: its fold at ``foot``, its centre mark above it."""
    of = CARDS[name]
    length, height = of.outside_mm
    x, y = middle - (length / 2 - MARGIN_MM) * scale, foot - (height - MARGIN_MM) * scale
    mark = shape((middle, foot), (middle - 4, foot + 8), (middle + 4, foot + 8), fill=RED)
    return card(of, x, y, 0, scale) + mark


def _phone(x: float, y: float, upright: bool) -> str:
    """A phone from its edge, with its lens at (x, y), looking left if upright, else down."""
    if upright:
        body = f'<rect x="{x:g}" y="{y - 34:g}" width="10" height="68" rx="3" fill="{INK}"/>'
    else:
        body = f'<rect x="{x - 34:g}" y="{y - 10:g}" width="68" height="10" rx="3" fill="{INK}"/>'
    return body + f'<circle cx="{x:g}" cy="{y:g}" r="3" fill="{BLUE}" stroke="{PAPER}"/>'


def _second(y: float, title: str, words: str) -> list[str]:
    return [
        line((16, y - 28), (WIDE - 16, y - 28), colour="#c9c2b4"),
        text(16, y, title, 18, font_weight="bold"),
        text(16, y + 21, words, 13, SOFT),
    ]


def _pad() -> str:
    scale, middle, pad = 2.0, 180.0, 186.0
    half, deep = RISER_MM / 2 * scale, 92.0
    riser = (
        f'<path d="M{middle - half} {pad}H{middle + half}V{pad + deep - 22}q0 22 -22 22'
        f'H{middle - half + 22}q-22 0 -22 -22Z" fill="{WOOD}" stroke="{WOOD_LINE}"/>'
    )
    side = 0.62
    end, bench, face = 84.0, 566.0, 500.0
    lens = end + PAD_DISTANCE_MM * side, face - 40
    stands = end - CARD_FROM_END_MM * side
    return _sheet(
        "pad",
        "The pad photograph",
        606,
        [
            text(16, 53, "Limb off, looking at the riser’s end along the pad", 13, SOFT),
            riser,
            _standing("C", middle, pad, scale),
            text(middle, 92, "Card C, printed side toward you", 14, text_anchor="middle"),
            leader((middle + 54, pad + 40), (middle + half, pad + 40)),
            # Looking back toward the grip, the pad's right lies at the picture's left.
            text(middle + 57, pad + 36, "Riser’s left", 13),
            text(middle + 57, pad + 52, "side, in view", 13),
            leader((middle - 54, pad + 40), (middle - half, pad + 40)),
            text(middle - 57, pad + 36, "Riser’s right", 13, text_anchor="end"),
            text(middle - 57, pad + 52, "side, in view", 13, text_anchor="end"),
            text(middle, pad + 112, "Its mark on the pad’s centreline,", 13, text_anchor="middle"),
            text(middle, pad + 129, "no light under the fold", 13, text_anchor="middle"),
            *_second(356, "Where to hold the phone", "The riser seen from its side"),
            shape((lens[0], lens[1]), (end, face - 62), (end, bench - 8), fill="#dbe8f4"),
            f'<path d="M16 {face}H{end}V{face + 30}q0 14 -16 16H16Z" fill="{WOOD}"'
            f' stroke="{WOOD_LINE}"/>',
            line((stands, face), (stands, face - 40 * side), colour=INK, width=3),
            text(16, face - 36, "Card C, 3 mm from the end", 13),
            line((end + 2, face + 6), (lens[0], lens[1]), colour=BLUE, width=1.5, dash="5 4"),
            _phone(lens[0], lens[1], upright=True),
            text(end + 34, bench - 22, "about 25 cm away,", 14, BLUE, font_weight="bold"),
            text(end + 34, bench - 4, "a little above the pad", 13, BLUE),
            shape(
                (16, bench),
                (WIDE - 16, bench),
                (WIDE - 16, bench + 4),
                (16, bench + 4),
                fill="#8d8577",
            ),
            text(
                180,
                bench + 26,
                "A plain ground of another colour behind it",
                13,
                text_anchor="middle",
            ),
            *even_light(308, 410),
            *no_flash(308, 496),
        ],
    )


def _sight() -> str:
    middle, near, far = 180.0, 318.0, 186.0
    near_scale, far_scale = 2.0, 1.15
    tip, butt = 34.0, 26.0
    limb = shape(
        (middle - tip, near + 18),
        (middle - butt, far - 26),
        (middle + butt, far - 26),
        (middle + tip, near + 18),
        fill=LIMB,
        line=INK,
    )
    scale, top = 0.42, 560.0
    tip_x = 206.0
    lens = tip_x + SIGHT_DISTANCE_MM * scale, top - 34
    return _sheet(
        "sight",
        "The twist photograph",
        642,
        [
            text(16, 53, "Looking along the limb from beyond its tip", 13, SOFT),
            limb,
            _standing("C", middle, far, far_scale),
            _standing("D", middle, near, near_scale),
            text(
                middle, far - 56, "Card C across the butt or the riser", 14, text_anchor="middle"
            ),
            text(
                middle,
                far - 74,
                "Like winding sticks:",
                14,
                text_anchor="middle",
                font_weight="bold",
            ),
            text(middle, near + 36, "Card D across the tip, near you", 14, text_anchor="middle"),
            text(
                middle,
                near + 54,
                "Both centre marks on the limb’s centreline,",
                13,
                text_anchor="middle",
            ),
            text(middle, near + 71, "printed sides toward you", 13, text_anchor="middle"),
            *_second(440, "Where to hold the phone", "The limb seen from its side"),
            shape(lens, (60, top - 36), (60, top + 26), fill="#dbe8f4"),
            f'<path d="M16 {top}H120q60 0 {tip_x - 110:g} -6l1 5q-50 8 -100 8H16Z" fill="{LIMB}"'
            f' stroke="{INK}"/>',
            line((60, top), (60, top - 26), colour=INK, width=3),
            text(60, top - 32, "C", 14, text_anchor="middle", font_weight="bold"),
            line((tip_x, top - 6), (tip_x, top - 32), colour=INK, width=3),
            text(tip_x, top - 38, "D", 14, text_anchor="middle", font_weight="bold"),
            line((60, top - 13), lens, colour=BLUE, width=1.5, dash="5 4"),
            _phone(*lens, upright=True),
            text(
                lens[0] - 10,
                top + 24,
                "about 30 cm from the nearer card,",
                13,
                BLUE,
                text_anchor="end",
                font_weight="bold",
            ),
            text(lens[0] - 10, top + 41, "a little above the limb", 13, BLUE, text_anchor="end"),
            text(
                180, 624, "Then exchange C and D, and take it once more", 13, text_anchor="middle"
            ),
        ],
    )


def _joint() -> str:
    scale, seam, left = 2.1, 168.0, 52.0
    of = CARDS["B"]
    top = seam + (BELOW_SEAM_MM + MARGIN_MM) * scale
    riser = (
        f'<path d="M{left - 20} {seam}H{WIDE - 30}V{seam + 92}H{left - 36}q10 -40 16 -92Z"'
        f' fill="{WOOD}" stroke="{WOOD_LINE}"/>'
    )
    limb = (
        f'<path d="M{left - 4} {seam}H{WIDE - 16}V{seam - 24}H{left + 6}q-10 4 -10 24Z"'
        f' fill="{LIMB}" stroke="{INK}"/>'
    )
    side, face = 0.7, 462.0
    lens = 180.0, face + JOINT_DISTANCE_MM * side * 0.62
    return _sheet(
        "joint",
        "The seam photograph",
        652,
        [
            text(16, 53, "The bow seen from its side, at the seam", 13, SOFT),
            riser,
            limb,
            line((left - 20, seam), (WIDE - 16, seam), colour="#000000", width=2),
            card(of, left + MARGIN_MM * scale, top, 0, scale),
            text(180, 96, "Limb", 14, font_weight="bold", text_anchor="middle"),
            leader((180, 100), (180, seam - 12)),
            leader((104, 126), (104, seam - 1)),
            text(104, 121, "The seam", 14, text_anchor="middle"),
            text(
                180,
                seam + 108,
                "Card B flat on the riser’s side,",
                14,
                text_anchor="middle",
                font_weight="bold",
            ),
            text(180, seam + 126, "2 to 5 mm under the seam", 13, text_anchor="middle"),
            text(
                180,
                seam + 143,
                "→ printed arrow toward the limb’s tip",
                13,
                BLUE,
                text_anchor="middle",
            ),
            *_second(360, "Where to hold the phone", "The bow seen from above"),
            shape(lens, (60, face), (300, face), fill="#dbe8f4"),
            f'<rect x="16" y="{face - 30}" width="{WIDE - 32}" height="30" fill="{WOOD}"'
            f' stroke="{WOOD_LINE}"/>',
            f'<rect x="120" y="{face - 28}" width="{WIDE - 136}" height="26" fill="{LIMB}"'
            f' stroke="{INK}"/>',
            f'<rect x="{180 - 43}" y="{face}" width="86" height="4" fill="#ffffff"'
            f' stroke="{INK}"/>',
            text(180, face - 38, "Card B", 13, text_anchor="middle", font_weight="bold"),
            line((180, face + 6), lens, colour=BLUE, width=1.5, dash="5 4"),
            f'<rect x="{lens[0] - 35}" y="{lens[1]:g}" width="70" height="10" rx="3"'
            f' fill="{INK}"/>',
            text(192, lens[1] - 48, "20 to 25 cm,", 14, BLUE, font_weight="bold"),
            text(192, lens[1] - 30, "square to the side", 13, BLUE),
            *even_light(52, face + 96),
            *no_flash(308, face + 96),
            text(180, 638, "A plain ground of another colour behind it", 13, text_anchor="middle"),
        ],
    )


_DRAWINGS = {"seat": seat_guide_svg, "pad": _pad, "sight": _sight, "joint": _joint}


def good_and_bad_svg() -> str:
    """Draw what makes a photograph good, and three ways to spoil one."""
    scale = 0.82
    tiles = []
    for number, (good, title, reason) in enumerate(
        (
            (True, "Good", "cards whole, flat, sharp"),
            (False, "Card cut off", "step back a little"),
            (False, "From the side", "go square above it"),
            (False, "Glare", "turn from the lamp"),
        )
    ):
        x, y = 10 + 172 * (number % 2), 10 + 168 * (number // 2)
        colour, sign = (GREEN, "✓") if good else (RED, "✗")
        name = f"good-bad-{number}"
        move = {
            0: f"translate({x + 34} {y + 42})",
            1: f"translate({x + 96} {y + 42})",
            2: f"translate({x + 48} {y + 36}) skewX(-38) scale(0.8 0.62)",
            3: f"translate({x + 34} {y + 42})",
        }[number]
        glare = (
            f'<ellipse cx="{x + 92}" cy="{y + 52}" rx="34" ry="22" fill="#ffffff" opacity="0.93"/>'
            if number == 3
            else ""
        )
        drawn = card(CARDS["A"], 0, 0, 0, scale)
        tiles.append(
            f'<clipPath id="{name}"><rect x="{x}" y="{y}" width="164" height="104" rx="6"/>'
            f'</clipPath><g clip-path="url(#{name})"><rect x="{x}" y="{y}" width="164"'
            f' height="104" fill="{WOOD}"/><g transform="{move}">{drawn}'
            f"</g>{glare}</g>"
            f'<rect x="{x}" y="{y}" width="164" height="104" rx="6" fill="none" stroke="{colour}"'
            ' stroke-width="3"/>'
            + text(x + 4, y + 124, f"{sign} {title}", 15, colour, font_weight="bold")
            + text(x + 4, y + 142, reason, 13)
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} 330" width="100%"'
        ' style="max-width: 30rem" role="img" aria-label="What makes a photograph good or bad"'
        ' font-family="system-ui, -apple-system, Segoe UI, Roboto, Arial, sans-serif">'
        f'<rect width="{WIDE}" height="330" rx="12" fill="{PAPER}"/>{"".join(tiles)}</svg>'
    )
