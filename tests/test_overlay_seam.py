"""A seam's ends enlarged: level, the lines where they are, the seam itself left free to see."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image, ImageDraw

from fitcheck.measurement import CardSeen, Characteristic, Edge, Measurement
from fitcheck.overlay import LIMB_COLOUR, RISER_COLOUR, annotate
from fitcheck.overlay_seam import CLEAR, OF_LENGTH, seam_close_ups
from fitcheck.written import report_entry

LIMB_GREY, RISER_GREY, GAP_GREY = 180, 90, 10
LENGTH, OPEN = 400.0, 8.0  # px: the seam's length, its opening at the riser's end
SIDE = 480


def drawn_joint(angle_deg: float, mirrored: bool = False) -> tuple[np.ndarray, Measurement]:
    """A joint in flat greys, turned by an angle: shut at the butt, open at the riser's end."""
    a = math.radians(angle_deg)
    along, up = np.array([math.cos(a), math.sin(a)]), np.array([math.sin(a), -math.cos(a)])
    if mirrored:
        along = along * [-1.0, 1.0]
        up = up * [-1.0, 1.0]
    middle = np.array([400.0, 300.0])

    def at(x: float, y: float) -> tuple[float, float]:
        px = middle + x * along + y * up
        return float(px[0]), float(px[1])

    image = Image.new("RGB", (800, 600), (LIMB_GREY,) * 3)
    draw = ImageDraw.Draw(image)
    half = LENGTH / 2
    draw.polygon([at(-900, 0), at(900, 0), at(900, -900), at(-900, -900)], fill=(RISER_GREY,) * 3)
    draw.polygon([at(-half, 0), at(half, 0), at(half, OPEN)], fill=(GAP_GREY,) * 3)
    found = (
        Characteristic("gap_butt", 0.0, "mm", 0.02, (0.0, 0.04), {"edge": 0.02}),
        Characteristic("gap_end", 0.8, "mm", 0.02, (0.76, 0.84), {"edge": 0.02}),
    )
    card = CardSeen("B", 28, 0.05, (at(-600, -40), at(600, -40), at(600, -280), at(-600, -280)))
    edges = (
        Edge("pad_line", (at(-half, 0), at(half, 0)), 0.02),
        Edge("limb_line", (at(-half, 0), at(half, OPEN)), 0.02),
    )
    pixels = np.asarray(image)
    return pixels, Measurement(
        "drawn.png",
        "joint",
        cards=(card,),
        edges=edges,
        characteristics=found,
        size_px=image.size,
    )


def rows_of(picture: np.ndarray, colour: tuple[int, int, int], column: int) -> np.ndarray:
    off = np.abs(picture[:, column].astype(float) - colour).sum(axis=1)
    return np.flatnonzero(off < 150)


@pytest.mark.parametrize(("angle", "mirrored"), [(0, False), (3, False), (-5, True)])
def test_lines_lie_on_the_seam_and_leave_its_middle_free(angle, mirrored):
    pixels, measurement = drawn_joint(angle, mirrored)
    pictures = seam_close_ups(pixels, measurement, side_px=SIDE)
    assert list(pictures) == ["butt", "end"]
    scale = SIDE / (OF_LENGTH * LENGTH)
    end = pictures["end"]
    assert end.shape == (SIDE, SIDE, 3)
    # Beside its end, where both lines are measured: so far apart as the seam is open there.
    column = SIDE // 5 if not mirrored else SIDE - SIDE // 5
    inward = (SIDE / 2 - SIDE / 5) / scale  # px of the photograph, from the riser's end
    apart = OPEN * (1 - inward / LENGTH) * scale
    limb, pad = (rows_of(end, c, column).mean() for c in (LIMB_COLOUR, RISER_COLOUR))
    assert pad - limb == pytest.approx(apart, abs=3)
    # In the middle the seam is as the photograph shows it: wood, dark gap, wood, no line.
    inner = SIDE // 2 + (-1 if not mirrored else 1) * round(0.3 * CLEAR * SIDE)
    strip = end[SIDE // 3 : 2 * SIDE // 3, inner].astype(float)
    assert np.ptp(strip, axis=1).max() < 12  # greys alone
    dark = np.flatnonzero(strip[:, 0] < (GAP_GREY + RISER_GREY) / 2)
    assert len(dark) == pytest.approx(OPEN * scale, rel=0.15)


def test_names_stand_on_their_own_side_of_the_seam(monkeypatch):
    said: dict[str, float] = {}
    original = ImageDraw.ImageDraw.text

    def text(self, xy, text, *args, **kwargs):
        said[text] = float(xy[1])
        return original(self, xy, text, *args, **kwargs)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    pixels, measurement = drawn_joint(0)
    shut = replace(
        measurement,
        edges=tuple(replace(e, pixels=((200, 300), (600, 300))) for e in measurement.edges),
    )
    for one in (measurement, shut):
        seam_close_ups(pixels, one)
        assert said["limb line"] < said["pad line"]
    assert "At the butt: 0.00 mm ± 0.04 mm" in said
    assert any(words.startswith("At the riser’s end: 0.80") for words in said)
    assert "1 mm" in said


def test_without_both_lines_there_is_nothing_to_enlarge():
    pixels, measurement = drawn_joint(0)
    assert seam_close_ups(pixels, replace(measurement, edges=measurement.edges[:1])) == {}
    assert seam_close_ups(pixels, replace(measurement, edges=())) == {}
    nowhere = Edge("limb_line", ((math.nan, 0.0), (1.0, 1.0)), 0.02)
    assert (
        seam_close_ups(pixels, replace(measurement, edges=(measurement.edges[0], nowhere))) == {}
    )


def test_report_of_a_seam_shows_its_lines_and_both_ends():
    pixels, measurement = drawn_joint(0)
    photo = SimpleNamespace(pixels=pixels, sha256="0" * 64)
    entry = report_entry(photo, measurement)
    assert set(entry.close_up_jpegs) == {"butt", "end"}
    bare = report_entry(photo, replace(measurement, edges=(), cards=()))
    for one, drawn in ((entry, True), (bare, False)):
        with Image.open(io.BytesIO(one.annotated_jpeg)) as image:
            picture = np.asarray(image.convert("RGB")).astype(float)
        for colour in (LIMB_COLOUR, RISER_COLOUR):
            assert bool((np.abs(picture - colour).sum(axis=2) < 120).sum() > 100) is drawn
    assert bare.close_up_jpegs == {}


def test_only_a_seat_is_said_to_have_its_tip_up(monkeypatch):
    words: list[str] = []
    original = ImageDraw.ImageDraw.text

    def text(self, xy, text, *args, **kwargs):
        words.append(text.strip())
        return original(self, xy, text, *args, **kwargs)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    edges = (
        Edge("riser_left", ((500, 400), (500, 200)), 0.02),
        Edge("riser_right", ((300, 400), (300, 200)), 0.02),
    )
    pixels = np.full((600, 800, 3), 120, dtype=np.uint8)
    for view, marked in (("seat", True), ("pad", False)):
        words.clear()
        annotate(pixels, Measurement("p.png", view, edges=edges, size_px=(800, 600)))
        assert ("Limb tip" in words) is marked
