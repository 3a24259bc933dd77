"""The sight view on ray-cast scenes of exactly known twist."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from sight_scene import SightScene, photograph_sight

from fitcheck.pipeline import measure_photo, profile_after
from fitcheck.setup import Setup
from fitcheck.views.sight import _twist_deg

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))


@lru_cache
def measured(**changes):
    scene = SightScene(**changes)
    return scene.truth, measure_photo(photograph_sight(scene), "sight", SETUP)


def twist_of(**changes):
    truth, found = measured(**changes)
    assert found.refused is None, found.refused
    return truth["twist"], found.characteristic("twist")


def test_twist_is_found_within_its_uncertainty():
    truth, found = twist_of()
    assert abs(found.value - truth) < 0.05
    assert found.interval95[0] <= truth <= found.interval95[1]
    parts = np.sqrt(sum(u**2 for u in found.budget.values()))
    assert parts == pytest.approx(found.standard_uncertainty, rel=0.15)


def test_right_side_high_at_the_tip_is_positive():
    truth, found = twist_of(twist=-2.0)
    assert truth < -1.9
    assert found.value == pytest.approx(truth, abs=0.06)


def test_slope_skew_lean_and_camera_hardly_matter():
    truth, found = twist_of(
        slope=20.0,
        lean=(2.0, -2.0),
        skew=(1.0, -1.0),
        off_centre=(0.5, -0.5),
        camera=(-90.0, 760.0, 160.0),
        roll=-8.0,
    )
    assert abs(found.value - truth) < 0.12
    assert found.interval95[0] <= truth <= found.interval95[1]


def test_across_directions_would_carry_the_skew_into_the_twist():
    # Design value: on a tip that slopes 20°, 0.36° for each degree of skew.
    slope, skew = np.radians(20.0), np.radians(1.0)
    across = np.array([np.cos(skew), np.sin(skew) * np.cos(slope), np.sin(skew) * np.sin(slope)])
    by_across = np.degrees(np.arctan2(across[2], across[0]))
    assert by_across == pytest.approx(0.34, abs=0.02)
    up = np.array([0.0, -np.sin(slope), np.cos(slope)])
    by_up = _twist_deg(np.array([0.0, 0.0, 1.0]), up, np.array([0.0, 1.0, 0.1]))
    assert abs(float(by_up)) < 1e-9


def test_exchanged_cards_reverse_their_own_errors_and_nothing_else():
    errors = (("C", 0.25), ("D", -0.15))
    first, as_marked = twist_of_folded(errors)
    second, exchanged = twist_of_folded(errors, at_butt="D", at_tip="C")
    assert first == pytest.approx(second)
    own = (as_marked.value - exchanged.value) / 2
    mean = (as_marked.value + exchanged.value) / 2
    assert abs(own) == pytest.approx(0.40, abs=0.05)
    assert mean == pytest.approx(first, abs=0.05)


def twist_of_folded(errors, **changes):
    scene = SightScene(fold_error=dict(errors), **changes)
    found = measure_photo(photograph_sight(scene), "sight", SETUP)
    assert found.observed["card_at_tip"] == scene.at_tip
    return scene.truth["twist"], found.characteristic("twist")


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"upside_down": "D"}, "card_upside_down"),
        ({"apart": 90.0, "rise": 5.0, "camera": (40.0, 450.0, 200.0)}, "cards_too_close"),
        ({"camera": (430.0, 560.0, 420.0)}, "too_oblique"),
    ],
)
def test_wrong_arrangements_are_refused_with_advice(changes, code):
    _, found = measured(**changes)
    assert found.refused is not None
    assert found.refused.code == code
    assert found.refused.advice
    assert not found.characteristics


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"skew": (0.0, 9.0)}, "card_skewed"),
        ({"lean": (0.0, 40.0), "slope": 0.0, "rise": 0.0}, "card_leans"),
        ({"twist": 11.0}, "twist_unusual"),
    ],
)
def test_doubtful_arrangements_are_warned_of(changes, code):
    _, found = measured(**changes)
    assert found.refused is None, found.refused
    assert code in {w.code for w in found.warnings}


@pytest.mark.parametrize(("share", "said"), [(1.0, False), (1.04, False), (0.75, True)])
def test_a_lens_quite_unlike_the_one_named_is_told_and_not_kept(share, said):
    # A bent card or a crop draws the lens away from what the photograph's own data say.
    photo = photograph_sight(SightScene())
    named = replace(
        photo,
        focal_prior_px=share * photo.focal_prior_px,
        focal_prior_relative_sd=0.03,
        make="Maker",
        model="One",
    )
    found = measure_photo(named, "sight", SETUP)
    assert ("lens_unusual" in {w.code for w in found.warnings}) == said
    assert (profile_after(named, found) is None) == said
