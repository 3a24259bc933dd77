"""Invented inspections with readings, limbs and conditions drawn at random, odd ones too."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

from simulated_bows import KINDS, PROTOCOLS
from test_inspecting import full_inspection, q

from fitcheck.inspection import (
    CONDITION_ITEMS,
    Arrow,
    ConditionEntry,
    DrawPoint,
    EndReadings,
    FeelerReading,
    Inspection,
    LimbReadings,
    StringReading,
    TillerReading,
)

CURVES = (
    (),
    ((28, 50),),
    ((12, 12), (20, 30), (28, 50)),
    ((10, 5), (20, 25), (26, 40), (28, 52)),
    ((12, 20), (20, 15), (28, 50)),  # falls on the way
    ((24, 40), (29, 70)),
)
# Of an end and of a limb: some usual, some that can hardly be.
OF_END: dict[str, tuple[Any, ...]] = {
    "pad_width": ("1 3/4 in", "3 in"),
    "pad_length": ("3 1/2 in",),
    "pad_to_string": ("7 1/2 in",),
    "centre_to_pad": ("8 in",),
    "bolt_to_pin": ("2 in",),
    "butt_line_to_bolt": ("1 in",),
    "bolt_play": ("0.1 mm", "0.5 mm"),
    "pin_play": ("0.02 mm", "0.06 mm", "0.3 mm"),
    "removed_from_pad": ("0 mm", "0.6 mm", "0.9 mm"),
}
OF_LIMB: dict[str, tuple[Any, ...]] = {
    "working_limb": ("16 in", "18 in"),
    "fade_out": ("6 in",),
    "pivot_to_nock": ("20 1/2 in",),
    "along_string": ("19 in",),
}


def varied(seed: int) -> Inspection:
    """An inspection that nobody would have thought of; the same for the same seed."""
    chance = random.Random(seed)

    def some(texts: dict[str, tuple[Any, ...]]) -> dict[str, Any]:
        return {n: q(chance.choice(t)) for n, t in texts.items() if chance.random() < 0.6}

    def sample(of: tuple[Any, ...], *counts: int) -> list[Any]:
        return chance.sample(list(of), chance.choice(counts))

    inspection = full_inspection(seed, chance.choice(KINDS), chance.choice(PROTOCOLS))
    readings = replace(
        inspection.readings,
        riser_length=chance.choice((None, q("19 in"), q("25 in"))),
        shelf_above_centre=chance.choice((None, q("1 3/16 in"), q("3 in"))),
        rest_height=chance.choice((None, q("3/16 in"))),
        brace_height=chance.choice((None, q("7 1/2 in"), q("4 in"))),
        tiller=tuple(
            TillerReading(
                q(f"{chance.choice((7, 7.2, 7.4, 8))} in"),
                q(f"{chance.choice((7, 7.1, 7.5))} in"),
                limbs=limbs,
            )
            for limbs in sample(("as received", "exchanged"), 0, 1, 2)
        ),
        draw_points=tuple(
            DrawPoint(q(f"{d} in"), q(f"{f} lb", "lb")) for d, f in chance.choice(CURVES)
        ),
        arrows=tuple(
            Arrow(q(f"{m} gr", "gr"), chance.choice(("", "carbon")))
            for m in sample((250, 330, 414, 480, 600), 0, 1, 2)
        ),
        ends={
            end: EndReadings(
                **some(OF_END),
                pins=chance.choice(("", "tight", "loose")) or None,
                pin_side=chance.choice(("tip", "butt")),
            )
            for end in sample(("upper", "lower"), 0, 1, 2)
        },
        limbs={name: LimbReadings(**some(OF_LIMB)) for name in sample(("A", "B"), 0, 1, 2)},
        feeler=tuple(
            FeelerReading(
                chance.choice(("upper", "lower")),
                chance.choice("AB"),
                chance.choice(("left", "right")),
                at,
                chance.choice((None, q("0.05 mm"), q("0.2 mm"))),
                q("0.3 mm"),
            )
            for at in sample(("butt", "riser end"), 0, 0, 1, 2)
        ),
        string=tuple(
            StringReading(
                at=at,
                off=q(chance.choice(("0 in", "1/32 in", "1/4 in"))),
                toward=chance.choice(("left", "right")),
            )
            for at in sample(("grip", "upper pad", "lower pad"), 0, 0, 1, 3)
        ),
    )
    return replace(
        inspection,
        readings=readings,
        purpose=chance.choice(("rework", "new pads", "customer")),
        stage=chance.choice(("as received", "after rework")),
        bow=replace(inspection.bow, mount=chance.choice(("belly", "back", ""))),
        limbs=tuple(
            replace(
                limb,
                glass=chance.choice((True, False)),
                butt_overlay=chance.choice(("none", "present", "unknown")),
                butt_overlay_thickness=chance.choice((None, q("2 mm"))),
                marked_for=chance.choice((None, "upper", "lower")),
            )
            for limb in inspection.limbs
        ),
        condition=tuple(
            ConditionEntry(
                item,
                chance.random() < 0.2,
                chance.choice((None, "A", "B")),
                chance.choice((None, "upper", "lower")),
            )
            for item in sample(CONDITION_ITEMS, 0, 0, 2, 6, 20)
        ),
    )
