"""Drawings that show how a photograph is to be taken.

They are made for a phone in the hand: legible at 360 px of width, no letter under 13 px.
They bring their own background, so that they read the same on a light page and on a dark one.
"""

from __future__ import annotations

from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.svg_pieces import (
    BLUE,
    INK,
    LIMB,
    PAPER,
    RUST,
    SOFT,
    WOOD,
    WOOD_DARK,
    WOOD_LINE,
    arrow,
    card,
    even_light,
    leader,
    line,
    no_flash,
    shape,
    text,
)

WIDTH_PX, HEIGHT_PX = 360, 918

# Seen from above, in mm: x to the right of the riser's middle, y from the butt line toward
# the limb tip. The limb is broader here than in life, so that its overhang can be seen.
PX_PER_MM = 1.32
MIDDLE_PX, BUTT_PX = 178.0, 352.0  # where the butt line crosses the riser's middle
RISER_MM = 20.0  # half its width
LIMB_LEFT_MM, LIMB_RIGHT_MM = -24.0, 27.0
TIP_END_MM, RISER_END_MM = 196.0, -152.0  # where the drawing breaks off
BOLT_MM = 27.0
CARD_A_MM = 52.0  # the end of A that is nearer to the butt
CARD_B_MM = -8.0 - CARDS["B"].outside_mm[0]


def seat_guide_svg() -> str:
    """Draw how to take the ``seat`` photograph: what lies where, where to hold the phone.

    Returns
    -------
    One SVG element, as wide as the place it is put in. The upper part looks down on the
    limb's outer face with its tip up, so that left and right are those of the pad frame.
    """
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_PX} {HEIGHT_PX}"'
            ' width="100%" style="max-width: 30rem" role="img"'
            ' aria-labelledby="seat-guide-title seat-guide-desc"'
            ' font-family="system-ui, -apple-system, Segoe UI, Roboto, Arial, sans-serif">',
            '<title id="seat-guide-title">How to take the seat photograph</title>',
            '<desc id="seat-guide-desc">Upper drawing: looking down on the limb’s outer face,'
            " limb tip up. The limb is bolted on the bow’s riser and ends at the butt line. Card A"
            " lies flat on the limb, on the tip side of the bolt. Card B lies flat on the riser,"
            " beyond the butt line. The arrows printed on both cards point toward the limb tip."
            " Overhang, left and right, is how far the limb’s sides stand out beyond the riser’s"
            " at the butt line. Lower drawing: hold the phone straight above the seam, about"
            " 40 cm away, both cards whole in the picture, in even light, without flash.</desc>",
            f'<rect width="{WIDTH_PX}" height="{HEIGHT_PX}" rx="12" fill="{PAPER}"/>',
            *_bow_from_above(),
            *_words_from_above(),
            *_from_the_side(),
            "</svg>",
        ]
    )


def _at(x_mm: float, y_mm: float) -> tuple[float, float]:
    """Place a point of the bow, seen from above, in the drawing (px)."""
    return MIDDLE_PX + x_mm * PX_PER_MM, BUTT_PX - y_mm * PX_PER_MM


def _card(name: str, from_mm: float) -> str:
    """A card that lies along the bow, its x axis toward the tip."""
    _, height = CARDS[name].outside_mm
    x, y = _at(MARGIN_MM - height / 2, from_mm + MARGIN_MM)
    return card(CARDS[name], x, y, -90, PX_PER_MM, f"seat-guide-card-{name}")


