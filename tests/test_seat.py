"""The seat view on photographs with known truth, and on ones that must be refused."""

import json
from functools import lru_cache

import cv2
import numpy as np
import pytest
from scene import SeatScene, photograph, repainted

from fitcheck.cards import CARDS
from fitcheck.errors import BadInput
from fitcheck.page.one_photo import verdict
from fitcheck.photo import load_photo
from fitcheck.pipeline import Shot, measure, measure_photo, measure_photos, measure_shots
from fitcheck.samples import samples
from fitcheck.setup import Setup

SAMPLES = samples()
NAMES = [sample.path.stem for sample in SAMPLES]
HAIR = {"mm": 0.3, "deg": 0.3}  # worse than this is a mistake, not an uncertainty


@lru_cache
def scene_photo(**changes):
    return photograph(SeatScene(**changes))


def scene_measured(**changes):
    scene = SeatScene(**changes)
    setup = Setup(scene.thickness, bars_mm=(100.0, 100.0))
    return scene, measure_photo(scene_photo(**changes), "seat", setup)


def check_against(truth, measurement, coverage=3.0):
    """Every characteristic near its truth, and within the stated uncertainty."""
    assert measurement.refused is None
    assert {c.name for c in measurement.characteristics} >= {
        "overhang_left",
        "overhang_right",
        "limb_width",
        "riser_width",
        "lateral_offset",
        "lateral_angle",
    }
    for found in measurement.characteristics:
        error = found.value - truth[found.name]
        assert abs(error) < coverage * found.standard_uncertainty, found
        if found.name != "face_step":
            assert abs(error) < HAIR[found.unit], found
        assert found.interval95[0] < found.value < found.interval95[1]
        assert found.budget
        assert np.sqrt(sum(u**2 for u in found.budget.values())) == pytest.approx(
            found.standard_uncertainty, rel=0.15
        )


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_samples_are_measured_without_hints(sample):
    check_against(sample.truth, measure(sample.path, sample.view, sample.setup))


@pytest.mark.parametrize("sample", SAMPLES, ids=NAMES)
def test_samples_are_measured_from_rough_hints(sample):
    edges = json.loads(sample.path.with_suffix(".json").read_text())["edges_px"]
    rng = np.random.default_rng(8)
    rough = {k: (np.array(v) + rng.uniform(-8, 8, (2, 2))).tolist() for k, v in edges.items()}
    found = measure(sample.path, sample.view, sample.setup, rough)
    check_against(sample.truth, found)
    assert {e.edge for e in found.edges if e.origin == "hint"} == set(rough)


def test_hints_override_the_search():
    sample = SAMPLES[0]
    edges = json.loads(sample.path.with_suffix(".json").read_text())["edges_px"]
    # The riser's left side lies 1.7 mm inside the limb's: told that the limb's side is
    # there, the program must look there, where the search would not.
    wrong = {"limb_left": edges["riser_left"]}
    with_wrong = measure(sample.path, "seat", sample.setup, wrong).characteristic("limb_width")
    without = measure(sample.path, "seat", sample.setup).characteristic("limb_width")
    assert without.value - with_wrong.value == pytest.approx(1.7, abs=0.3)


def test_the_same_photo_gives_the_same_digits():
    sample = SAMPLES[1]
    photo = load_photo(sample.path)
    assert measure_photo(photo, "seat", sample.setup) == measure_photo(photo, "seat", sample.setup)


def test_turning_the_photo_changes_nothing():
    sample = SAMPLES[0]
    photo = load_photo(sample.path)
    upright = measure_photo(photo, "seat", sample.setup)
    for quarter_turns in (1, 2):
        turned = repainted(photo, np.rot90(photo.pixels, quarter_turns))
        found = measure_photo(turned, "seat", sample.setup)
        for name in ("overhang_left", "overhang_right", "lateral_angle"):
            a, b = upright.characteristic(name), found.characteristic(name)
            assert b.value == pytest.approx(a.value, abs=0.06)


def test_a_scene_by_another_renderer_is_measured():
    scene, found = scene_measured()
    check_against(scene.truth, found)


def test_signs_left_and_right():
    scene, found = scene_measured(lateral_offset=-1.3, lateral_angle=-0.7, limb_width=41.5)
    check_against(scene.truth, found)
    assert found.characteristic("overhang_left").value > 1.3
    assert found.characteristic("overhang_right").value < -0.8


