"""Lots on the page: start one, watch it, look at it; two minutes for one user."""

import time

import pytest

from fitcheck.lots.course import courses
from fitcheck.lots.tables import lot_json
from fitcheck.lots.telling import ENGLISH, Telling
from fitcheck.lots.written import keep_lot
from fitcheck.page import lot_runs
from fitcheck.page.keeping import store
from fitcheck.page.lot_charts import control_chart, course_chart, parts_chart, readings_chart
from fitcheck.page.units_shown import SETTING
from tests.lot_pieces import SAMPLE, jpeg, lengths, lot_values, of_length, small_lot, value
from tests.page_app import heading, opened, press, said
from tests.test_lots_findings import HOSTILE, kept_lot, occasion, usual_lot


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
        ({"lot-folder": ".", "lot-thickness": "thin"}, "which is not a length"),
        ({"lot-folder": ".", "lot-limit-high": "0.3 mm"}, "mm is no unit of angle"),
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


def test_a_lot_is_stopped_and_gone_on_with(tmp_path):
    folder = small_lot(tmp_path / "lot", 60)
    app = opened(lot="all")
    app.text_input(key="lot-folder").set_value(str(folder))
    press(app, "start-lot")
    run = lot_runs.present_run()
    press(app, "stop-lot")
    wait_for(run)
    assert run.done < 60
    assert f"Stopped after {run.done} of 60 photographs" in said(opened(lot="all"))
    app = opened(lot="all")
    app.text_input(key="lot-folder").set_value(str(folder))
    press(app, "start-lot")
    again = lot_runs.present_run()
    wait_for(again)
    assert again.done == 60
    assert again.fresh <= 60 - run.done
    store().lots.remove(again.identity)


def test_one_lot_at_a_time(tmp_path, monkeypatch):
    monkeypatch.setattr(lot_runs, "_present", [lot_runs.LotRun("Monday’s pads", 9)])
    app = opened(lot="all")
    app.text_input(key="lot-folder").set_value(str(small_lot(tmp_path / "lot", 1)))
    press(app, "start-lot")
    assert "The lot Monday’s pads is being measured" in said(app)


def test_no_such_lot():
    app = opened(lot="0" * 32)
    assert "There is no such lot" in said(app)


def test_two_minutes_need_photographs_that_can_be_measured():
    app = opened(lot="all")
    photos = [(f"{i}.jpg", jpeg(str(i).encode()), "image/jpeg") for i in range(3)]
    app.file_uploader[1].set_value(photos).run()
    press(app, "repeat")
    assert "0 measured photographs cannot tell" in said(app)


def test_two_minutes_tell_how_photographs_repeat():
    app = opened(lot="all")
    names = [f"P03-ines-{i}.jpg" for i in (1, 2, 3)]
    photos = [(name, (SAMPLE / name).read_bytes(), "image/jpeg") for name in names]
    app.file_uploader[1].set_value(photos).run()
    for key, typed in (("thickness", "0.8"), ("along", "100.15"), ("across", "100.1")):
        app.text_input(key=f"repeat-{key}").set_value(typed)
    press(app, "repeat")
    told = said(app)
    assert "Pad squareness: 3 readings, mean" in told
    assert "Of the tolerance it takes" in told
    assert "What would help most" in told


def test_charts_of_many_parts_and_hostile_names():
    from fitcheck.lots.analysis import analyse

    values = [*lot_values(400, ("A", "B"), 1), *(value(HOSTILE, 0.1, HOSTILE, i) for i in (1, 2))]
    (one,) = analyse(values)
    for chart in (
        parts_chart(one, ENGLISH),
        readings_chart(one, values, ENGLISH),
        *map_charts(one),
    ):
        text = chart.to_json()
        assert len(text) < 400_000
        assert "\\u202e" not in text


def map_charts(one):
    return [control_chart(one, chart, ENGLISH) for chart in one.charts]


# ---- inches ------------------------------------------------------------------------------


@pytest.fixture
def inches():
    store().keep_setting(SETTING, "in", "tests")
    yield
    store().keep_setting(SETTING, "mm", "tests")