def _bow_from_above() -> list[str]:
    """Riser, limb, bolt and both cards, looking down on the limb's outer face."""
    left, _ = _at(-RISER_MM, 0)
    _, foot = _at(0, RISER_END_MM)
    half = RISER_MM * PX_PER_MM
    riser = (
        '<defs><linearGradient id="seat-guide-wood">'
        f'<stop offset="0" stop-color="{WOOD_DARK}"/><stop offset="0.25" stop-color="{WOOD}"/>'
        f'<stop offset="0.75" stop-color="{WOOD}"/><stop offset="1" stop-color="{WOOD_DARK}"/>'
        "</linearGradient></defs>"
        f'<path d="M{left:.1f} {BUTT_PX}V{foot - 24:.1f}q-1 14 -8 24q{half / 2 + 4:.1f} -9'
        f' {half + 8:.1f} 0t{half + 8:.1f} 0q-7 -10 -8 -24V{BUTT_PX}Z"'
        f' fill="url(#seat-guide-wood)" stroke="{WOOD_LINE}"/>'
    )
    overhangs = []
    for limb_mm, riser_mm in ((LIMB_LEFT_MM, -RISER_MM), (LIMB_RIGHT_MM, RISER_MM)):
        (limb_px, y), (riser_px, _) = _at(limb_mm, 0), _at(riser_mm, 0)
        overhangs += [
            shape(
                (limb_px, y), (riser_px, y), (riser_px, y + 22), (limb_px, y + 22), fill="#f3a95f"
            ),
            line((limb_px, y), (limb_px, y + 34), colour=RUST, dash="4 3"),
        ]
    tip_left, tip_right = _at(LIMB_LEFT_MM + 6, TIP_END_MM), _at(LIMB_RIGHT_MM - 6, TIP_END_MM)
    half = (tip_right[0] - tip_left[0]) / 2
    limb = (
        f'<path d="M{_at(LIMB_LEFT_MM, 0)[0]:.1f} {BUTT_PX}L{tip_left[0]:.1f} {tip_left[1]:.1f}'
        f"q{half / 2:.1f} -9 {half:.1f} 0t{half:.1f} 0L{_at(LIMB_RIGHT_MM, 0)[0]:.1f} {BUTT_PX}Z"
        f'" fill="{LIMB}" stroke="{INK}"/>'
    )
    x, y = _at((LIMB_LEFT_MM + LIMB_RIGHT_MM) / 2, BOLT_MM)
    bolt = (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="13" fill="#d5dbe0" stroke="{INK}"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="#aab4bc" stroke="{INK}"/>'
        + line((x - 5, y + 5), (x + 5, y - 5), colour=INK, width=2.5)
    )
    cards = [_card("A", CARD_A_MM), _card("B", CARD_B_MM)]
    return [riser, *overhangs, limb, bolt, *cards]


def _words_from_above() -> list[str]:
    """Names, leaders and the arrows toward the tip."""
    before = _at(LIMB_LEFT_MM, 0)[0] - 22  # words to the left end here, to the right begin
    beside = _at(LIMB_RIGHT_MM, 0)[0] + 22
    words = [
        text(16, 32, "The seat photograph", 18, font_weight="bold"),
        text(16, 53, "Looking down on the limb, tip up", 13, SOFT),
        arrow(beside + 4, 122, 74),
        text(beside + 16, 93, "Limb tip", font_weight="bold"),
        text(beside + 16, 111, "this way", font_weight="bold"),
    ]
    for name, from_mm, part in (("A", CARD_A_MM, "limb"), ("B", CARD_B_MM, "riser")):
        length, height = CARDS[name].outside_mm
        edge, y = _at(height / 2, from_mm + length / 2)
        words += [
            leader((beside - 3, y), (edge + 1, y)),
            text(beside, y + 5, f"Card {name}", font_weight="bold"),
            text(beside, y + 24, f"flat on the {part}", 13),
            arrow(before - 4, y + 32, y - 32),
            text(before - 14, y - 2, "printed arrow", 13, text_anchor="end"),
            text(before - 14, y + 15, "toward the tip", 13, text_anchor="end"),
        ]
    for y_mm, x_mm, name in (
        (184.0, LIMB_LEFT_MM + 8, "Limb"),
        (BOLT_MM, -8.0, "Limb bolt"),
        (0.0, LIMB_LEFT_MM, "Butt line"),
        (RISER_END_MM + 8, -RISER_MM - 4, "Bow’s riser"),
    ):
        x, y = _at(x_mm, y_mm)
        words += [
            leader((before + 3, y), (x, y)),
            text(before, y + 5, name, text_anchor="end"),
        ]
    y = BUTT_PX + 12
    words += [
        line((before + 3, y + 12), (_at(LIMB_LEFT_MM, 0)[0] + 2, y), colour=RUST, width=1.25),
        text(before, y + 18, "Overhang left", colour=RUST, text_anchor="end"),
        line((beside - 3, y), (_at(LIMB_RIGHT_MM, 0)[0] - 3, y), colour=RUST, width=1.25),
        text(beside, y + 5, "Overhang right", colour=RUST),
    ]
    return words


