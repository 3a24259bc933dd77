"""Lots on the page: start one, watch it, look at it; two minutes for one user."""

import time

import pytest

from fitcheck.page import lot_runs
from fitcheck.page.keeping import store
from fitcheck.page.lot_charts import control_chart, parts_chart, readings_chart
from tests.lot_pieces import jpeg, lot_values, small_lot, value
from tests.page_app import heading, opened, press, said
from tests.test_lots_findings import HOSTILE, usual_lot


@pytest.fixture(autouse=True)
def no_run_before():
    lot_runs._present.clear()
    yield
    run = lot_runs.present_run()
    if run is not None:
        run.stop()
        wait_for(run)


def wait_for(run):
    deadline = time.monotonic() + 120
    while not run.ended and time.monotonic() < deadline:
        time.sleep(0.05)
    assert run.ended


def test_the_way_from_the_first_page():
    app = press(opened(), "lots")
    assert heading(app) == "Lots of parts"
    assert "Measure a lot" in [one.label for one in app.expander]
    assert heading(press(app, "home")) == "What is on the bench?"


def test_a_lot_from_its_folder(tmp_path):
    folder = small_lot(tmp_path / "lot", 3)
    app = opened(lot="all")
    app.text_input(key="lot-folder").set_value(str(folder))
    app.text_input(key="lot-name").set_value("Monday’s pads")
    press(app, "start-lot")
    wait_for(lot_runs.present_run())
    app = opened(lot="all")
    assert "all 3 photographs are done" in said(app)
    press(app, "see-lot")
    assert heading(app) == "Lot: Monday’s pads"
    assert "none measured: every photograph was refused" in said(app)
    # The same folder once more goes on from what is there.
    app = opened(lot="all")
    app.text_input(key="lot-folder").set_value(str(folder))
    press(app, "start-lot")
    wait_for(lot_runs.present_run())
    assert "0 were measured now" in said(opened(lot="all"))


def test_a_lot_that_is_sent():
    app = opened(lot="all")
    files = [(f"P{i}-1.jpg", jpeg(str(i).encode()), "image/jpeg") for i in range(2)]
    files.append(("plan.csv", b"photo,part\nP0-1.jpg,left\nP1-1.jpg,right\n", "text/csv"))
    app.file_uploader[0].set_value(files).run()
    press(app, "start-lot")
    run = lot_runs.present_run()
    wait_for(run)
    shows = [one.shows["part"] for one in store().lots.photographs(run.identity)]
    assert shows == ["left", "right"]
    press(opened(lot="all"), f"remove-{run.identity}")
    assert run.identity not in [one.identity for one in store().lots.listed()]


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({}, "no photograph yet"),
        ({"lot-folder": "/nowhere/at/all"}, "cannot be read"),
        ({"lot-folder": ".", "lot-thickness": "thin"}, "is no number"),
        ({"lot-folder": ".", "lot-along": "100"}, "Only one of the two check bars"),
        ({"lot-folder": ".", "lot-limit-low": "1", "lot-limit-high": "0"}, "is not below"),
    ],
)
def test_wrong_input_gets_a_sentence(fields, says):
    app = opened(lot="all")
    for key, typed in fields.items():
        app.text_input(key=key).set_value(typed)
    press(app, "start-lot")
    assert says in said(app)
    assert lot_runs.present_run() is None


def test_a_measured_lot_in_full(tmp_path):
    from fitcheck.lots.tables import lot_json
    from fitcheck.lots.written import keep_lot

    lot, results = usual_lot(tmp_path)
    identity = keep_lot(store(), lot, results, lot_json(lot))
    app = opened(lot=identity)
    assert not app.exception
    told = said(app)
    for words in (
        "6 parts: 5 accepted, 1 rejected",
        "Repeatability of Rolf",
        "✗ Reject",
        "P1-Rolf-2",
    ):
        assert words in told, words
    assert len(app.get("download_button")) == 5


def test_no_such_lot():
    app = opened(lot="0" * 32)
    assert "There is no such lot" in said(app)


def test_two_minutes_need_photographs_that_can_be_measured():
    app = opened(lot="all")
    photos = [(f"{i}.jpg", jpeg(str(i).encode()), "image/jpeg") for i in range(3)]
    app.file_uploader[1].set_value(photos).run()
    press(app, "repeat")
    assert "0 measured photographs cannot tell" in said(app)


def test_charts_of_many_parts_and_hostile_names():
    from fitcheck.lots.analysis import analyse

    values = [*lot_values(400, ("A", "B"), 1), *(value(HOSTILE, 0.1, HOSTILE, i) for i in (1, 2))]
    (one,) = analyse(values)
    for chart in (parts_chart(one), readings_chart(one, values), *map_charts(one)):
        text = chart.to_json()
        assert len(text) < 400_000
        assert "\\u202e" not in text


def map_charts(one):
    return [control_chart(one, chart) for chart in one.charts]
