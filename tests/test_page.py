"""The page's pieces: the frame that edges are marked in, what the browser sends, launching."""

from __future__ import annotations

import io
import json
import re
import socket
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_bows import invent, photograph

from fitcheck.errors import BadInput
from fitcheck.findings.whole import find
from fitcheck.inspection import End
from fitcheck.measurement import Measurement, Note
from fitcheck.page import words
from fitcheck.page.compare_view import change_table, drawn_alike
from fitcheck.page.edge_editor import edited_lines, lines_to_begin_with, with_edit_taken
from fitcheck.page.launch import SETTINGS, launch, photos_to_show
from fitcheck.page.picture_frame import PictureFrame, frame_round
from fitcheck.page.pictures import piece_of, profile_across
from fitcheck.photo import Photo, read_photo
from fitcheck.views import VIEWS

ROOT = Path(__file__).parent.parent
EDGES = VIEWS["seat"].edges


# The piece of the photograph in which edges are marked


@pytest.mark.parametrize("quarters", range(4))
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_a_frame_shows_each_point_where_it_says(quarters: int, scale: float) -> None:
    frame = PictureFrame(left=30, top=10, width=120, height=80, quarters=quarters, scale=scale)
    photo = np.zeros((150, 200, 3), dtype=np.uint8)
    photo[40:44, 60:64] = 255  # centre (61.5, 41.5)
    picture = np.asarray(frame.take(photo), dtype=np.float64)[..., 0]
    assert picture.shape == frame.size_px[::-1]
    rows, columns = np.indices(picture.shape)
    seen = ((columns * picture).sum() / picture.sum(), (rows * picture).sum() / picture.sum())
    assert frame.from_photo((61.5, 41.5)) == pytest.approx(seen, abs=0.02)
    assert frame.to_photo(frame.from_photo((61.5, 41.5))) == pytest.approx((61.5, 41.5))


def test_a_frame_lets_no_point_leave_the_photograph() -> None:
    frame = PictureFrame(0, 0, 120, 80, 1, 1.0)
    assert frame.to_photo((-500, -500)) == (119.0, 0.0)
    assert frame.to_photo((500, 500)) == (0.0, 79.0)


@pytest.mark.parametrize("name", ["seat-001", "seat-004"])
def test_the_seat_is_framed_tip_up(name: str) -> None:
    known = json.loads((ROOT / "sample_images" / f"{name}.json").read_text(encoding="utf-8"))
    lines = {edge: (tuple(a), tuple(b)) for edge, (a, b) in known["edges_px"].items()}
    frame = frame_round(lines, (known["width"], known["height"]))
    height_of = {
        edge: np.mean([frame.from_photo(end)[1] for end in ends]) for edge, ends in lines.items()
    }
    left_of = {
        edge: np.mean([frame.from_photo(end)[0] for end in ends]) for edge, ends in lines.items()
    }
    assert height_of["limb_left"] < height_of["riser_left"]
    assert left_of["limb_left"] < left_of["limb_right"]
    assert max(frame.size_px) <= 2000


def test_without_edges_the_whole_photograph_is_framed() -> None:
    frame = frame_round({}, (4032, 3024))
    assert (frame.width, frame.height, frame.quarters) == (4032, 3024, 0)
    for view in VIEWS.values():
        lines = lines_to_begin_with(view.edges, {}, {}, frame)
        assert set(lines) == set(view.edges)


@pytest.mark.parametrize("quarters", range(4))
def test_a_piece_shows_the_same_place_at_full_resolution(quarters: int) -> None:
    rng = np.random.default_rng(2)
    photo = rng.integers(0, 255, (160, 240, 3), dtype=np.uint8)
    frame = PictureFrame(20, 30, 200, 100, quarters, 0.25)
    whole = np.asarray(PictureFrame(20, 30, 200, 100, quarters, 1.0).take(photo))
    piece = np.asarray(piece_of(frame, 40, 16, 50).take(photo))
    assert np.array_equal(piece, whole[16:66, 40:90])
    corner = piece_of(frame, 9000, 9000, 50)  # kept inside the frame
    assert np.array_equal(np.asarray(corner.take(photo)), whole[-50:, -50:])


def lit(pixels: np.ndarray) -> Photo:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG")
    return read_photo(buffer.getvalue(), "drawn.png")


def test_the_profile_across_an_edge_has_its_step_where_the_edge_is() -> None:
    pixels = np.full((700, 900, 3), 40, dtype=np.uint8)
    pixels[:, 450:] = 220  # the edge lies at 449.5
    across, light = profile_across(lit(pixels), ((440.0, 600.0), (440.0, 100.0)), 30.0)
    step = across[np.argmax(np.abs(np.diff(light)))]
    assert step == pytest.approx(9.25, abs=0.3)
    assert light[0] < 0.03 < 0.7 < light[-1]  # positive to the right, going up the picture
    across, _ = profile_across(lit(pixels), ((5.0, 600.0), (5.0, 100.0)), 30.0)
    assert not len(across)  # it would leave the picture


