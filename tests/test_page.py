"""The page: each step says what it should, and nothing that was given is lost."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from fitcheck.errors import BadInput
from fitcheck.page import measuring, words
from fitcheck.page.edge_editor import edited_lines, lines_to_begin_with
from fitcheck.page.inspection import MOST_PHOTOS, Inspection, Readings
from fitcheck.page.keeping import store, visit
from fitcheck.page.launch import OPEN_VARIABLE, SETTINGS, launch, photos_to_show
from fitcheck.page.lengths import length_mm
from fitcheck.page.picture_frame import PictureFrame, frame_round
from fitcheck.samples import sample_photos
from fitcheck.setup import Setup
from fitcheck.views import VIEWS

ROOT = Path(__file__).parent.parent
SCRIPT = ROOT / "fitcheck" / "page" / "page.py"
EDGES = VIEWS["seat"].edges


def jpeg(width: int = 800, height: int = 640) -> bytes:
    """A picture with no card in it."""
    buffer = io.BytesIO()
    grain = np.random.default_rng(1).integers(60, 200, (height, width, 3), dtype=np.uint8)
    Image.fromarray(grain).save(buffer, "JPEG")
    return buffer.getvalue()


# Typed lengths


@pytest.mark.parametrize(
    ("typed", "mm"),
    [
        ("1.02", 1.02),
        (" 1,02 mm ", 1.02),
        (".5", 0.5),
        ("-0.3", -0.3),
        ("−0.3 mm", -0.3),
        ("0.040 in", 1.016),
        ('0.040"', 1.016),
        ("3/64", 1.190625),
        ("1 3/16 in", 30.1625),
        ("1-3/16 inches", 30.1625),
        ("3/4 mm", 0.75),
    ],
)
def test_lengths_are_read_as_they_are_said_at_the_bench(typed: str, mm: float) -> None:
    assert length_mm(typed, "It") == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize("typed", ["", "   "])
def test_an_empty_field_is_not_measured(typed: str) -> None:
    assert length_mm(typed, "It") is None


@pytest.mark.parametrize(
    "typed", ["a bit", "1.0.2", "1/0", "nan", "inf", "1e3", "1 cm", "1 2 3", "--1", "1/2/3"]
)
def test_what_is_not_a_length_is_said_to_be_none(typed: str) -> None:
    with pytest.raises(BadInput, match=r"The card is given as .* not a length") as error:
        length_mm(typed, "The card")
    assert "1/64 in" in error.value.advice


# What a visitor has


def test_readings_become_the_setup_of_the_measurement() -> None:
    readings = Readings("0.040 in", "99.7", "99,85", "-0.4")
    assert readings.setup() == Setup(1.016, (99.7, 99.85), -0.4)
    assert Readings().setup() == Setup()


def test_one_check_bar_alone_is_not_taken() -> None:
    with pytest.raises(BadInput, match="Only one of the two check bars") as error:
        Readings(bar_along="99.7").setup()
    assert "measure both" in error.value.advice


def test_an_impossible_reading_is_refused_by_the_measurement_itself() -> None:
    with pytest.raises(BadInput, match=r"check bar along the cards is given as 9\.97 mm"):
        Readings(bar_along="9.97", bar_across="100").setup()


def test_the_same_photograph_is_kept_once_and_removed_whole() -> None:
    inspection = Inspection()
    first, again = inspection.add("a.jpg", b"one"), inspection.add("copy.jpg", b"one")
    other = inspection.add("b.jpg", b"two")
    assert first == again
    assert [p.name for p in inspection.photos.values()] == ["a.jpg", "b.jpg"]
    inspection.mark(other, {"limb_left": ((0, 0), (0, 9))})
    inspection.titles[other] = "upper"
    inspection.remove(other)
    assert inspection.chosen == first
    assert not inspection.hints
    assert not inspection.titles


def test_photographs_are_limited() -> None:
    inspection = Inspection()
    for i in range(MOST_PHOTOS):
        inspection.add(f"{i}.jpg", str(i).encode())
    inspection.add("0.jpg", b"0")
    with pytest.raises(BadInput, match=r"one-more\.jpg was not taken in"):
        inspection.add("one-more.jpg", b"one more")


def test_inspections_are_found_again_by_their_name_only() -> None:
    begun = visit(store(), "", "one device")
    begun.inspection.add("a.jpg", jpeg())
    begun.inspection.readings.thickness = "1.02"
    begun.save()
    again = visit(store(), begun.identity, "another device")
    assert again.identity == begun.identity
    assert [p.data for p in again.inspection.photos.values()] == [jpeg()]
    assert again.inspection.readings.thickness == "1.02"
    assert visit(store(), "guessed", "a stranger").identity != "guessed"
    assert not visit(store(), "guessed", "a stranger").inspection.photos


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
    lines = lines_to_begin_with({}, {}, frame)
    assert set(lines) == set(EDGES)


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


# The steps


def opened(**query: str) -> AppTest:
    app = AppTest.from_file(str(SCRIPT), default_timeout=60)
    for key, value in query.items():
        app.query_params[key] = value
    return app.run()


def press(app: AppTest, key: str) -> AppTest:
    app.button(key=key).click().run()
    assert not app.exception
    return app


def heading(app: AppTest) -> str:
    return str(app.header[0].value)


def said(app: AppTest) -> str:
    """All words of the page's own pieces, without markup, pictures and style."""
    bodies = [piece.body for piece in app.html if not piece.body.startswith("<style>")]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", " ".join(bodies)))