def _from_the_side() -> list[str]:
    """Where to hold the phone, seen from the side of the bow."""
    scale, seam, face = 0.46, 170.0, 842.0  # px per mm; place of the butt, height of the face
    lens = face - 400 * scale
    sees = 135.0  # half of what the phone sees at the limb's face, px
    bench = face + 34
    cards = []
    for name, from_mm in (("A", CARD_A_MM), ("B", CARD_B_MM)):
        start, length = seam + from_mm * scale, CARDS[name].outside_mm[0] * scale
        cards += [
            f'<rect x="{start:.1f}" y="{face - 5}" width="{length:.1f}" height="5" fill="#ffffff"'
            f' stroke="{INK}"/>',
            line((start + 3, face - 4), (start + length - 3, face - 4), width=2, dash="4 4"),
            text(
                start + length / 2,
                face - 12,
                f"Card {name}",
                13,
                font_weight="bold",
                text_anchor="middle",
            ),
        ]
    bolt = seam + BOLT_MM * scale
    return [
        line((16, 578), (WIDTH_PX - 16, 578), colour="#c9c2b4"),
        text(16, 606, "Where to hold the phone", 18, font_weight="bold"),
        text(16, 627, "The bow seen from its side", 13, SOFT),
        # what the phone sees, and the way from it to the seam
        shape((seam, lens), (seam + sees, face), (seam - sees, face), fill="#dbe8f4"),
        line((seam, lens + 4), (seam, face), colour=BLUE, width=1.5, dash="5 4"),
        f'<rect x="{seam - 35}" y="{lens - 10}" width="70" height="10" rx="3" fill="{INK}"/>',
        f'<circle cx="{seam}" cy="{lens}" r="3" fill="{BLUE}" stroke="{PAPER}"/>',
        text(seam + 8, lens + 100, "about 40 cm", 14, BLUE, font_weight="bold"),
        text(seam + 8, lens + 118, "straight above", 13, BLUE),
        text(seam + 8, lens + 135, "the seam", 13, BLUE),
        # riser with the limb on its pad, on the bench
        shape(
            (16, bench),
            (WIDTH_PX - 16, bench),
            (WIDTH_PX - 16, bench + 4),
            (16, bench + 4),
            fill="#8d8577",
        ),
        f'<path d="M24 {face}H{seam}V{face + 6}H{seam + 36}q-4 26 -30 27H60q-30 0 -36 -12Z"'
        f' fill="{WOOD}" stroke="{WOOD_LINE}"/>',
        f'<path d="M{seam} {face}H{seam + 100}q40 0 66 10l-1 3q-26 -7 -66 -7H{seam}Z"'
        f' fill="{LIMB}" stroke="{INK}"/>',
        f'<rect x="{bolt - 5:.1f}" y="{face - 4}" width="10" height="4" fill="#aab4bc"'
        f' stroke="{INK}"/>',
        *cards,
        *even_light(52, 690),
        *no_flash(308, 690),
        text(
            WIDTH_PX / 2,
            bench + 28,
            "Both cards whole in the picture",
            14,
            font_weight="bold",
            text_anchor="middle",
        ),
    ]
