"""A view that the package does not have: how far cards A and B lie apart, centre to centre."""

from __future__ import annotations

import numpy as np

from fitcheck.adjustment import draw_pose
from fitcheck.cards import CARDS
from fitcheck.uncertainty import DRAWS, Source, draw_correlated
from fitcheck.views import View, ViewResult, Wording


def look(scene, rng) -> ViewResult:
    """Prepare the distance between the two cards' middles, mm."""

    def model(q):
        middles = []
        for name in "AB":
            pose = draw_pose(q["camera"], scene.places[name])
            middle = np.append(np.array(CARDS[name].board_mm) / 2, 0.0)
            middles.append(pose.origin_cam + pose.card2cam @ middle)
        return {"card_spacing": np.linalg.norm(middles[0] - middles[1], axis=-1)}

    adjustment = scene.adjustment
    draws = draw_correlated(rng, adjustment.covariance, DRAWS)
    return ViewResult(
        {},
        frozenset(),
        model,
        {"camera": adjustment.parameters},
        [Source("pose", {"camera": draws})],
    )


SPACING = View(
    name="spacing",
    title="Spacing of the cards",
    cards=("A", "B"),
    optional_cards=(),
    edges=(),
    units={"card_spacing": "mm"},
    how_to=("Lay both cards down.", "Photograph them from above."),
    look=look,
    wording={"card_spacing": Wording("Card spacing", "How far apart the cards lie.")},
)