def test_a_card_turned_round_is_noticed_and_handled():
    for turned in ("card_a_turned", "card_b_turned"):
        scene, found = scene_measured(**{turned: True})
        check_against(scene.truth, found)
        assert "card_turned" in {w.code for w in found.warnings}


def test_exchanged_cards_are_refused():
    _, found = scene_measured(exchanged=True)
    assert found.refused is not None
    assert found.refused.code == "cards_exchanged_or_turned"
    assert "arrows toward" in found.refused.advice


def test_without_card_b_the_face_step_is_needed_and_suffices():
    scene, found = scene_measured(without="B")
    assert found.refused is not None
    assert found.refused.code == "card_missing"
    assert "caliper" in found.refused.advice
    setup = Setup(scene.thickness, bars_mm=(100.0, 100.0), face_step_mm=scene.face_step)
    given = measure_photo(scene_photo(without="B"), "seat", setup)
    check_against(scene.truth, given)
    assert "face_step" not in {c.name for c in given.characteristics}
    assert given.characteristic("overhang_left").budget["face_step"] > 0


def test_print_scale_goes_into_lengths():
    sample = SAMPLES[0]
    photo = load_photo(sample.path)
    thickness = sample.setup.card_thickness_mm
    true_size = measure_photo(photo, "seat", Setup(thickness, (100.0, 100.0)))
    half_percent = measure_photo(photo, "seat", Setup(thickness * 1.005, (100.5, 100.5)))
    unknown = measure_photo(photo, "seat", Setup(thickness))
    width = true_size.characteristic("limb_width")
    larger = half_percent.characteristic("limb_width")
    assert larger.value / width.value == pytest.approx(1.005, abs=2e-4)
    assert unknown.inputs["print_scale_measured"] is False
    unsure = unknown.characteristic("limb_width")
    assert unsure.standard_uncertainty > 1.3 * width.standard_uncertainty
    assert unsure.budget["print_scale"] > 3 * width.budget["print_scale"]


def test_a_wrong_card_thickness_moves_the_result_and_is_in_the_budget():
    sample = SAMPLES[0]
    given = measure(sample.path, "seat", sample.setup).characteristic("limb_width")
    assumed = measure(sample.path, "seat", Setup(None, (100.0, 100.0)))
    found = assumed.characteristic("limb_width")
    assert assumed.inputs["card_thickness_measured"] is False
    assert found.budget["card_thickness"] > 3 * given.budget["card_thickness"]
    assert abs(found.value - given.value) > 0.02


def test_together_shares_one_lens():
    setup = Setup(0.5, (100.0, 100.0))
    # Different seats in the same camera.
    first = scene_photo()
    second = scene_photo(lateral_offset=-1.3, lateral_angle=-0.7, limb_width=41.5)
    both = measure_photos([first, second], "seat", setup, together=True)
    assert both[0].lens == both[1].lens
    alone = measure_photo(first, "seat", setup)
    assert both[0].lens != alone.lens
    check_against(SeatScene().truth, both[0])
    assert both[0].characteristic("overhang_left").budget["lens"] <= (
        alone.characteristic("overhang_left").budget["lens"] + 0.002
    )


def test_one_bad_photo_does_not_spoil_the_others():
    sample = SAMPLES[1]
    photo = load_photo(sample.path)
    blank = repainted(photo, np.full_like(photo.pixels, 128))
    for together in (False, True):
        found = measure_photos([blank, photo], "seat", sample.setup, together=together)
        assert found[0].refused is not None
        assert found[1].refused is None


def blanked(photo, card):
    """Photograph with a card painted over in grey."""
    from fitcheck.corners import find_cards

    pixels = photo.pixels.copy()
    seen = next(c for c in find_cards(photo.grey) if c.card.name == card)
    middle = seen.corners_px.mean(axis=0)
    corners = middle + 1.35 * (seen.corners_px - middle)
    corners = cv2.convexHull(corners.astype(np.float32)).astype(np.int32)
    cv2.fillConvexPoly(pixels, corners, (128, 128, 128))
    cv2.polylines(pixels, [corners], True, (128, 128, 128), 150)
    return repainted(photo, pixels)