def uploaded(app: AppTest, *files: tuple[str, bytes]) -> AppTest:
    app.file_uploader[0].set_value([(name, data, "image/jpeg") for name, data in files]).run()
    assert not app.exception
    return app


def name_of(app: AppTest) -> str:
    """Name of the inspection, as it stands in the page's address."""
    value = app.query_params["inspection"]
    return value if isinstance(value, str) else value[0]


def inspection_of(app: AppTest) -> Inspection:
    inspection = app.session_state["inspection"]
    assert isinstance(inspection, Inspection)
    return inspection


@pytest.fixture(scope="module")
def samples_measured() -> str:
    """Name of an inspection that holds the measured samples, as it stands in the address."""
    app = press(opened(), "sample-first")
    assert heading(app) == "4 · See the edges"
    return name_of(app)


def test_it_begins_with_the_cards_and_nothing_to_see() -> None:
    app = opened()
    assert not app.exception
    assert heading(app) == "1 · Print the reference cards"
    assert "100 %" in said(app)
    assert len(app.get("download_button")) == 2
    assert [app.button(key=f"bar-{n}").disabled for n in range(1, 7)] == [False] * 3 + [True] * 3


def test_a_step_without_a_photograph_leads_to_taking_one() -> None:
    app = opened(step="5")
    assert heading(app) == "3 · Take the photograph"
    assert "unstring the bow with a stringer" in said(app)
    assert "next" not in [button.key for button in app.button]
    assert heading(opened(step="99")) == "1 · Print the reference cards"


def test_the_sheets_are_pdf() -> None:
    assert measuring.card_sheet("a4").startswith(b"%PDF")
    assert measuring.card_sheet("letter") != measuring.card_sheet("a4")


def test_what_is_not_measured_is_said_with_its_consequence() -> None:
    text = said(opened(step="2"))
    assert "Not measured: taken as 0.3 mm, give or take 0.4 mm" in text
    assert "Not measured: taken as true to size, give or take 0.4 %" in text


def test_a_reading_is_kept_though_next_is_pressed_at_once() -> None:
    app = opened(step="2")
    app.text_input(key="reading-thickness").set_value("0.040 in")
    press(app, "next")
    assert heading(app) == "3 · Take the photograph"
    press(app, "back")
    assert app.text_input(key="reading-thickness").value == "0.040 in"
    assert "Read as 1.016 mm, 0.0400 in" in said(app)
    assert inspection_of(app).readings.setup() == Setup(1.016)


def test_a_bad_reading_is_said_and_nothing_is_measured_with_it() -> None:
    app = opened(step="2")
    app.text_input(key="reading-bar_along").set_value("a bit short").run()
    assert "“a bit short”, which is not a length" in said(app)
    press(app, "next")
    uploaded(app, ("blank.jpg", jpeg()))
    assert "not a length" in said(app)
    assert "Card A was not found" not in said(app)
    press(app, "correct")
    assert heading(app) == "2 · What you measured"


def test_refused_photographs_are_said_and_the_rest_goes_on() -> None:
    app = opened(step="3")
    name = "<b>[x](y).jpg"
    uploaded(app, ("blank.jpg", jpeg()), (name, b"nonsense " * 40))
    text = said(app)
    assert "Card A was not found in the photograph." in text
    assert "retake from about 40 cm" in text
    assert "&lt;b&gt;[x](y).jpg is not a JPEG, PNG, TIFF, WebP or HEIC picture." in text
    assert not any(name in piece.body for piece in app.html)
    for _ in range(2):
        press(app, "next")
        assert "Card A was not found" in said(app)
    assert not app.toggle  # nothing to mark an edge on
    press(app, "next")
    assert len(app.get("download_button")) == 2