def kept_lengths(tmp_path):
    found = [(v.part, v.operator, v.repeat, of_length(v)) for v in lengths()]
    lot, results = kept_lot(tmp_path, found)
    return keep_lot(store(), lot, results, lot_json(lot)), lot


@pytest.mark.usefixtures("inches")
def test_a_lot_of_lengths_follows_the_switch(tmp_path):
    identity, _ = kept_lengths(tmp_path)
    app = opened(lot=identity)
    assert not app.exception
    told = said(app)
    assert "Tolerance: −0.0315 in to 0.0315 in" in told
    assert " in ± 0.00" in told  # each part
    assert "Six gauge std. dev. of tolerance" in told
    body = told.partition("Take care")[0]
    assert " mm" not in body.replace("card’s thickness, mm", "")
    charts = [one.proto.spec for one in app.get("vega_lite_chart")]
    assert any("Overhang, left, in" in one for one in charts)
    assert not [one for one in charts if ", mm" in one]


@pytest.mark.usefixtures("inches")
def test_fields_take_what_is_shown(tmp_path, monkeypatch):
    begun = []

    def start(_, plan, out, tolerances):
        begun.append((plan, out, tolerances))
        return lot_runs.LotRun(plan.name, 1, ended=True)

    monkeypatch.setattr("fitcheck.page.lots.start_run", start)
    app = opened(lot="all")
    app.selectbox(key="lot-view").set_value("seat").run()
    assert "Card’s thickness, inch" in [one.label for one in app.text_input]
    for key, typed in {
        "lot-folder": str(small_lot(tmp_path / "lot", 1)),
        "lot-thickness": "1/32",
        "lot-along": "3.94",
        "lot-across": "100 mm",
        "lot-limit-low": "-1/64 in",
        "lot-limit-high": "0.02",
    }.items():
        app.text_input(key=key).set_value(typed)
    press(app, "start-lot")
    ((plan, _, tolerances),) = begun
    assert plan.view == "seat"
    assert plan.setup.thickness_given_mm == pytest.approx(25.4 / 32)
    assert plan.setup.bars_mm == pytest.approx((100.076, 100.0))
    limits = tolerances["overhang_left"]
    assert (limits.low, limits.high) == pytest.approx((-25.4 / 64, 0.508))


def test_charts_are_drawn_in_the_unit_that_is_shown():
    from fitcheck.lots.analysis import analyse

    (one,) = analyse(lengths())
    in_mm, in_inch = (parts_chart(one, Telling("en", units)).to_dict() for units in ("mm", "in"))
    first = [chart["layer"][0]["data"]["values"][0]["low"] for chart in (in_mm, in_inch)]
    assert first[0] == pytest.approx(25.4 * first[1])


# ---- drift -------------------------------------------------------------------------------


def test_cards_and_lens_over_time(tmp_path):
    def small(when, residual):
        found = [
            (f"P{i}", "", 1, of_card(f"{i}.jpg", residual * (1 + 0.05 * (i % 3))))
            for i in range(6)
        ]
        lot, results = kept_lot(tmp_path / when, found, date=when, name="pads")
        return keep_lot(store(), lot, results, lot_json(lot))

    identities = [small("2026-10-01", 0.03), small("2026-10-02", 0.031), small("2026-10-03", 0.08)]
    try:
        told = said(opened(lot=identities[-1]))
        assert "Cards and lens have changed" in told
        assert "Card C fits" in told
        app = opened(lot=identities[1])
        assert "Cards and lens over time" in [one.label for one in app.expander]
        assert "have changed" not in said(app)  # what came later tells nothing of its time
    finally:
        for identity in identities:
            store().lots.remove(identity)


def of_card(name, residual):
    from tests.lot_pieces import measurement

    return measurement(name, 0.1, residual=residual)


def test_a_course_is_drawn_with_its_limits():
    found = courses([occasion("2026-11-10"), occasion("2026-11-11", seed=2, residual=0.06)])
    chart = course_chart(found[0]).to_dict()
    first, second = chart["data"]["values"]
    assert first["upper"] is None
    assert second["upper"] == pytest.approx(0.045, rel=0.1)
    assert second["change"] == "a change is told"
    assert second["low"] < second["value"] < second["high"]
