"""A lip by width, by place or by both: whose limb it is, what is dressed, and what waits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from simulated_bows import photograph
from test_findings_fitness import CLEAR
from test_findings_rework import acts, mm, sound_bow

from fitcheck.findings.frames import other_side
from fitcheck.findings.plain import summary_lines
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import EndReadings, Readings
from fitcheck.measurement import Measurement

NOT_ITS_LIMB = "not this riser’s limb"


def seats(left: float, right: float, *, both_ways: str = "", angle: float = 0.0) -> Findings:
    """Findings on limb A at the upper end with these overhangs; all else is sound.

    ``both_ways`` photographs the limbs exchanged too, with the place going with the ``limb`` or
    staying with the ``riser``.
    """
    inspection = photograph(sound_bow(), "everything" if both_ways else "with pads", 12)
    wide, place = (left + right) / 2, (right - left) / 2

    def lip(photo) -> Measurement:
        here = (photo.end, photo.limb) == ("upper", "A")
        there = both_ways and (photo.limb == "A" if both_ways == "limb" else photo.end == "upper")
        off = place if here or there else 0.0
        more = {
            "overhang_left": (wide if photo.limb == "A" else 0.0) - off,
            "overhang_right": (wide if photo.limb == "A" else 0.0) + off,
            "lateral_offset": off,
            "lateral_angle": angle if here or there else 0.0,
        }
        found = tuple(
            replace(
                c,
                value=more[c.name],
                standard_uncertainty=0.02,
                interval95=(more[c.name] - 0.04, more[c.name] + 0.04),
                budget={"edge": 0.02},
            )
            for c in photo.measurement.characteristics
        )
        return replace(photo.measurement, characteristics=found)

    photos = tuple(
        replace(photo, measurement=lip(photo)) if photo.view == "seat" else photo
        for photo in inspection.photos
    )
    tight = EndReadings(bolt_play=mm("0.02 mm"), pin_play=mm("0.02 mm"), pins="tight")
    inspection = replace(
        inspection,
        photos=photos,
        condition=CLEAR,
        readings=Readings(ends={"upper": tight, "lower": tight}),
    )
    return find(inspection, [photo.measurement for photo in photos])


def said(found: Findings) -> str:
    return " ".join([*summary_lines(found), *found.fitness.reasons])


@pytest.mark.parametrize("sign", [1, -1])
def test_only_a_width_past_the_limit_makes_it_another_riser_s_limb(sign):
    wide = seats(sign * 1.0, sign * 1.0)
    assert NOT_ITS_LIMB in said(wide)
    assert wide.fitness.use == "rework"
    for whose in ("limb", "riser"):
        placed = seats(sign * -1.5, sign * 1.7, both_ways=whose)
        assert NOT_ITS_LIMB not in said(placed)
        assert f"pin or bolt position in {'limb A' if whose == 'limb' else 'the riser'}" in said(
            placed
        )
        assert placed.fitness.use != "return as is"
    both = seats(sign * 0.8, sign * 2.8)  # 1.8 mm by width, 1 mm by place
    assert NOT_ITS_LIMB in said(both)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("sign", [1, -1])
def test_one_lip_is_photographed_first_whoever_stands_proud_and_on_whichever_side(sign, side):
    lips = {side: sign * 1.0, other_side(side): 0.0}
    found = seats(**lips)
    assert found.fitness.use == "cannot be said yet"
    assert "which part is at fault has to be found out first" in found.fitness.headline
    assert acts(found) == ["photograph"]
    assert found.rework.out_of_reach == ()
    assert any(f"on the {side}" in reason for reason in found.fitness.reasons)


def test_a_riser_is_not_dressed_to_suit_a_limb_whose_holes_are_off():
    found = seats(-0.7, 0.7, both_ways="limb")
    assert "dress" not in acts(found)
    narrow = seats(-0.6, -0.6)
    assert acts(narrow).count("dress") == 2


def test_holes_that_are_moved_take_the_lip_with_them():
    found = seats(-1.2, 1.2, both_ways="riser")
    assert "move_holes" in acts(found)
    assert "dress" not in acts(found)
    after = found.rework.seats_after["upper"].values
    assert abs(after["overhang_right"].value) < 0.2
