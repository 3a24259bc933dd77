"""The joint view on ray-cast seams of exactly known opening."""

from functools import lru_cache

import numpy as np
import pytest
from joint_scene import JointScene, photograph_joint, random_joint

from fitcheck.pipeline import Shot, measure_photo, measure_shots
from fitcheck.seam import fit_seam
from fitcheck.seam_profiles import SeamProfiles
from fitcheck.seam_shapes import Sight
from fitcheck.setup import Setup
from fitcheck.views.joint_contact import openings

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))
NAMES = ("gap_butt", "gap_end", "gap_wedge")


@lru_cache
def photo_of(scene):
    return photograph_joint(scene)


@lru_cache
def measured(**changes):
    scene = JointScene(**changes)
    return scene.truth, measure_photo(photo_of(scene), "joint", SETUP)


def codes(found):
    return {w.code for w in found.warnings}


def check(truth, found, gap=0.06, wedge=0.05):
    """Values near the truth, and 95 % intervals that hold it."""
    assert found.refused is None, found.refused
    for name, within in zip(NAMES, (gap, gap, wedge), strict=True):
        c = found.characteristic(name)
        assert abs(c.value - truth[name]) < within, name
        assert c.interval95[0] - 1e-9 <= truth[name] <= c.interval95[1] + 1e-9, name


def test_open_at_the_riser_s_end_is_a_positive_wedge_and_needs_no_warning():
    truth, found = measured()
    check(truth, found)
    assert truth["gap_wedge"] > 0.25
    assert not codes(found)
    assert found.observed["seat_side"] == "right"
    wedge = found.characteristic("gap_wedge")
    assert wedge.expanded_uncertainty < 0.08
    assert {"edge", "arris", "parallax", "seam_ends", "pose"} <= set(wedge.budget)


def test_open_at_the_butt_is_a_negative_wedge():
    truth, found = measured(gap_butt=0.4, gap_end=0.0)
    check(truth, found)
    assert truth["gap_wedge"] < -0.25
    assert found.characteristic("gap_end").value < 0.02


def test_even_opening_has_no_wedge_and_is_named():
    truth, found = measured(gap_butt=0.3, gap_end=0.3)
    check(truth, found)
    assert codes(found) == {"open_at_both_ends"}


def test_closed_seam_is_closed_and_its_limit_is_told():
    truth, found = measured(gap_end=0.0)
    check(truth, found, gap=0.02, wedge=0.02)
    assert codes(found) == {"gap_below_limit"}
    (note,) = found.warnings
    assert "cannot be told" in note.message
    assert "feeler" in note.advice


def test_left_side_gives_the_same_and_is_named():
    truth, found = measured(left=True)
    check(truth, found)
    assert found.observed["seat_side"] == "left"


def test_card_turned_round_is_allowed_for_and_said():
    truth, found = measured(card_turned=True)
    check(truth, found)
    assert codes(found) == {"card_turned"}
    assert found.observed["seat_side"] == "right"


def test_dark_glass_over_the_seam_is_not_taken_for_the_opening():
    truth, found = measured(laminations=((0.0, 1.1, 0.12), (3.2, 3.4, 0.45)))
    check(truth, found, gap=0.1, wedge=0.07)


def test_a_wide_opening_is_called_unusual():
    _, found = measured(gap_butt=1.3, gap_end=1.35)
    assert "gap_unusual" in codes(found)


def test_a_riser_without_its_limb_is_not_called_closed_in_silence():
    _, found = measured(without_limb=True)
    assert "limb_unclear" in codes(found)


def test_camera_far_over_the_pad_widens_the_interval_and_warns():
    truth, found = measured(high=17.0)
    check(truth, found, gap=0.15, wedge=0.1)
    assert "not_level" in codes(found)
    _, level = measured()
    higher, lower = (f.characteristic("gap_end").expanded_uncertainty for f in (found, level))
    assert higher > 1.5 * lower


def test_oblique_photograph_is_refused():
    _, found = measured(high=34.0)
    assert found.refused.code == "too_oblique"
    assert "level" in found.refused.advice


def test_card_over_the_seam_is_refused():
    _, found = measured(card_below=-1.0)
    assert found.refused.code in {"seam_hidden", "seam_not_found"}
    assert "2 to 5 mm" in found.refused.advice


def test_hints_are_followed_and_marked():
    scene = JointScene()
    found = measure_photo(photo_of(scene), "joint", SETUP, scene.edges_px)
    check(scene.truth, found)
    assert {e.edge for e in found.edges} == {"pad_line", "limb_line"}
    assert all(e.origin == "hint" for e in found.edges)
    ends = {e.edge: np.array(e.pixels) for e in found.edges}
    for name, points in scene.edges_px.items():
        assert np.max(np.abs(ends[name] - points)[:, 1]) < 2


def as_laid(scene, lines):
    shot = Shot(photo_of(scene), "joint", lines, frozenset(lines))
    return measure_shots([shot], SETUP)[0]


