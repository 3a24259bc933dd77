"""Photographs that must be warned of or refused, each made to happen."""

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest
from scene import SeatScene, photograph, repainted

from fitcheck.cards import CARDS
from fitcheck.corners import find_cards
from fitcheck.pipeline import measure_photo
from fitcheck.setup import Setup

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))
WHOLE = {"camera": (0.0, -6.0, 420.0), "tilt": (0.5, -0.5, 20.0)}  # both cards in the picture


def seat(**changes):
    return measure_photo(photograph(SeatScene(**WHOLE, **changes)), "seat", SETUP)


def codes(found):
    assert found.refused is None, found.refused
    return {w.code: w for w in found.warnings}


@lru_cache
def plain():
    return photograph(SeatScene(**WHOLE))


def repainted_codes(change):
    pixels = change(plain().pixels.astype(np.float64))
    return codes(measure_photo(repainted(plain(), np.clip(pixels, 0, 255)), "seat", SETUP))


def test_a_good_photograph_has_no_warning():
    assert not codes(measure_photo(plain(), "seat", SETUP))


@pytest.mark.parametrize("bow", [0.6, -1.0])
def test_a_bent_card_is_named_with_how_much(bow):
    warning = codes(seat(bow={"A": bow}))["card_bent"]
    assert "Card A" in warning.message
    said = float(warning.message.split("by ")[1].split(" mm")[0])
    assert said == pytest.approx(abs(bow), rel=0.25)


def test_a_reflection_on_a_card_is_named():
    found = seat(glare={"B": 0.5})
    warning = codes(found)["glare"]
    assert "card B" in warning.message
    truth = SeatScene().truth
    for one in found.characteristics:
        assert abs(one.value - truth[one.name]) < max(0.3, 2 * one.expanded_uncertainty)


@pytest.mark.parametrize(("blur_px", "said"), [(2.8, {"soft"}), (14.0, {"blurred"})])
def test_a_photograph_out_of_focus_is_soft_or_refused(blur_px, said):
    large = cv2.resize(plain().pixels, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    soft = cv2.GaussianBlur(large, (0, 0), blur_px)
    photo = replace(repainted(plain(), soft), focal_prior_px=2 * plain().focal_prior_px)
    found = measure_photo(photo, "seat", SETUP)
    given = {w.code for w in found.warnings}
    given |= {found.refused.code} if found.refused else set()
    assert said <= given


def test_a_dark_photograph_is_warned_of():
    assert "too_dark" in repainted_codes(lambda p: p * 0.28)


@pytest.mark.parametrize("light", [0.1, 0.03])
def test_a_photograph_too_dark_to_measure_is_refused(light):
    pixels = np.clip(plain().pixels * light, 0, 255)
    found = measure_photo(repainted(plain(), pixels), "seat", SETUP)
    assert found.refused is not None
    assert found.refused.code in {"too_dark", "no_card"}
    if light == 0.1:
        assert found.refused.code == "too_dark"
        assert "more light" in found.refused.advice
    assert not found.characteristics


def test_a_card_far_away_is_warned_of():
    scene = SeatScene(camera=(12.0, 10.0, 1000.0), blur_px=0.5, noise=0.5)
    found = measure_photo(photograph(scene), "seat", SETUP)
    given = {w.code for w in found.warnings} | {found.refused.code if found.refused else ""}
    assert given & {"too_far", "no_card"}


@pytest.mark.parametrize("squares", [(10, 7), (14, 5), (11, 8)])
def test_another_board_with_the_same_markers_is_not_taken_for_a_card(squares):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    board = cv2.aruco.CharucoBoard(squares, 8.0, 6.0, dictionary)
    picture = board.generateImage((squares[0] * 100, squares[1] * 100), marginSize=40)
    canvas = np.full((1512, 2016), 130, dtype=np.uint8)
    canvas[200 : 200 + picture.shape[0], 200 : 200 + picture.shape[1]] = picture * 0.8 + 20
    assert find_cards(canvas) == []
    found = measure_photo(repainted(plain(), np.repeat(canvas[..., None], 3, axis=2)), "seat")
    assert found.refused is not None
    assert found.refused.code == "no_card"
    assert not found.characteristics


def test_a_small_noisy_far_card_is_looked_for_longer_when_it_is_needed():
    rng = np.random.default_rng(1)
    bench = np.full((1500, 2000), 120.0)
    for name, px_per_mm, top, left in (("D", 8.0, 0, 50), ("C", 1.6, 800, 600)):
        size = [round(side * px_per_mm) for side in CARDS[name].outside_mm]
        print_ = cv2.resize(CARDS[name].picture(20), size, interpolation=cv2.INTER_AREA)
        bench[top : top + size[1], left : left + size[0]] = 40 + 0.5 * print_
    seen = cv2.GaussianBlur(bench, (0, 0), 0.9) + rng.normal(0, 8, bench.shape)
    grey = np.clip(seen, 0, 255).astype(np.uint8)
    assert [c.card.name for c in find_cards(grey)] == ["D"]
    assert [c.card.name for c in find_cards(grey, needed=("C", "D"))] == ["C", "D"]