def test_an_uploaded_photograph_is_measured_kept_and_found_again() -> None:
    photo = sample_photos()[0]
    app = uploaded(opened(step="3"), (photo.name, photo.read_bytes()))
    assert "Needs rework" in said(app)
    press(app, "bar-1")
    press(app, "bar-5")
    assert re.search(r"Overhang, left \+1\.[67]\d mm", said(app))
    assert "Not measured: the card’s thickness and the check bars." in said(app)
    after_reload = opened(inspection=name_of(app), step="5")
    assert "Overhang, left" in said(after_reload)
    press(app, "bar-3")
    press(app, f"remove-{next(iter(inspection_of(app).photos))}")
    assert not inspection_of(app).photos
    assert app.button(key="bar-4").disabled


def test_the_samples_are_measured_with_their_own_readings(samples_measured: str) -> None:
    app = opened(inspection=samples_measured, step="5")
    text = said(app)
    assert re.search(r"Overhang, left \+1\.[67]\d mm ± 0\.\d+ mm limb proud \+1/16 in", text)
    assert "✗ does not conform , rework needed" in text
    assert "Good up to 0.40 mm (1/64 in): within it with a probability of under 0.1 %" in text
    assert "Not measured" not in text  # the samples' readings are known
    assert "Fit is no proof of strength" in text
    for name in ("Limb width", "Riser width", "Sideways offset", "Sideways angle", "Face step"):
        assert name in text
    app.selectbox[0].set_value(list(inspection_of(app).photos)[1]).run()
    assert re.search(r"Overhang, right \+1\.[67]\d? mm", said(app))


def test_no_step_calls_a_bow_fit_to_shoot(samples_measured: str) -> None:
    for step in range(1, 7):
        text = said(opened(inspection=samples_measured, step=str(step))).lower()
        assert "safe" not in text
        assert "fit to shoot" not in text


def test_an_edge_marked_by_hand_is_measured_there(samples_measured: str) -> None:
    app = opened(inspection=samples_measured, step="4")
    app.selectbox[0].set_value(next(iter(inspection_of(app).photos))).run()
    app.toggle[0].set_value(True).run()
    assert not app.exception
    sha256, frame, lines, _, revision = app.session_state["editing"]
    moved = [[x + 1, y] for x, y in map(frame.from_photo, lines["limb_left"])]
    edit = {"revision": revision, "lines": [{"id": "limb_left", "ends": moved}]}
    # What the component would send is put in its place: the test runner has no browser.
    inspection_of(app).mark(sha256, edited_lines({"edit": edit}, frame, revision, EDGES) or {})
    app.run()
    assert "Limb, left edge : measured from your line." in said(app)
    assert re.search(r"proud of the riser by 1\.[67]\d mm on the left", said(app))
    press(app, "reset-edges")
    assert "measured from your line" not in said(app)
    assert not inspection_of(app).hints


def test_the_report_holds_what_was_typed(samples_measured: str) -> None:
    app = opened(inspection=samples_measured, step="6")
    app.text_input(key="report-bow").set_value("Longbow <62 in>").run()
    app.text_area[0].set_value("came in for rework").run()
    inspection = inspection_of(app)
    first = next(iter(inspection.photos))
    app.text_input(key=f"title-{first}").set_value("Upper limb").run()
    measured = [measuring.result_of(inspection, p) for p in inspection.photos.values()]
    page = measuring.report_file(inspection, measured).decode("utf-8")
    for words_ in ("Longbow &lt;62 in&gt;", "came in for rework", "Upper limb", "Overhang, left"):
        assert words_ in page
    numbers = json.loads(measuring.numbers_file(measured))
    assert [m["photo"] for m in numbers] == [p.name for p in sample_photos()]
    assert numbers[0]["characteristics"][0]["name"] == "overhang_left"


def test_it_opens_with_the_photographs_it_was_launched_with(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv(OPEN_VARIABLE, os.pathsep.join(map(str, sample_photos())))
    app = opened()
    assert heading(app) == "4 · See the edges"
    assert "The limb stands proud of the riser by 1." in said(app)
    monkeypatch.setenv(OPEN_VARIABLE, "/nowhere/gone.jpg")
    app = opened()
    assert heading(app) == "1 · Print the reference cards"
    assert "gone.jpg cannot be read" in said(app)


def test_an_error_nobody_foresaw_is_a_plain_sentence(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(_: str) -> bytes:
        raise RuntimeError("inner detail")

    monkeypatch.setattr(measuring, "card_sheet", fail)
    app = opened()
    assert not app.exception
    assert "Something went wrong inside fitcheck." in said(app)
    assert "inner detail" not in said(app)
    assert "inner detail" in caplog.text


def test_an_error_in_one_photograph_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("inner detail")

    monkeypatch.setattr(measuring, "measure_photo", fail)
    app = uploaded(opened(step="3"), ("odd.jpg", jpeg(900)))
    assert "fitcheck met an error of its own in this photograph." in said(app)
    assert "inner detail" not in said(app)
