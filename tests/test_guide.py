"""The drawing of the seat photograph is sound, legible and true to the cards."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.guide import seat_guide_svg

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def drawing() -> ElementTree.Element:
    return ElementTree.fromstring(seat_guide_svg())  # noqa: S314 (our own drawing)


def words(drawing: ElementTree.Element) -> dict[str, ElementTree.Element]:
    return {"".join(e.itertext()): e for e in drawing.iter(f"{SVG}text")}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it, of a colour like #1d2730."""
    parts = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def view_box(drawing: ElementTree.Element) -> tuple[float, float]:
    left, top, width, height = map(float, drawing.get("viewBox", "").split())
    assert (left, top) == (0, 0)
    return width, height


def test_is_one_svg_that_fills_its_place(drawing: ElementTree.Element) -> None:
    assert drawing.tag == f"{SVG}svg"
    assert drawing.get("width") == "100%"
    assert view_box(drawing)[0] == 360


def test_tells_its_content_to_a_screen_reader(drawing: ElementTree.Element) -> None:
    assert drawing.get("role") == "img"
    title, desc = drawing.find(f"{SVG}title"), drawing.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert drawing.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
    for word in ("Card A", "Card B", "butt line", "bolt", "tip", "40 cm", "flash"):
        assert word in (desc.text or "")


def test_ids_are_its_own(drawing: ElementTree.Element) -> None:
    ids = [e.get("id", "") for e in drawing.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert all(i.startswith("seat-guide-") for i in ids)


@pytest.mark.parametrize("name", ["A", "B"])
def test_card_is_drawn_as_it_is_printed(drawing: ElementTree.Element, name: str) -> None:
    card = CARDS[name]
    group = drawing.find(f".//{SVG}g[@id='seat-guide-card-{name}']")
    assert group is not None
    # One scale for both directions, and x turned toward the tip: up.
    move = r"translate\(([\d.]+) ([\d.]+)\) rotate\(-90\) scale\(([\d.]+)\)"
    assert re.fullmatch(move, group.get("transform", ""))
    outside, black = group.find(f"{SVG}rect"), group.find(f"{SVG}path")
    assert outside is not None
    assert black is not None
    size = float(outside.get("width", 0)), float(outside.get("height", 0))
    assert size == card.outside_mm
    assert (outside.get("x"), outside.get("y")) == (f"{-MARGIN_MM:g}", f"{-MARGIN_MM:g}")
    # Every plain black square is there, where the board has it.
    side = card.square_mm
    for row in range(card.squares_y):
        for column in range(row % 2, card.squares_x, 2):
            x, y = column * side, row * side
            square = f"M{x:.2f} {y:.2f}H{x + side:.2f}V{y + side:.2f}H{x:.2f}Z"
            assert square in black.get("d", "")
    across = [float(v) for v in re.findall(r"[MH]([\d.]+)", black.get("d", ""))]
    down = [float(v) for v in re.findall(r"(?:V|M[\d.]+ )([\d.]+)", black.get("d", ""))]
    assert (max(across), max(down)) == card.board_mm


def test_both_cards_have_the_same_scale(drawing: ElementTree.Element) -> None:
    cards = [g.get("transform", "") for g in drawing.iter(f"{SVG}g") if g.get("id")]
    assert len(cards) == 2
    assert len({re.sub(r"translate\(.*?\)", "", t) for t in cards}) == 1


def test_the_tip_is_up_and_left_is_left(drawing: ElementTree.Element) -> None:
    text = words(drawing)
    below = ["Limb tip", "Card A", "Limb bolt", "Butt line", "Card B", "Bow’s riser"]
    first_drawing = {}
    for element in drawing.iter(f"{SVG}text"):  # the cards are named in both drawings
        first_drawing.setdefault("".join(element.itertext()), float(element.get("y", 0)))
    heights = [first_drawing[name] for name in below]
    assert heights == sorted(heights)
    left, right = text["Overhang left"], text["Overhang right"]
    assert left.get("text-anchor") == "end"
    assert float(left.get("x", 0)) < view_box(drawing)[0] / 2 < float(right.get("x", 0))


def test_says_how_to_hold_the_phone(drawing: ElementTree.Element) -> None:
    said = " ".join(words(drawing))
    for needed in ("about 40 cm", "straight above the seam", "Both cards whole", "Even light"):
        assert needed in said
    assert "No flash" in said


def test_words_are_legible_and_inside(drawing: ElementTree.Element) -> None:
    width, height = view_box(drawing)
    background = drawing.find(f"{SVG}rect")
    assert background is not None
    assert float(background.get("width", 0)) == width
    assert float(background.get("height", 0)) == height
    paper = background.get("fill", "")
    for said, element in words(drawing).items():
        size, x = float(element.get("font-size", 0)), float(element.get("x", 0))
        assert size >= 13, said
        assert contrast(element.get("fill", ""), paper) >= 4.5, said  # WCAG 2.2, level AA
        room = {"end": x, "middle": 2 * min(x, width - x)}.get(
            element.get("text-anchor", "start"), width - x
        )
        # Letters as broad on average as in DejaVu Sans, the broadest face likely to be met.
        letter = 0.65 if element.get("font-weight") else 0.56
        assert len(said) * size * letter <= room, said
        assert 0 < float(element.get("y", 0)) < height, said