# What the browser sends


def test_lines_come_back_in_pixels_of_the_photograph() -> None:
    frame = PictureFrame(100, 50, 400, 300, 0, 0.5)
    state = {
        "edit": {
            "revision": "7",
            "lines": [{"id": "limb_left", "ends": [[9.5, 9.5], [9.5, 99.5]]}],
        }
    }
    lines = edited_lines(state, frame, "7", EDGES)
    assert lines == {"limb_left": ((119.5, 69.5), (119.5, 249.5))}
    assert edited_lines(state, frame, "8", EDGES) is None  # an editor that is no more
    assert edited_lines({"edit": {"revision": "7", "lines": []}}, frame, "7", EDGES) == {}


@pytest.mark.parametrize(
    "edit",
    [
        None,
        "text",
        {"revision": "7"},
        {"revision": "7", "lines": 3},
        {"revision": "7", "lines": [{"id": "limb_left"}]},
        {"revision": "7", "lines": [{"id": "limb_left", "ends": [[1, 2]]}]},
        {"revision": "7", "lines": [{"id": "limb_left", "ends": [[1, 2], [1, 2]]}]},
        {"revision": "7", "lines": [{"id": "limb_left", "ends": [[1, 2], [float("nan"), 90]]}]},
        {"revision": "7", "lines": [{"id": "limb_left", "ends": [["x", 2], [9, 90]]}]},
    ],
)
def test_anything_else_that_the_browser_sends_is_left_alone(edit: object) -> None:
    frame = PictureFrame(0, 0, 400, 300, 0, 1.0)
    assert edited_lines({"edit": edit}, frame, "7", EDGES) is None
    assert edited_lines(None, frame, "7", EDGES) is None


def test_lines_that_were_not_found_begin_on_their_own_side() -> None:
    frame = frame_round({}, (1000, 800))
    for from_the_tip in (False, True):
        lines = lines_to_begin_with(VIEWS["pad"].edges, {}, {}, frame, from_the_tip)
        (left, _), (right, _) = lines["riser_left"], lines["riser_right"]
        assert (left[0] > right[0]) == from_the_tip


def test_an_edit_leaves_alone_what_another_window_set_meanwhile() -> None:
    one, two, three = (((x, 0.0), (x, 9.0)) for x in (1.0, 2.0, 3.0))
    rounded = ((1.0 + 1e-9, 0.0), (1.0, 9.0))
    before, now = {"left": one}, {"left": two, "right": three}  # the other moved one, set one
    assert with_edit_taken(now, before, {"left": rounded, "butt": one}) == {
        "left": two,
        "right": three,
        "butt": one,
    }
    assert with_edit_taken(now, before, {"left": three})["left"] == three  # moved here, too
    assert with_edit_taken(now, before, {}) == {"right": three}  # undone here
    assert with_edit_taken({}, before, {"left": one}) == {}  # taken back there, not moved here


def test_an_edge_that_there_is_not_is_dropped() -> None:
    frame = PictureFrame(0, 0, 400, 300, 0, 1.0)
    edit = {"revision": "7", "lines": [{"id": "evil", "ends": [[1, 2], [9, 90]]}]}
    assert edited_lines({"edit": edit}, frame, "7", EDGES) == {}


def test_text_from_outside_stays_text() -> None:
    shown = words.text("<img src=x onerror=alert(1)>\N{RIGHT-TO-LEFT OVERRIDE}gpj.jpg")
    assert "<" not in shown
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in shown


# Launching


def test_both_ways_of_launching_have_the_same_settings() -> None:
    file = tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    flat = {f"{section}.{key}": v for section, keys in file.items() for key, v in keys.items()}
    assert flat == SETTINGS
    assert flat["server.address"] == "127.0.0.1"
    assert flat["browser.gatherUsageStats"] is False


def test_a_port_that_is_taken_is_said_so() -> None:
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        busy.listen()
        with pytest.raises(BadInput, match=r"Port \d+ cannot be used"):
            launch(busy.getsockname()[1], open_browser=False)
    with pytest.raises(BadInput, match="no port 70000"):
        launch(70000, open_browser=False)