def test_blanked_cards_are_refused_with_advice():
    photo = load_photo(SAMPLES[1].path)
    no_a = measure_photo(blanked(photo, "A"), "seat", SAMPLES[1].setup)
    assert no_a.refused is not None
    assert no_a.refused.code in {"no_card", "wrong_card"}
    assert "card A" in no_a.refused.message or "Card A" in no_a.refused.message
    no_b = measure_photo(blanked(photo, "B"), "seat", SAMPLES[1].setup)
    assert no_b.refused is not None
    assert no_b.refused.code == "card_missing"
    for refused in (no_a, no_b):
        assert refused.characteristics == ()
        assert refused.refused.advice


def test_other_pictures_are_refused():
    from skimage import data

    photo = load_photo(SAMPLES[0].path)
    for picture in (data.astronaut(), cv2.resize(data.camera(), (900, 700))):
        pixels = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
        found = measure_photo(repainted(photo, pixels), "seat")
        assert found.refused is not None
        assert found.refused.code in {"no_card", "blurred"}


def test_cards_of_another_view_are_named():
    picture = np.full((1500, 2600, 3), 128, dtype=np.uint8)
    card = CARDS["C"].picture(15)
    picture[300 : 300 + card.shape[0], 300 : 300 + card.shape[1]] = card[..., None]
    photo = repainted(scene_photo(), picture)
    found = measure_photo(photo, "seat")
    assert found.refused is not None
    assert found.refused.code == "wrong_card"
    assert "card C" in found.refused.message


def test_blur_is_refused_or_warned_of():
    photo = scene_photo()
    soft = repainted(photo, cv2.GaussianBlur(photo.pixels, (0, 0), 2.6))
    found = measure_photo(soft, "seat", Setup(0.5, (100.0, 100.0)))
    codes = {w.code for w in found.warnings}
    assert found.refused is not None or "soft" in codes
    lost = repainted(photo, cv2.GaussianBlur(photo.pixels, (0, 0), 12))
    refused = measure_photo(lost, "seat").refused
    assert refused is not None
    assert refused.code == "blurred"


def test_over_exposure_is_warned_of():
    photo = scene_photo()
    bright = np.clip(photo.pixels.astype(float) * 1.35, 0, 255)
    found = measure_photo(repainted(photo, bright), "seat", Setup(0.5, (100.0, 100.0)))
    assert "over_exposed" in {w.code for w in found.warnings}


def test_a_card_cut_off_is_warned_of():
    photo = scene_photo()
    grey = photo.grey
    from fitcheck.corners import find_cards

    seen = next(c for c in find_cards(grey) if c.card.name == "A")
    cut = int(np.quantile(seen.corners_px[:, 0], 0.8))
    found = measure_photo(
        repainted(photo, photo.pixels[:, :cut]), "seat", Setup(0.5, (100.0, 100.0))
    )
    assert "card_cut_off" in {w.code for w in found.warnings}


def test_a_steep_view_is_refused():
    _, found = scene_measured(tilt=(0.0, 52.0, 0.0), camera=(0.0, 0.0, 420.0))
    assert found.refused is not None
    assert found.refused.code in {"too_oblique", "no_card", "card_missing"}


@pytest.mark.parametrize(
    ("hints", "code"),
    [
        ({"pad_line": [[1, 2], [3, 4]]}, "unknown_edge"),
        ({"limb_left": [[1, 2]]}, "bad_hint"),
        ({"limb_left": "here"}, "bad_hint"),
        ({"limb_left": [[1, float("nan")], [3, 4]]}, "bad_hint"),
        ({"limb_left": [[5, 5], [5, 5]]}, "bad_hint"),
        ({"limb_left": [[-40, 5], [900, 5]]}, "hint_outside"),
        ({"limb_left": [[1, None], [3, 4]]}, "bad_hint"),
    ],
)
def test_bad_hints_are_refused_with_a_sentence(hints, code):
    with pytest.raises(BadInput) as error:
        measure_photo(scene_photo(), "seat", hints=hints)
    assert error.value.code == code
    assert error.value.advice


def test_an_unknown_view_is_refused():
    with pytest.raises(BadInput, match="no view called 'top'"):
        measure_photo(scene_photo(), "top")


@pytest.mark.parametrize(
    "arguments",
    [
        {"thickness_given_mm": float("nan")},
        {"thickness_given_mm": -0.1},
        {"thickness_given_mm": 40.0},
        {"bars_mm": (100.0, 120.0)},
        {"bars_mm": (float("inf"), 100.0)},
        {"face_step_mm": 1e9},
    ],
)
def test_impossible_setups_are_refused(arguments):
    with pytest.raises(BadInput, match="cannot be right"):
        Setup(**arguments)


