"""The drawn pictures show the edges where they are, the right way up, and hide nothing."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from fitcheck.measurement import Characteristic, Edge, Measurement
from fitcheck.overlay import LIMB_COLOUR, RISER_COLOUR, annotate, close_ups, to_jpeg
from fitcheck.units import uncertainty_text, value_text

SAMPLES = Path(__file__).parent.parent / "sample_images"
LIMB_GREY, RISER_GREY, LEFT_BENCH, RIGHT_BENCH = 60, 140, 200, 230
LIP_LEFT, LIP_RIGHT = 10.0, 4.0  # px: limb proud on the left, riser proud on the right
HALF, LONG = 80.0, 200.0  # px: half the riser's width, length of each part that is drawn


def characteristic(name: str, value: float, unit: str = "mm", u: float = 0.03) -> Characteristic:
    return Characteristic(name, value, unit, u, (value - 1.96 * u, value + 1.96 * u), {"edge": u})


def drawn_seat(angle_deg: float) -> tuple[np.ndarray, Measurement]:
    """A seat drawn in flat greys on a wide picture, tip turned clockwise from up by the angle."""
    a = math.radians(angle_deg)
    tipward = np.array([math.sin(a), -math.cos(a)])
    rightward = np.array([math.cos(a), math.sin(a)])
    middle = np.array([450.0, 330.0])

    def at(x: float, y: float) -> tuple[float, float]:
        px = middle + x * rightward + y * tipward
        return float(px[0]), float(px[1])

    image = Image.new("RGB", (900, 660), (LEFT_BENCH,) * 3)
    draw = ImageDraw.Draw(image)
    draw.polygon([at(0, -900), at(900, -900), at(900, 900), at(0, 900)], fill=(RIGHT_BENCH,) * 3)
    limb_left, limb_right = -HALF - LIP_LEFT, HALF - LIP_RIGHT
    for left, right, foot, head, grey in (
        (-HALF, HALF, -900.0, 0.0, RISER_GREY),
        (limb_left, limb_right, 0.0, 900.0, LIMB_GREY),
    ):
        corners = [at(left, foot), at(right, foot), at(right, head), at(left, head)]
        draw.polygon(corners, fill=(grey,) * 3)
    edges = (
        Edge("limb_left", (at(limb_left, 20), at(limb_left, LONG)), 0.02),
        Edge("limb_right", (at(limb_right, 20), at(limb_right, LONG)), 0.02),
        Edge("riser_left", (at(-HALF, -LONG), at(-HALF, -20)), 0.02),
        Edge("riser_right", (at(HALF, -LONG), at(HALF, -20)), 0.02),
        Edge("butt_line", (at(limb_left, 0), at(HALF, 0)), 0.03),
    )
    px_per_mm = 4.0
    found = (
        characteristic("overhang_left", LIP_LEFT / px_per_mm),
        characteristic("overhang_right", -LIP_RIGHT / px_per_mm),
        characteristic("limb_width", (limb_right - limb_left) / px_per_mm),
    )
    measurement = Measurement(
        "drawn.png", "seat", edges=edges, characteristics=found, size_px=image.size
    )
    return np.asarray(image), measurement


def sample(name: str) -> tuple[np.ndarray, Measurement]:
    """A sample photograph, measured as its truth says."""
    truth = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    with Image.open(SAMPLES / f"{name}.jpg") as image:
        pixels = np.asarray(image.convert("RGB"))
    ends = {edge: [tuple(p) for p in points] for edge, points in truth["edges_px"].items()}
    butt = tuple(
        tuple(np.mean([ends[f"riser_{side}"][1], ends[f"limb_{side}"][0]], axis=0))
        for side in ("left", "right")
    )
    edges = [Edge(edge, (points[0], points[1]), 0.02) for edge, points in ends.items()]
    found = [
        characteristic(n, truth["truth"][n])
        for n in ("overhang_left", "overhang_right", "limb_width", "riser_width")
    ]
    return pixels, Measurement(
        truth["photo"],
        "seat",
        edges=(*edges, Edge("butt_line", butt, 0.03)),
        characteristics=tuple(found),
        size_px=(truth["width"], truth["height"]),
    )


def near(pixels: np.ndarray, colour: tuple[int, int, int], within: float = 60) -> np.ndarray:
    return np.abs(pixels.astype(float) - colour).sum(axis=2) < within


def drawn_words(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Collect everything that is written on pictures from here on."""
    words: list[str] = []
    original = ImageDraw.ImageDraw.text

    def text(self, xy, text, *args, **kwargs):
        words.append(text)
        return original(self, xy, text, *args, **kwargs)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    return words