def test_photographs_to_open_with_are_found(tmp_path: Path) -> None:
    (tmp_path / "b.JPG").write_bytes(b"")
    (tmp_path / "a.png").write_bytes(b"")
    (tmp_path / "notes.txt").write_bytes(b"")
    numbers = tmp_path / "measurements.json"
    numbers.write_text('[{"photo": "b.JPG"}]', encoding="utf-8")
    assert [p.name for p in photos_to_show(tmp_path)] == ["a.png", "b.JPG"]
    assert photos_to_show(numbers) == [tmp_path / "b.JPG"]
    assert photos_to_show([tmp_path / "a.png"]) == [tmp_path / "a.png"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadInput, match="no photograph"):
        photos_to_show(tmp_path / "empty")
    numbers.write_text("nonsense", encoding="utf-8")
    with pytest.raises(BadInput, match="does not hold measurements"):
        photos_to_show(numbers)


def test_before_and_after_has_a_row_for_every_number_and_marks_the_doubtful() -> None:
    bow = photograph(invent(3, "pad"), "both cards", 3)
    found = [photo.measurement for photo in bow.photos]
    before = find(bow, found)
    doubt = Note("edge_uneven", "An edge is uneven.", "Look at it.")
    seen = [
        replace(m, warnings=(doubt,)) if p.view == "pad" and p.end == "upper" else m
        for p, m in zip(bow.photos, found, strict=True)
    ]
    table = change_table(before, find(bow, seen))
    rows = re.findall(r"<tr>(.*?)</tr>", table)[1:]
    assert len(rows) == len(before.findings)
    for place in ("upper pad", "lower pad", "grip"):
        assert sum(f"string at the {place}" in row for row in rows) == 1
    (upper,) = [row for row in rows if "Upper end" in row and "pad squareness" in row]
    (lower,) = [row for row in rows if "Lower end" in row and "pad squareness" in row]
    assert (upper.count("⚠"), lower.count("⚠")) == (2, 0)  # its value, and its change
    before_cell, *doubted = re.findall(r"<td data-label=.*?</td>", upper)
    assert "⚠" not in before_cell
    assert all("⚠" in cell for cell in doubted)


def test_before_and_after_are_named_where_the_table_is_stacked() -> None:
    bow = photograph(invent(3, "pad"), "both cards", 3)
    seen = find(bow, [photo.measurement for photo in bow.photos])
    table = change_table(seen, seen)
    assert "fc-labelled" in table
    for row in re.findall(r"<tr>(.*?)</tr>", table)[1:]:
        assert re.findall(r'<td data-label="(\w+)">', row) == ["Before", "After", "Change"]
        assert row.count("<td") == 3


def test_before_and_after_are_drawn_by_one_factor() -> None:
    bow = photograph(invent(3, "pad"), "both cards", 3)
    found = [photo.measurement for photo in bow.photos]

    def ten_times(m: Measurement) -> Measurement:
        return replace(
            m, characteristics=tuple(replace(c, value=10 * c.value) for c in m.characteristics)
        )

    small, large = find(bow, found), find(bow, [ten_times(m) for m in found])
    for kind in ("Overhangs", "Angles"):
        alone = {_factors(kind, drawn_alike([f])) for f in (small, large)}
        assert len(alone) == 2  # else the test says nothing
        assert len(set(_factors(kind, drawn_alike([small, large])))) == 1


def _factors(kind: str, drawn: list[list[tuple[End, str]]]) -> tuple[str, ...]:
    said = [re.findall(kind + r" drawn (to scale|\d+ ×)", svg) for of in drawn for _, svg in of]
    assert any(said)
    return tuple(one for found in said for one in found)


def test_where_uncertainty_comes_from_has_a_column_for_every_number() -> None:
    bow = photograph(invent(3, "pad"), "both cards", 3)
    (found,) = [p.measurement for p in bow.photos if p.view == "seat" and p.end == "upper"][:1]
    head, *rows = re.findall(r"<tr>(.*?)</tr>", words.budget_table(found.characteristics))
    columns = re.findall(r'<th scope="col">(.*?)</th>', head)
    assert len(columns) == 1 + len(found.characteristics)
    names = [re.findall(r'data-label="(.*?)"', row) for row in rows]
    assert all(labels == columns[1:] for labels in names)
    *sources, together, expanded = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in rows]
    for at, one in enumerate(found.characteristics):
        given = [row[at] for row in sources if row[at] != "–"]
        assert [float(g.removesuffix(" ▲")) for g in given] == pytest.approx(
            list(one.budget.values()), abs=5.1e-4
        )
        (largest,) = [g for g in given if g.endswith("▲")]
        assert float(largest[:-2]) == max(float(g.removesuffix(" ▲")) for g in given)
        assert float(together[at]) == pytest.approx(one.standard_uncertainty, abs=5.1e-4)
        assert expanded[at].startswith("±")