@pytest.mark.parametrize("names", [("pad_line",), ("limb_line",), ("pad_line", "limb_line")])
def test_lines_are_taken_as_they_were_laid_and_are_no_surer_than_a_hand(names):
    scene = JointScene()
    laid = {name: scene.edges_px[name] for name in names}
    found = as_laid(scene, laid)
    assert {e.edge for e in found.edges if e.origin == "given"} == set(names)
    for edge in found.edges:
        assert (edge.scatter_mm == 0.0) == (edge.edge in names)
    assert [w.code for w in found.warnings].count("edge_as_given") == len(names)
    _, searched = measured()
    for name in NAMES:
        c, before = found.characteristic(name), searched.characteristic(name)
        assert c.interval95[0] - 1e-9 <= scene.truth[name] <= c.interval95[1] + 1e-9, name
        assert c.expanded_uncertainty > 2 * before.expanded_uncertainty
    assert found.characteristic("gap_wedge").value == pytest.approx(
        scene.truth["gap_wedge"], abs=0.1
    )


def test_lines_that_cross_are_not_taken_for_a_seam():
    scene = JointScene()
    pad = scene.edges_px["pad_line"]
    under = [(x, y + 40) for x, y in pad]
    found = as_laid(scene, {"pad_line": pad, "limb_line": under})
    assert found.refused.code == "lines_crossed"
    assert not found.characteristics


def test_where_nothing_is_found_two_laid_lines_make_the_seam():
    scene = JointScene(butt_hidden=True, riser_goes_on=True)
    found = as_laid(scene, scene.edges_px)
    assert found.refused is None
    assert {"edge_as_given", "ends_not_found"} <= codes(found)


def test_hint_on_the_card_is_refused():
    photo = photo_of(JointScene())
    width, height = photo.size_px
    on_card = [(width * 0.4, height * 0.6), (width * 0.6, height * 0.6)]
    found = measure_photo(photo, "joint", SETUP, {"pad_line": on_card})
    assert found.refused.code == "hint_on_card"


def test_intervals_hold_the_truth_on_random_seams():
    rng = np.random.default_rng(7)
    held, total = 0, 0
    for _ in range(3):
        scene = random_joint(rng)
        found = measure_photo(photograph_joint(scene), "joint", SETUP)
        assert found.refused is None
        for name in NAMES:
            c = found.characteristic(name)
            low, high = c.interval95
            total += 1
            held += low - 1e-9 <= scene.truth[name] <= high + 1e-9
            assert abs(c.value - scene.truth[name]) < 2 * c.expanded_uncertainty + 0.02
    assert held >= total - 1


def profiles(opening, n=10, light=(0.3, 0.0, 0.6)):
    """Profiles of a seam with sharp edges at 0 and ``opening``, blurred by 0.05 mm."""
    from scipy.special import ndtr

    up = np.arange(-0.9, 1.3, 0.06)
    along = np.linspace(5, 85, n)
    gap = np.interp(along, [0, 90], opening)[:, None]
    past_pad, past_limb = ndtr(up / 0.05)[None, :], ndtr((up - gap) / 0.05)
    grey = light[0] * (1 - past_pad) + light[1] * (past_pad - past_limb) + light[2] * past_limb
    colours = np.repeat(grey[..., None], 3, axis=2)
    return SeamProfiles(np.array([0.0, 90.0]), along, up, colours, np.full(colours.shape, 0.003))


@pytest.mark.parametrize("opening", [(0.0, 0.5), (0.5, 0.0), (0.3, 0.4)])
def test_fit_recovers_sharp_edges(opening):
    fit = fit_seam(profiles(opening), 0.05, Sight(-1.0, 0.3, 0.2), 0.8)
    # Where nothing tells the arrises' radii, they are taken as 0.1 mm: a groove of
    # 2 · 0.1 / 3 mm, by which a seam with sharp ones may come out too narrow.
    assert fit.opening_mm == pytest.approx(opening, abs=0.067)
    assert np.diff(fit.opening_mm)[0] == pytest.approx(opening[1] - opening[0], abs=0.03)


def test_fit_reads_ends_that_run_against_the_blocks():
    there = profiles((0.0, 0.5))
    back = SeamProfiles(there.ends_mm[::-1], there.along_mm, there.up_mm, there.light, there.noise)
    sight = Sight(-1.0, 0.3, 0.2)
    forth_mm = fit_seam(there, 0.05, sight, 0.8).opening_mm
    assert fit_seam(back, 0.05, sight, 0.8).opening_mm == pytest.approx(forth_mm[::-1], abs=0.01)


def test_fit_refuses_too_few_blocks_and_wrong_shapes():
    sight = Sight(-1.0, 0.3, 0.2)
    with pytest.raises(ValueError, match="at least 8 blocks"):
        fit_seam(profiles((0.0, 0.5), n=5), 0.05, sight, 0.8)
    good = profiles((0.0, 0.5))
    wrong = SeamProfiles(good.ends_mm, good.along_mm, good.up_mm, good.light[..., :2], good.noise)
    with pytest.raises(ValueError, match="expected light and noise"):
        fit_seam(wrong, 0.05, sight, 0.8)


def test_openings_touch_somewhere_unless_they_clearly_do_not():
    rng = np.random.default_rng(3)
    covariance = np.diag([0.01, 0.01]) ** 2
    shared = {"arris": 0.04}
    leaning = openings(np.array([0.05, 0.35]), covariance, shared, rng, 4000)
    assert leaning.best_mm == pytest.approx([0.0, 0.30], abs=0.03)
    assert leaning.touches[0] > 0.7
    lifted = openings(np.array([0.4, 0.4]), covariance, shared, rng, 4000)
    assert lifted.best_mm == pytest.approx([0.4, 0.4], abs=0.04)
    assert np.all(lifted.touches < 0.05)
    assert np.all(leaning.opening_mm >= 0)