def test_a_block_of_another_colour_beside_the_riser_is_not_the_riser():
    scene, clean = scene_measured(bench_light=0.03, limb_light=0.25, lateral_offset=-2.0)
    photo = scene_photo(bench_light=0.03, limb_light=0.25, lateral_offset=-2.0)
    ends = {e.edge: np.array(e.pixels) for e in clean.edges}
    left = ends["riser_left"]
    outward = left.mean(axis=0) - ends["riser_right"].mean(axis=0)
    width = outward / scene.riser_width * 2.5  # 2.5 mm in pixels
    run = (left[1] - left[0]) / 20
    inner = np.array([left[0] - run, left[1] + run])
    block = np.round(np.concatenate([inner, inner[::-1] + width])).astype(np.int32)
    picture = photo.pixels.copy()
    # It ends in line with the limb, and stands out from the bench more than from the riser.
    cv2.fillPoly(picture, [block], (110, 140, 240), cv2.LINE_AA)
    found = measure_photo(
        repainted(photo, cv2.GaussianBlur(picture, (0, 0), 0.6)),
        "seat",
        Setup(scene.thickness, bars_mm=(100.0, 100.0)),
    )
    for name in ("riser_width", "overhang_left"):
        one, other = found.characteristic(name), clean.characteristic(name)
        assert abs(one.value - other.value) < 0.35  # and not 2.5


@pytest.mark.parametrize(
    ("edge", "given", "said"),
    [
        ("limb_right", False, "line drawn by hand for the right side of the limb"),
        ("riser_right", False, "line drawn by hand for the right side of the riser"),
        ("limb_right", True, "right side of the riser was not found: it was looked for below"),
    ],
)
def test_a_line_beside_any_edge_is_said_to_be_at_fault(edge, given, said):
    scene, searched = scene_measured()
    ends = {e.edge: e.pixels for e in searched.edges}
    across = np.subtract(ends["limb_right"][0], ends["limb_left"][0])
    aside = 8.0 / searched.characteristic("limb_width").value * across
    laid = {edge: tuple(tuple(np.add(end, aside)) for end in ends[edge])}
    shot = Shot(scene_photo(), "seat", laid, frozenset(laid) if given else frozenset())
    (found,) = measure_shots([shot], Setup(scene.thickness, bars_mm=(100.0, 100.0)))
    assert found.refused is not None
    assert found.refused.code == "line_without_edge"
    assert said in found.refused.message
    assert "Look at your lines" in verdict(found)
    assert "Take it again" not in verdict(found)


def test_lines_are_taken_as_they_were_laid_the_butt_line_too():
    scene, searched = scene_measured()
    ends = {e.edge: e.pixels for e in searched.edges}
    across = np.subtract(ends["limb_right"][0], ends["limb_left"][0])
    px_per_mm = float(np.linalg.norm(across)) / searched.characteristic("limb_width").value
    step = 0.5 * px_per_mm * across / np.linalg.norm(across)
    laid = {
        "limb_right": tuple(tuple(np.add(end, step)) for end in ends["limb_right"]),
        "butt_line": ends["butt_line"],
    }
    shot = Shot(scene_photo(), "seat", laid, frozenset(laid))
    (found,) = measure_shots([shot], Setup(scene.thickness, bars_mm=(100.0, 100.0)))
    assert {e.edge for e in found.edges if e.origin == "given"} == set(laid)
    notes = [note.message for note in found.warnings if note.code == "edge_as_given"]
    assert {note.split(" is the line")[0] for note in notes} == {
        "The butt line",
        "The right side of the limb",
    }
    proud, before = (m.characteristic("overhang_right") for m in (found, searched))
    assert proud.value - before.value == pytest.approx(0.5, abs=0.06)
    # A hand's, and nothing of the limb's wall any more; the riser's may still be taken for face.
    assert 0.2 < proud.budget["edge"] < 0.5
    width, its_own = (m.characteristic("limb_width") for m in (found, searched))
    assert width.budget["other_line"] < 1e-6 < 0.1 < its_own.budget["other_line"]
    assert abs(proud.value - scene.truth["overhang_right"]) < proud.expanded_uncertainty + 0.1
