"""Is the photograph good enough? Blur, exposure, cards cut off or far away."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import Adjustment
from fitcheck.card_edges import CardEdges
from fitcheck.corners import CardCorners
from fitcheck.errors import Refused
from fitcheck.measurement import Note
from fitcheck.step_fit import CEILING

CARD_BLUR_WARNED_PX = 2.5
CARD_BLUR_REFUSED_PX = 5.0
FEWEST_PX_PER_SQUARE = 12.0
WORST_RESIDUAL_PX = 0.25
LEAST_CONTRAST = 0.06
GLARE_SHARE_WARNED = 0.05
BENT_MM = 0.15
BENT_SIGMAS = 4.0
FEWEST_SIDES_SHARE = 0.35
# Of chi-squared with five degrees of freedom: 1 in 100 of lenses as they were thought, and fewer
# where the cards tell little of it; of 120 rendered photographs none is above 7.
LENS_SURPRISE_WARNED = 15.0
DARK_GREY = 60  # of 255; a card whose paper is darker cannot be measured


def refuse_unread_card(grey: NDArray[np.uint8], card: CardCorners) -> None:
    """Refuse a photograph in which hardly a side of a card's squares could be measured.

    Parameters
    ----------
    grey
        Picture, shape (height, width), dtype uint8.
    card
        The card, its corners in pixels.

    Raises
    ------
    Refused
        ``too_dark`` or ``card_hidden``.
    """
    name = card.card.name
    left, top = np.maximum(card.corners_px.min(axis=0).astype(int), 0)
    right, bottom = card.corners_px.max(axis=0).astype(int) + 1
    if np.percentile(grey[top:bottom, left:right], 95) < DARK_GREY:
        raise Refused(
            "too_dark",
            f"The photograph is so dark that card {name} cannot be measured.",
            "Bring more light, without the flash, and retake.",
        )
    raise _hidden(name)


def _hidden(name: str) -> Refused:
    return Refused(
        "card_hidden",
        f"Too little of card {name} can be seen.",
        "Keep hands, shadows and reflections off the card, keep it whole in the picture, "
        "and retake.",
    )


def photo_warnings(
    cards: list[CardCorners],
    edges: list[CardEdges],
    solution: Adjustment,
    places: Mapping[str, int],
) -> list[Note]:
    """Return warnings about the photograph and its cards.

    Parameters
    ----------
    cards, edges
        The cards of this photograph and the measured sides of their squares.
    solution, places
        Lens and poses, and where each card stands in them.

    Raises
    ------
    Refused
        ``blurred`` or ``card_hidden`` if a card cannot be measured at all.
    """
    warnings = []
    if solution.lens_surprise > LENS_SURPRISE_WARNED:
        warnings.append(
            Note(
                "lens_unusual",
                "The cards fit only with a lens quite unlike the one that the photograph names: "
                "a card is bent, or the picture was cropped, zoomed or bent by software.",
                "Mount the cards on stiff flat stock, take the whole picture without zoom, and "
                "retake.",
            )
        )
    for card, edge in zip(cards, edges, strict=True):
        name = card.card.name
        place = places[name]
        scale = float(solution.lens.focal_px / solution.pose(place).origin_cam[2])
        used = np.count_nonzero(solution.used[place])
        if edge.blur_px > CARD_BLUR_REFUSED_PX:
            raise Refused(
                "blurred",
                f"Card {name} is blurred over {edge.blur_px:.1f} pixels.",
                "Tap on the card to focus, rest the phone, and retake in more light.",
            )
        if used < FEWEST_SIDES_SHARE * _sides_in_all(card):
            raise _hidden(name)
        if edge.blur_px > CARD_BLUR_WARNED_PX:
            warnings.append(
                Note(
                    "soft",
                    f"Card {name} is not quite sharp ({edge.blur_px:.1f} px).",
                    "Tap on the card to focus and rest the phone.",
                )
            )
        if card.cut_off:
            warnings.append(
                Note(
                    "card_cut_off",
                    f"Card {name} is not whole in the picture.",
                    "Retake with both cards whole and a little room around them.",
                )
            )
        if edge.rise + 0.02 > CEILING:
            warnings.append(
                Note(
                    "over_exposed",
                    f"Card {name} is over-exposed; its white has run into the black.",
                    "Tap on the white card to set the exposure, or take the light further away.",
                )
            )
        elif edge.rise < LEAST_CONTRAST:
            warnings.append(
                Note(
                    "too_dark",
                    f"Card {name} is too dark to be read well.",
                    "Bring more light, without the flash.",
                )
            )
        if scale * card.card.square_mm < FEWEST_PX_PER_SQUARE:
            warnings.append(
                Note(
                    "too_far",
                    f"Card {name} is small in the picture.",
                    "Go closer, about 40 cm, or use the phone's full resolution.",
                )
            )
        if edge.glare_share > GLARE_SHARE_WARNED:
            warnings.append(
                Note(
                    "glare",
                    f"A reflection lies over {edge.glare_share:.0%} of card {name}.",
                    "Turn the card or move the lamp until its black squares look black all over, "
                    "and retake.",
                )
            )
        bends, sd = solution.bends_mm(place)
        bend = float(np.max(np.abs(bends)))
        if bend > BENT_MM and np.any(np.abs(bends) > BENT_SIGMAS * sd):
            warnings.append(
                Note(
                    "card_bent",
                    f"Card {name} is bent by {bend:.1f} mm.",
                    "Mount it on stiff flat stock, press it down over its whole length, and "
                    "retake.",
                )
            )
        if solution.residual_px[place] > WORST_RESIDUAL_PX:
            warnings.append(
                Note(
                    "card_not_flat",
                    f"Card {name} does not look flat: its squares lie "
                    f"{solution.residual_px[place]:.2f} px off a plane.",
                    "Mount it on stiff flat stock, press it down, keep reflections off it.",
                )
            )
    return warnings


def _sides_in_all(card: CardCorners) -> int:
    squares = card.card.squares_x * card.card.squares_y
    return 4 * -(-squares // 2)