@pytest.mark.parametrize("angle", [0, 90, 180, 270, 7, -94])
def test_tip_is_up_and_left_is_left(angle):
    pixels, measurement = drawn_seat(angle)
    picture = annotate(pixels, measurement, max_side=1000)
    assert picture.dtype == np.uint8
    assert max(picture.shape[:2]) <= 1000
    assert picture.shape[0] > picture.shape[1]  # a seat is longer than it is wide
    height, width = picture.shape[:2]
    # What was drawn, at places where no word or line is: limb above, riser below.
    assert abs(int(picture[height // 4, width // 2, 0]) - LIMB_GREY) < 8
    assert abs(int(picture[3 * height // 4, width // 2, 0]) - RISER_GREY) < 8
    assert abs(int(picture[height // 8, int(0.2 * width), 0]) - LEFT_BENCH) < 8
    assert abs(int(picture[height // 8, int(0.8 * width), 0]) - RIGHT_BENCH) < 8


@pytest.mark.parametrize("angle", [0, 90, 200])
def test_lines_lie_on_the_edges_and_let_them_show(angle):
    pixels, measurement = drawn_seat(angle)
    picture = annotate(pixels, measurement, max_side=1000)
    # A row through the limb, between the labels and the far end.
    row = picture[int(0.2 * picture.shape[0])].astype(float)
    orange = np.flatnonzero(near(row[None], LIMB_COLOUR, 150)[0])
    dark = np.flatnonzero(np.abs(row[:, 0] - LIMB_GREY) < 15)
    left, right = dark.min(), dark.max()
    scale = (right - left) / (2 * HALF + LIP_LEFT - LIP_RIGHT)
    assert 1 < scale < 4
    for edge in (left, right):
        assert np.abs(orange - edge).min() <= 4  # on the edge, two pixels of the photograph
    assert len(orange) < 12  # and thin: bench and limb begin right beside it


def test_order_of_an_edges_ends_does_not_matter():
    pixels, measurement = drawn_seat(30)
    turned = tuple(replace(e, pixels=(e.pixels[1], e.pixels[0])) for e in measurement.edges[1:3])
    other = replace(measurement, edges=(measurement.edges[0], *turned, *measurement.edges[3:]))
    np.testing.assert_array_equal(annotate(pixels, measurement), annotate(pixels, other))


def test_without_edges_the_photograph_is_only_reduced():
    pixels, measurement = drawn_seat(0)
    bare = replace(measurement, edges=())
    assert annotate(pixels, bare, max_side=450).shape == (330, 450, 3)
    np.testing.assert_array_equal(annotate(pixels, bare), pixels)
    assert close_ups(pixels, bare) == {}


def test_without_a_butt_line_it_is_taken_between_the_parts():
    pixels, measurement = drawn_seat(0)
    without = replace(measurement, edges=measurement.edges[:4])
    whole = close_ups(pixels, measurement)["left"].astype(int)
    taken = close_ups(pixels, without)["left"].astype(int)
    side = whole.shape[0]
    corner = (slice(int(0.15 * side), int(0.4 * side)), slice(int(0.6 * side), side))
    assert np.abs(whole[corner] - taken[corner]).max() <= 8


def test_photograph_stays_as_it_was():
    pixels, measurement = drawn_seat(0)
    before = pixels.copy()
    pixels.flags.writeable = False
    annotate(pixels, measurement)
    close_ups(pixels, measurement)
    np.testing.assert_array_equal(pixels, before)


@pytest.mark.parametrize("angle", [0, 90, 180, 45])
def test_close_up_shows_the_lip_at_its_size(angle):
    pixels, measurement = drawn_seat(angle)
    pictures = close_ups(pixels, measurement)
    assert set(pictures) == {"left", "right"}
    for side, lip in (("left", LIP_LEFT), ("right", -LIP_RIGHT)):
        picture = pictures[side]
        height, width = picture.shape[:2]
        assert height == width >= 600
        # Just under the butt line both lines are drawn dashed: take a few rows together.
        rows = picture[int(0.51 * height) : int(0.56 * height)]
        orange = np.flatnonzero(near(rows, LIMB_COLOUR, 150).any(axis=0))
        blue = np.flatnonzero(near(rows, RISER_COLOUR, 150).any(axis=0))
        assert len(orange) > 0
        assert len(blue) > 0
        span_px = 0.28 * (2 * HALF + LIP_LEFT)
        scale = width / span_px
        outward = -1 if side == "left" else 1
        shown = outward * (np.median(orange) - np.median(blue)) / scale
        assert shown == pytest.approx(lip, abs=0.35)  # a third of a pixel of the photograph


def test_close_up_of_a_side_that_was_not_measured_is_left_out():
    pixels, measurement = drawn_seat(0)
    some = tuple(e for e in measurement.edges if e.edge != "limb_right")
    assert set(close_ups(pixels, replace(measurement, edges=some))) == {"left"}


def test_big_lip_is_seen_whole():
    pixels, measurement = drawn_seat(0)
    limb_left = measurement.edges[0]
    moved = replace(limb_left, pixels=tuple((x - 60, y) for x, y in limb_left.pixels))
    picture = close_ups(pixels, replace(measurement, edges=(moved, *measurement.edges[1:])))[
        "left"
    ]
    assert near(picture, LIMB_COLOUR, 120).any()
    assert near(picture, RISER_COLOUR, 120).any()


def test_words_come_from_the_record_and_can_be_written(monkeypatch):
    pixels, measurement = drawn_seat(0)
    words = drawn_words(monkeypatch)
    annotate(pixels, measurement)
    close_ups(pixels, measurement)
    written = " | ".join(words)
    for found in measurement.characteristics[:2]:
        spread = found.expanded_uncertainty
        assert value_text(found.value, spread, "mm").replace("−", "-") in words
        assert uncertainty_text(spread, "mm") in words
    for word in ("Left side", "Right side", "limb proud", "riser proud", "10 mm", "1 mm"):
        assert word in written
    font = ImageFont.load_default(size=30)
    missing = bytes(font.getmask("\N{SNOWMAN}"))  # the box for letters that the face lacks
    for letter in set(written) - {" "}:
        assert bytes(font.getmask(letter)) != missing, letter


def test_level_sides_are_not_called_proud(monkeypatch):
    pixels, measurement = drawn_seat(0)
    words = drawn_words(monkeypatch)
    level = (characteristic("overhang_left", 0.02), characteristic("overhang_right", -0.02))
    annotate(pixels, replace(measurement, characteristics=level))
    assert words.count("about level") == 2
    assert "10 mm" not in words  # no width was measured: no scale is claimed


def test_edges_that_cannot_be_drawn_are_passed_over():
    pixels, measurement = drawn_seat(0)
    wrong = (
        Edge("limb_left", ((math.nan, 0.0), (1.0, 1.0)), 0.1),
        Edge("limb_right", ((5.0, 5.0), (5.0, 5.0)), 0.1),
        Edge("unheard_of", ((0.0, 0.0), (5.0, 5.0)), 0.1),
    )
    assert annotate(pixels, replace(measurement, edges=wrong)).shape == pixels.shape
    far = Edge("riser_left", ((-4e4, 9e4), (3e4, -8e4)), 0.1)  # far outside the photograph
    picture = annotate(pixels, replace(measurement, edges=(*measurement.edges[:2], far)))
    assert max(picture.shape[:2]) <= 2000


@pytest.mark.parametrize("name", ["seat-001", "seat-004"])
def test_sample_photographs(name):
    pixels, measurement = sample(name)
    picture = annotate(pixels, measurement)
    assert picture.shape[0] == 2000
    assert 900 < picture.shape[1] < 1700
    for side, close_up in close_ups(pixels, measurement).items():
        height, width = close_up.shape[:2]
        limb_row = close_up[int(0.2 * height)].astype(float).mean(axis=1)
        inner, outer = limb_row[int(0.7 * width) :], limb_row[: int(0.25 * width)]
        if side == "right":
            inner, outer = limb_row[: int(0.3 * width)], limb_row[int(0.75 * width) :]
        assert inner.mean() < outer.mean() - 40  # dark limb inside, light bench outside
    assert len(to_jpeg(picture)) < 1_000_000


def test_jpeg_keeps_the_picture():
    pixels, measurement = drawn_seat(0)
    picture = annotate(pixels, measurement, max_side=800)
    jpeg = to_jpeg(picture, 92)
    with Image.open(io.BytesIO(jpeg)) as image:
        assert image.format == "JPEG"
        back = np.asarray(image.convert("RGB"))
    assert back.shape == picture.shape
    assert np.abs(back.astype(int) - picture).mean() < 2


def test_bad_input_says_what_was_expected():
    pixels, measurement = drawn_seat(0)
    with pytest.raises(ValueError, match="RGB picture"):
        annotate(pixels[:, :, 0], measurement)
    with pytest.raises(ValueError, match="float64"):
        close_ups(pixels.astype(float), measurement)
    with pytest.raises(ValueError, match="at least 400"):
        annotate(pixels, measurement, max_side=100)
    with pytest.raises(ValueError, match="quality"):
        to_jpeg(pixels, 100)
