"""The whole job: an inspection file and its photographs to findings, record and report."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from reported import findings_html
from simulated_bows import invent, photograph
from test_report import HOSTILE, Page

from fitcheck import cli
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import find
from fitcheck.inspection import (
    Arrow,
    Bow,
    ConditionEntry,
    DrawPoint,
    EndReadings,
    Inspection,
    Limb,
    PhotoEntry,
    Readings,
    TillerReading,
)
from fitcheck.inspection_file import FILE_NAME, inspection_to_json
from fitcheck.quantities import quantity
from fitcheck.samples import samples


def q(text: str, unit: str = "mm"):
    return quantity(text, unit, "x")


def full_inspection(seed: int = 3, kind: str = "pad", protocol: str = "both cards") -> Inspection:
    """An invented bow with readings, condition and measurements instead of pictures."""
    return replace(
        photograph(invent(seed, kind), protocol, seed),
        customer="Invented Customer",
        complaint="lip on one side",
        bow=Bow(name="Invented recurve", mount="belly", marked_weight=q("50 lb", "lb")),
        readings=Readings(
            riser_length=q("19 in"),
            brace_height=q("7 1/2 in"),
            rest_height=q("3/16 in"),
            tiller=(TillerReading(q("7 7/16 in"), q("7 1/4 in")),),
            draw_points=tuple(
                DrawPoint(q(f"{d} in"), q(f"{f} lb", "lb"))
                for d, f in ((12, 12), (20, 30), (28, 50))
            ),
            arrows=(Arrow(q("480 gr", "gr"), "carbon", q("178 fps", "fps")),),
            ends={"lower": EndReadings(pad_width=q("1 3/4 in"), pins="tight")},
        ),
        condition=(ConditionEntry("crack_along", True, "A"), ConditionEntry("heat", False)),
    )


def write(folder: Path, inspection: Inspection) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    text = json.dumps(inspection_to_json(inspection), allow_nan=False)
    (folder / FILE_NAME).write_text(text, encoding="utf-8")
    return folder


def run(capsys, *arguments):
    status = cli.main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_inspect_without_pictures_writes_everything(tmp_path, capsys):
    folder = write(tmp_path / "bow", full_inspection())
    status, out, _ = run(capsys, "inspect", folder, "--out", tmp_path / "out")
    assert status == 0
    assert "riser’s pad at the lower end is at fault" in out
    assert "no proof of strength" in out
    found = json.loads((tmp_path / "out" / "findings.json").read_text(encoding="utf-8"))
    assert found["format"] == "fitcheck findings"
    assert found["faults"]["named"][0]["kind"] == "pad"
    assert found["faults"]["named"][0]["end"] == "lower"
    assert found["faults"]["named"][0]["probability"] > 0.95
    assert found["rework"]["steps"][0]["act"] == "prepare"
    measurements = json.loads((tmp_path / "out" / "measurements.json").read_text())
    assert len(measurements) == len(full_inspection().photos)
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    page = Page(html)
    assert "Invented Customer" in page.text
    assert "http" not in re.sub(r"http-equiv", "", html)
    # The same file and the folder that holds it give the same findings.
    status, _, _ = run(capsys, "inspect", folder / FILE_NAME, "--out", tmp_path / "again")
    again = json.loads((tmp_path / "again" / "findings.json").read_text(encoding="utf-8"))
    assert again == found


def test_first_page_is_for_the_owner_and_the_bench_comes_behind():
    inspection = full_inspection()
    html = findings_html(find(inspection, [p.measurement for p in inspection.photos]))
    page = Page(html)
    first, _, bench = page.text.partition("For the bench")
    for words in (
        "Can it be shot?",
        "What was looked at",
        "What was found",
        "Which part it is",
        "What is proposed",
        "What was not looked at",
        "Score:",
        "no proof of strength",
    ):
        assert words in first, words
    for words in (
        "Rework, step by step",
        "Bound:",
        "Stop and measure:",
        "Score, with its arithmetic",
        "Each part’s share",
        "String line",
        "Bench readings",
        "Limits in force",
        "Condition",
        "from memory",
    ):
        assert words in bench, words
    headings = [e for e, _ in page.elements if re.fullmatch(r"h[1-6]", e)]
    assert headings[0] == "h1"
    assert "h2" in headings


def test_every_number_of_the_table_carries_its_uncertainty():
    inspection = full_inspection()
    page = Page(findings_html(find(inspection, [p.measurement for p in inspection.photos])))
    rows = [r for r in page.rows if len(r) == 6 and ("end" in r[0] or r[0] == "Whole bow")]
    assert len(rows) >= 12
    for row in rows:
        assert "±" in row[2], row
        assert "good" in row[3]
        assert "%" in row[4]


def test_the_draw_curve_is_drawn_with_words_for_those_who_do_not_see_it():
    inspection = full_inspection()
    html = findings_html(find(inspection, [p.measurement for p in inspection.photos]))
    page = Page(html)
    (svg,) = page.all("svg")
    assert svg["role"] == "img"
    assert "50 lb at 28 in" in svg["aria-label"]
    assert len(page.all("circle")) == 4  # brace and three points


def test_hostile_words_are_shown_and_not_obeyed(tmp_path, capsys):
    inspection = full_inspection()
    name = HOSTILE[:60].replace("\ud800", "")
    hostile = replace(
        inspection,
        customer=HOSTILE,
        complaint=HOSTILE,
        bow=replace(inspection.bow, name=HOSTILE),
        limbs=(Limb(name), Limb("B")),
        as_received={"upper": name, "lower": "B"},
        photos=tuple(
            replace(p, limb=name if p.limb == "A" else p.limb, note=HOSTILE)
            for p in inspection.photos
        ),
        condition=(ConditionEntry("heat", True, name, note=HOSTILE),),
        readings=replace(inspection.readings, arrows=(Arrow(q("480 gr", "gr"), HOSTILE),)),
    )
    status, out, _ = run(
        capsys, "inspect", write(tmp_path / "bow", hostile), "--out", tmp_path / "out"
    )
    assert status == 0
    assert "\u202e" not in out
    assert "\x07" not in out
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    page = Page(html)
    assert not page.all("script")
    assert not page.all("img")
    assert "\u202e" not in html
    assert "<script>alert(1)</script>" in page.text


def test_the_json_holds_only_json():
    for kind, protocol in (("none", "as received"), ("exchanged", "everything")):
        inspection = full_inspection(5, kind, protocol)
        found = find(inspection, [p.measurement for p in inspection.photos])
        raw = findings_to_json(found)
        assert json.loads(json.dumps(raw, allow_nan=False)) == raw


@pytest.mark.parametrize(
    "inspection",
    [
        Inspection(),
        Inspection(limbs=(Limb("A"),)),
        Inspection(limbs=(Limb("A"), Limb("B")), as_received={"upper": "A", "lower": "B"}),
        Inspection(purpose="new pads"),
    ],
)
def test_an_inspection_with_nothing_in_it_says_so(inspection):
    found = find(inspection, [])
    assert found.fitness.use == "cannot be said yet"
    assert found.bow_score is None
    text = Page(findings_html(found)).text
    assert "Nothing was measured" in text
    assert "Not scored" in text


def test_where_nobody_said_which_limb_sat_where_the_photographs_say_it():
    inspection = replace(full_inspection(), as_received={})
    found = find(inspection, [p.measurement for p in inspection.photos])
    assert found.inspection.as_received == {"upper": "A", "lower": "B"}


def test_refused_photographs_are_named(tmp_path, capsys):
    from fitcheck.measurement import Measurement, Note

    inspection = full_inspection()
    refused = Measurement("x.jpg", "pad", refused=Note("no_card", "No card was found.", "Retake."))
    photos = (*inspection.photos, PhotoEntry("x.jpg", "pad", "upper", measurement=refused))
    folder = write(tmp_path / "bow", replace(inspection, photos=photos))
    status, out, _ = run(capsys, "inspect", folder, "--out", tmp_path / "out")
    assert status == 3
    assert "Not measured: x.jpg. No card was found. Retake." in out


def test_bad_files_are_one_sentence(tmp_path, capsys):
    status, out, err = run(capsys, "inspect", tmp_path / "none", "--out", tmp_path / "out")
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert "cannot be read" in err
    (tmp_path / FILE_NAME).write_text('{"format": "x"}', encoding="utf-8")
    status, _, err = run(capsys, "inspect", tmp_path, "--out", tmp_path / "out")
    assert status == 2
    assert "not an inspection" in err


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path, capsys):
    folder = write(tmp_path / "bow", full_inspection())
    (tmp_path / "file").write_text("x", encoding="utf-8")
    status, _, err = run(capsys, "inspect", folder, "--out", tmp_path / "file")
    assert status == 2
    assert "could not be written" in err


@pytest.fixture(scope="module")
def photographed(tmp_path_factory) -> Path:
    """A folder with real photographs of two seats, one that is no picture and one without card."""
    folder = tmp_path_factory.mktemp("bow")
    entries = []
    for end, limb, sample in zip(("upper", "lower"), "AB", samples(), strict=True):
        shutil.copy(sample.path, folder)
        entries.append(PhotoEntry(sample.path.name, "seat", end, limb))
    (folder / "broken.jpg").write_bytes(b"\xff\xd8\xff no picture")
    Image.fromarray(np.full((1500, 2000, 3), 128, np.uint8)).save(folder / "grey.jpg")
    entries += [PhotoEntry("broken.jpg", "seat", "upper", "A")]
    entries += [PhotoEntry("grey.jpg", "seat", "upper", "A")]
    entries += [PhotoEntry("missing.jpg", "seat", "lower", "B")]
    thickness = samples()[0].setup.thickness_given_mm
    return write(
        folder,
        Inspection(
            limbs=(Limb("A"), Limb("B")),
            as_received={"upper": "A", "lower": "B"},
            card_thickness=q(f"{thickness} mm"),
            check_bars=(q("100 mm"), q("100 mm")),
            photos=tuple(entries),
        ),
    )


def test_inspect_measures_photographs(photographed, tmp_path, capsys):
    status, out, err = run(capsys, "inspect", photographed, "--out", tmp_path)
    assert status == 2  # one file is no picture, one is missing
    assert "Measuring 3 photographs" in err
    found = json.loads((tmp_path / "findings.json").read_text(encoding="utf-8"))
    by_file = {p["file"]: p for p in found["photographs"]}
    assert by_file["grey.jpg"]["refused"]["code"] == "no_card"
    assert not by_file["broken.jpg"]["measured"]
    assert not by_file["missing.jpg"]["measured"]
    values = {(v["name"], v["end"]): v for v in found["values"]}
    for end, sample in zip(("upper", "lower"), samples(), strict=True):
        for side in ("left", "right"):
            got = values[f"overhang_{side}", end]
            truth = sample.truth[f"overhang_{side}"]
            assert abs(got["value"] - truth) < max(0.2, 3 * got["standard_uncertainty"])
    assert "proud" in out
    page = Page((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert "Photo 1: upper end, limb A, seat" in page.text
    assert len(page.all("img")) >= 4


def test_links_that_lead_out_are_not_followed(tmp_path, capsys):
    folder = tmp_path / "bow"
    outside = samples()[0].path
    folder.mkdir()
    (folder / "link.jpg").symlink_to(outside)
    write(
        folder,
        Inspection(limbs=(Limb("A"),), photos=(PhotoEntry("link.jpg", "seat", "upper", "A"),)),
    )
    status, out, _ = run(capsys, "inspect", folder, "--out", tmp_path / "out")
    assert status == 2
    assert "lies outside" in out


def test_lines_of_the_file_are_measured_near_or_taken_as_they_lie(tmp_path, capsys):
    sample = samples()[0]
    known = json.loads(sample.path.with_suffix(".json").read_text(encoding="utf-8"))
    lines = {n: tuple(map(tuple, known["edges_px"][n])) for n in ("limb_left", "limb_right")}
    photo = PhotoEntry(
        sample.path.name, "seat", end="upper", limb="A", hints=lines, as_given=("limb_left",)
    )
    folder = write(tmp_path / "bow", Inspection(limbs=(Limb("A"),), photos=(photo,)))
    shutil.copy(sample.path, folder)
    assert run(capsys, "inspect", folder, "--out", tmp_path / "out")[0] == 0
    (found,) = json.loads((tmp_path / "out" / "measurements.json").read_text(encoding="utf-8"))
    origins = {edge["edge"]: edge["origin"] for edge in found["edges"]}
    assert origins["limb_left"] == "given"
    assert origins["limb_right"] == "hint"
    assert origins["riser_left"] == "search"
    text = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8")).text
    assert "limb, left edge (as it was drawn by hand, not measured)" in text
    assert "The left side of the limb is the line as it was drawn by hand" in text
