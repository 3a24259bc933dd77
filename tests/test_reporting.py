"""The written report: one model, every form of it, on ordinary, empty and hostile inspections."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import shutil
import subprocess
import zipfile
from dataclasses import replace
from datetime import date
from importlib.resources import files
from pathlib import Path

import jsonschema
import pypdfium2
import pytest
from PIL import Image
from test_inspecting import full_inspection
from test_report import Page

from fitcheck.errors import BadInput
from fitcheck.findings.whole import find
from fitcheck.inspecting import load_photos, measure_inspection
from fitcheck.inspection import Bow, Inspection
from fitcheck.inspection_file import inspection_from_json, inspection_to_json
from fitcheck.photo import Photo, load_photo
from fitcheck.reporting.as_csv import COLUMNS, safe_cell
from fitcheck.reporting.as_json import schema
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import document_of
from fitcheck.reporting.earlier import kept_from_json, kept_of
from fitcheck.reporting.model import Report
from fitcheck.reporting.shop import Shop, logo_png
from fitcheck.reporting.written_report import CSV, HTML, JSON, PDF, ZIP, Wishes, write_forms
from fitcheck.samples import samples

DAY = date(2026, 11, 25)
HOSTILE = (
    '#set page(fill: red) *bold* $x^2$ #eval("1") <label> @ref [content] \\ // /* '
    "<script>alert(1)</script> <img src=x onerror=alert(1)> {{ 7*7 }} "
    "\u202eright to left\u202c \u200f \u0000 \U0001f3f9 \U0001f1e9\U0001f1ea 漢字 "
)
LONG = "Eibenlangbogen" * 360  # 5,040 letters without a blank


def report_of(inspection: Inspection, photos: dict[int, Photo] | None = None, **more) -> Report:
    findings = find(inspection, [p.measurement for p in inspection.photos])
    return build_report(findings, photos or {}, issued=DAY, **more)


def forms_of(report: Report, **wishes) -> dict[str, bytes]:
    return write_forms(report, Wishes(**wishes), {})


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    pages = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    return "\n".join(pages).replace("\r\n", "\n")


def words_of(text: str) -> str:
    """Text without its line breaks, hyphens at their ends and zero-width spaces."""
    text = re.sub("[\u00ad\u200b\ufffe]|￾", "", text)
    return re.sub(r"\s+", "", text.replace("-\n", ""))


@pytest.fixture(scope="module")
def plain_report() -> Report:
    return report_of(full_inspection())


@pytest.fixture(scope="module")
def plain_forms(plain_report) -> dict[str, bytes]:
    return forms_of(plain_report)


def test_every_form_says_the_same_in_the_same_order(plain_report, plain_forms):
    document = document_of(plain_report)
    headings = [b.text for b in document.blocks if type(b).__name__ == "Heading"]
    assert headings[0] == "Inspection of a takedown bow: Invented recurve"
    pdf, html = text_of(plain_forms[PDF]), Page(plain_forms[HTML].decode()).text
    for text in (pdf, html):
        squeezed, at = words_of(text), 0
        for heading in headings:
            found = squeezed.find(words_of(heading), at)
            assert found >= 0, heading
            at = found
    record = json.loads(plain_forms[JSON])
    assert [b["text"] for b in record["text"]["blocks"] if b["block"] == "heading"] == headings


def test_first_page_is_for_the_customer(plain_forms):
    document = pypdfium2.PdfDocument(plain_forms[PDF])
    first = document[0].get_textpage().get_text_bounded()
    document.close()
    for heading in (
        "What was looked at",
        "What was found",
        "Score:",
        "Can it be shot?",
        "What is proposed",
        "What it will change",
        "What was not looked at",
        "Take care",
        "Date, signature",
    ):
        assert heading in first, heading
    assert "For the bench" not in first


def test_json_validates_against_the_schema_that_ships(plain_forms):
    record = json.loads(plain_forms[JSON])
    validator = jsonschema.Draft202012Validator(schema())
    validator.check_schema(schema())
    validator.validate(record)
    # The schema does refuse: a number without its uncertainty, an unknown field.
    for spoil in (
        lambda r: r["characteristics"][0].pop("expanded_uncertainty"),
        lambda r: r["characteristics"][0].update(value="1.7"),
        lambda r: r.update(extra=1),
        lambda r: r["photographs"][0].update(sha256="12"),
    ):
        broken = json.loads(plain_forms[JSON])
        spoil(broken)
        assert not validator.is_valid(broken)


def test_every_value_of_the_model_stands_in_json_csv_and_pdf(plain_report, plain_forms):
    record = json.loads(plain_forms[JSON])
    rows = list(csv.DictReader(io.StringIO(plain_forms[CSV].decode("utf-8-sig"))))
    assert len(rows) == len(record["characteristics"]) == len(plain_report.lines)
    assert tuple(rows[0]) == COLUMNS
    for line, row, one in zip(plain_report.lines, rows, record["characteristics"], strict=True):
        assert float(row["value"]) == pytest.approx(line.value, abs=1e-6) == one["value"]
        assert float(row["expanded_uncertainty_95"]) == pytest.approx(
            line.expanded_uncertainty, abs=1e-6
        )
        assert row["verdict"] == line.verdict == one["verdict"]
        if line.unit == "mm":
            assert float(row["value_in"]) == pytest.approx(line.value / 25.4, abs=1e-6)
    text = words_of(text_of(plain_forms[PDF]))
    values = [
        words_of(cell.lines[0].text)
        for block in document_of(plain_report).blocks
        if type(block).__name__ == "Table"
        for row in block.rows
        for cell in row
        if "±" in cell.lines[0].text and len(cell.lines[0].text) < 60
    ]
    assert len(values) > len(plain_report.lines)
    missing = [value for value in values if value not in text]
    assert not missing


def test_the_same_report_gives_the_same_files(plain_report, plain_forms):
    assert forms_of(plain_report) == plain_forms


def test_pdf_is_tagged_and_says_its_language_and_title(plain_forms):
    pdf = plain_forms[PDF]
    document = pypdfium2.PdfDocument(pdf)
    assert document.is_tagged()
    assert document.get_metadata_dict()["Title"].startswith("Inspection of a takedown bow")
    document.close()
    assert b"pdfuaid" in pdf


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="poppler is not installed")
def test_figures_have_alternative_texts_and_tables_are_tables(tmp_path):
    seats = samples()
    photos = {0: load_photo(seats[0].path)}
    inspection = with_photo(full_inspection(), "seat.jpg")
    path = tmp_path / "report.pdf"
    path.write_bytes(write_forms(report_of(inspection, photos), Wishes(), {})[PDF])
    tree = subprocess.run(
        [shutil.which("pdfinfo"), "-struct-text", str(path)], capture_output=True, check=True
    ).stdout.decode("utf-8", "replace")
    assert len(re.findall(r"^\s*H1", tree, re.M)) >= 3
    assert "TH" in tree
    assert "Table" in tree
    figures = re.findall(r"^\s*Figure.*$", tree, re.M)
    assert figures
    raw = pypdfium2.PdfDocument(path)
    with_text = sum(
        len(re.findall(r"Photograph 1, |Line of force over draw", element_texts(page)))
        for page in raw
    )
    raw.close()
    assert with_text >= 2


def element_texts(page) -> str:
    """Alternative texts of all elements of a page's structure tree, joined."""
    import ctypes

    raw = pypdfium2.raw
    tree = raw.FPDF_StructTree_GetForPage(page)
    said: list[str] = []

    def visit(element) -> None:
        size = raw.FPDF_StructElement_GetAltText(element, None, 0)
        if size:
            buffer = ctypes.create_string_buffer(size)
            raw.FPDF_StructElement_GetAltText(element, buffer, size)
            said.append(buffer.raw.decode("utf-16-le").rstrip("\0"))
        for i in range(raw.FPDF_StructElement_CountChildren(element)):
            child = raw.FPDF_StructElement_GetChildAtIndex(element, i)
            if child:
                visit(child)

    for i in range(raw.FPDF_StructTree_CountChildren(tree)):
        child = raw.FPDF_StructTree_GetChildAtIndex(tree, i)
        if child:
            visit(child)
    raw.FPDF_StructTree_Close(tree)
    return "\n".join(dict.fromkeys(said))


def with_photo(inspection: Inspection, name: str) -> Inspection:
    """The inspection with its first seat's measurement put down to a photograph."""
    photos = list(inspection.photos)
    photos[0] = replace(photos[0], file=name)
    assert photos[0].measurement is not None
    return replace(inspection, photos=tuple(photos))


@pytest.mark.parametrize("code", ["en", "de"])
def test_hostile_text_is_shown_and_never_obeyed(code):
    bad = HOSTILE + "=1+1\n+2\n@x"
    inspection = replace(
        full_inspection(),
        customer=bad + LONG,
        complaint=bad,
        note=LONG,
        reference="=cmd|' /C calc'!A0",
        bow=Bow(name=bad + "x" * 60, maker=bad, serial="-1+2"),
    )
    shop = Shop(name=bad, address=bad, contact=bad, inspector=bad)
    report = report_of(inspection, shop=shop, number="=1+1")
    forms = forms_of(report, language=code)
    text = text_of(forms[PDF])
    squeezed = words_of(text)
    for shown in ('#setpage(fill:red)*bold*$x^2$#eval("1")', "<script>alert(1)</script>"):
        assert shown in squeezed
    assert "‹U+202E›" in squeezed
    assert f"{len(LONG) - 2000}" in squeezed  # what is cut is said to be
    assert "‹U+1F3F9›" in squeezed  # no font has it, and no empty box stands for it
    assert "\u202e" not in text
    html = forms[HTML].decode()
    assert "<script" not in html.lower()
    assert "<img src=x" not in html
    assert "49" not in Page(html).text.split("{{")[1][:10]  # not computed
    jsonschema.validate(json.loads(forms[JSON]), schema())
    for row in csv.reader(io.StringIO(forms[CSV].decode("utf-8-sig"))):
        for cell in row:
            assert cell[:1] not in "=+@\t\r" or not cell or is_number(cell), cell
            assert cell[:1] != "-" or is_number(cell)


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize(
    "text", ["=1", "+1", "-1", "@x", " =1", "\t=1", "\n=1", "＝1", "\u00a0=1", "−1"]
)
def test_cells_that_a_spreadsheet_would_reckon_are_text(text):
    assert safe_cell(text).startswith("'")
    assert safe_cell("limb K2") == "limb K2"


def inside_the_page(pdf: bytes) -> None:
    """Nothing is drawn beyond the margins, and no two lines of text lie on each other."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        for number, page in enumerate(document, start=1):
            width, height = page.get_size()
            textpage = page.get_textpage()
            boxes = [textpage.get_rect(i) for i in range(textpage.count_rects())]
            for left, bottom, right, top in boxes:
                assert left >= 40, f"page {number}"
                assert right <= width - 40, f"page {number}"
                assert bottom >= 20, f"page {number}"
                assert top <= height - 25, f"page {number}"
            for i, a in enumerate(boxes):
                for b in boxes[i + 1 :]:
                    across = min(a[2], b[2]) - max(a[0], b[0])
                    along = min(a[3], b[3]) - max(a[1], b[1])
                    low = min(a[3] - a[1], b[3] - b[1])
                    assert across < 2 or along < 0.6 * low, f"page {number}: {a} {b}"
    finally:
        document.close()


def test_names_of_limbs_in_wide_letters_stay_in_their_columns():
    inspection = full_inspection()
    wide = {limb.name: f"{'W' * 15}{i}" for i, limb in enumerate(inspection.limbs)}
    record = json.dumps(inspection_to_json(inspection))
    for name, other in wide.items():
        record = record.replace(json.dumps(name), json.dumps(other))
    inspection = inspection_from_json(json.loads(record))
    report = report_of(inspection)
    assert any(line.limb in wide.values() for line in report.lines)
    pdf = forms_of(report)[PDF]
    inside_the_page(pdf)
    assert set(wide.values()) & set(re.findall(r"W{15}\d", words_of(text_of(pdf))))


@pytest.mark.parametrize("code", ["en", "de"])
def test_a_word_that_fits_is_copied_whole(code):
    name = "received-upper-joint-right_2026.jpg"
    pdf = forms_of(report_of(with_photo(full_inspection(), name)), language=code)[PDF]
    text = text_of(pdf)
    assert name in text
    assert "\u200b" not in text


@pytest.mark.parametrize(("code", "units"), [("en", "in"), ("de", "mm")])
def test_nothing_is_cut_or_overlaps(code, units):
    inspection = replace(
        full_inspection(),
        bow=Bow(name="W" * 60, mount="back"),
        customer="Wilhelmina-Friederike von und zu Hohenlohe-Waldenburg-Schillingsfürst " * 2,
        complaint=LONG[:1500],
        limbs=full_inspection().limbs,
    )
    forms = forms_of(report_of(inspection), language=code, units=units)
    inside_the_page(forms[PDF])
    text = words_of(text_of(forms[PDF]))
    assert "W" * 60 in text
    assert LONG[:1500] in text


def test_a_gap_felt_with_the_limbs_exchanged_is_listed_without_photographs():
    record = inspection_to_json(replace(full_inspection(), photos=()))
    at = {"end": "upper", "limb": record["as_received"]["lower"], "at": "riser end"}
    record["readings"]["feeler"] = [
        {**at, "side": side, "enters": "0.03 mm", "does_not_enter": "0.08 mm"}
        for side in ("left", "right")
    ]
    inspection = inspection_from_json(record)
    findings = find(inspection, [])
    felt = {
        (one.name, one.end, one.limb)
        for one in findings.findings_exchanged
        if one.name == "seat_gap"
    }
    report = report_of(inspection)
    listed = {(n.name, n.end, n.limb) for n in report.lines if n.arrangement == "exchanged"}
    assert felt <= listed
    assert felt
    rows = list(csv.DictReader(io.StringIO(forms_of(report)[CSV].decode("utf-8-sig"))))
    assert {"exchanged"} <= {row["limbs"] for row in rows}


def test_without_a_reading_no_shares_are_shown(plain_report):
    def captions(report):
        return [
            block.caption
            for block in document_of(report).blocks
            if type(block).__name__ == "Table" and "share" in block.caption.lower()
        ]

    empty = report_of(Inspection())
    assert not captions(empty)
    assert captions(plain_report)
    assert "Nothing was read that tells" in text_of(forms_of(empty)[PDF])


def test_shares_are_shown_only_of_parts_that_a_reading_bears_on():
    inspection = full_inspection()
    pads = tuple(photo for photo in inspection.photos if photo.view == "pad")
    report = report_of(replace(inspection, photos=pads, purpose="new pads"))
    table = next(
        block
        for block in document_of(report).blocks
        if type(block).__name__ == "Table" and "share" in block.caption.lower()
    )
    parts = {row[0].lines[0].text for row in table.rows}
    assert parts
    assert all(part.startswith("The riser’s pad at the") for part in parts)


def test_a_report_of_nothing_says_that_nothing_was_looked_at():
    for code, words in (("en", "The inspection has no photographs."), ("de", "keine Fotos")):
        report = report_of(Inspection())
        forms = forms_of(report, language=code)
        assert words_of(words) in words_of(text_of(forms[PDF]))
        inside_the_page(forms[PDF])
        jsonschema.validate(json.loads(forms[JSON]), schema())
        assert len(forms[CSV].decode("utf-8-sig").splitlines()) == 1
        assert report.lines == ()
    assert "Not before what is open below" in text_of(forms_of(report_of(Inspection()))[PDF])


def test_a_photograph_that_is_missing_or_refused_is_said():
    photo = load_photo(samples()[0].path)
    inspection = full_inspection()
    entries = list(inspection.photos)
    entries[1] = replace(entries[1], file="gone.jpg", measurement=None)
    inspection = replace(inspection, photos=tuple(entries))
    report = report_of(
        with_photo(inspection, "seat.jpg"),
        {0: photo},
        unreadable={1: BadInput("file_missing", "There is no file gone.jpg.", "Check its name.")},
    )
    text = text_of(write_forms(report, Wishes(), {1: samples()[0].path.read_bytes()})[PDF])
    assert "There is no file gone.jpg." in text
    assert photo.sha256 in words_of(text)
    assert "the file was not there" in text
    first = " ".join(text[: text.index("For the bench")].split())
    assert f"not measured: 1 of {len(entries)}" in first


def test_files_missing_or_cut_off_are_told_apart_and_no_folder_is_named(tmp_path):
    (tmp_path / "cut.jpg").write_bytes(samples()[0].path.read_bytes()[:3000])
    files = ["cut.jpg", "gone.jpg"]
    inspection = replace(
        full_inspection(),
        photos=tuple(
            replace(entry, file=file, measurement=None)
            for entry, file in zip(full_inspection().photos, files, strict=False)
        ),
    )
    photos, problems = load_photos(inspection, tmp_path)
    findings = find(inspection, measure_inspection(inspection, photos, problems))
    report = build_report(findings, photos, issued=DAY, unreadable=problems)
    forms = forms_of(report)
    facts = {
        file: block.rows[1][1][0].text
        for block in document_of(report).blocks
        if type(block).__name__ == "Facts"
        for file in files
        if block.rows[0][1][0].text == file
    }
    assert "was there" in facts["cut.jpg"]
    assert "was not there" in facts["gone.jpg"]
    assert "There is no file gone.jpg." in " ".join(text_of(forms[PDF]).split())
    for name in (HTML, JSON, CSV):
        assert str(tmp_path) not in forms[name].decode()


def test_units_lead_as_the_user_set_them(plain_report):
    metric = " ".join(text_of(forms_of(plain_report)[PDF]).split())
    inches = " ".join(text_of(forms_of(plain_report, units="in")[PDF]).split())
    assert re.search(r"\d\.\d+ mm ± \d\.\d+ mm \(\d+/\d+ in\)", metric)
    assert re.search(r"\d+/\d+ in; [+−]?\d\.\d+ mm ± \d\.\d+ mm", inches)
    assert not re.search(r"\d\.\d+ mm ± \d\.\d+ mm \(\d+/\d+ in\)", inches)


def test_german_has_commas_umlauts_and_no_english_on_the_first_page(plain_report):
    document = document_of(plain_report, "de")
    said = [
        one
        for block in document.blocks[
            : [type(b).__name__ for b in document.blocks].index("Signature")
        ]
        for one in (*getattr(block, "lines", ()), *getattr(block, "items", ()))
    ]
    assert said
    assert all(one.translated for one in said)
    pdf = forms_of(plain_report, language="de")[PDF]
    text = text_of(pdf)
    assert re.search(r"\d,\d+° ± \d,\d+°", text)
    assert "Für die Werkbank" in text
    assert "Überstand" in text
    assert not re.search(r"\d\.\d+°", text)


def test_a_second_issue_says_what_changed(plain_report):
    last = kept_of(plain_report)
    same = report_of(full_inspection(), last=last)
    assert same.issues == plain_report.issues
    inspection = replace(full_inspection(), photos=full_inspection().photos[:-1])
    again = report_of(inspection, last=last)
    assert again.number == plain_report.number
    assert [i.revision for i in again.issues] == [1, 2]
    assert again.issue.changes
    assert again.issue.digest != plain_report.issue.digest
    text = text_of(forms_of(again)[PDF])
    assert "Revision 2" in text
    assert all(words_of(change) in words_of(text) for change in again.issue.changes)
    # And what it reads back is what it wrote.
    record = json.loads(forms_of(again)[JSON])
    kept = kept_from_json(record, Path("report.json"))
    assert kept.issues == again.issues
    assert len(kept.lines) == len(again.lines)


@pytest.mark.parametrize("code", ["en", "de"])
def test_a_field_given_anew_is_named_with_what_it_was(code):
    inspection = replace(full_inspection(), complaint="It clicks", note="")
    last = kept_of(report_of(inspection))
    again = report_of(replace(inspection, complaint="It creaks", note="Wet"), last=last)
    changes = " ".join(again.issue.changes)
    assert "complaint: it was “It clicks” and is “It creaks”" in changes
    assert "note: it was “–” and is “Wet”" in changes
    document = document_of(again, code)
    shown = [one for b in document.blocks if type(b).__name__ == "Bullets" for one in b.items]
    told = [one for one in shown if "It clicks" in one.text and "It creaks" in one.text]
    assert told
    assert all(one.translated for one in told)
    # A reading is named, and so is what an earlier record held.
    record = inspection_to_json(inspection)
    assert record["readings"]["brace_height"] != "6 in"
    old = record["readings"]["brace_height"]
    record["readings"]["brace_height"] = "6 in"
    reread = report_of(inspection_from_json(record), last=last)
    assert f"brace height: it was “{old}” and is “6 in”" in " ".join(reread.issue.changes)


def test_a_report_does_not_take_the_place_of_another_bow(plain_report):
    other = replace(full_inspection(5, "butt"), bow=Bow(name="Another"))
    with pytest.raises(BadInput) as refused:
        report_of(other, last=kept_of(plain_report))
    assert refused.value.code == "another_report"


def test_before_and_after_tell_a_change_from_chance(plain_report):
    before = kept_of(plain_report)
    unchanged = report_of(full_inspection(), before=before)
    assert unchanged.earlier is not None
    verdicts = {change.verdict for change in unchanged.earlier.changes}
    assert verdicts == {"not told"}
    # One line moved by twice, another by half of what the two uncertainties allow.
    lines = list(before.lines)
    u = lines[0].standard_uncertainty * 2**0.5
    lines[0] = replace(lines[0], value=lines[0].value + 2 * 1.96 * u)
    u = lines[1].standard_uncertainty * 2**0.5
    lines[1] = replace(lines[1], value=lines[1].value + 0.5 * 1.96 * u)
    gone = lines.pop()
    moved = report_of(full_inspection(), before=replace(before, lines=tuple(lines)))
    assert moved.earlier is not None
    by_name = {
        (c.after.name, c.after.end): c.verdict
        for c in moved.earlier.changes
        if c.after is not None
    }
    assert by_name[lines[0].name, lines[0].end] == "changed"
    assert by_name[lines[1].name, lines[1].end] == "not told"
    if gone.arrangement == "as received":
        assert "only after" in {c.verdict for c in moved.earlier.changes}
    text = text_of(forms_of(moved)[PDF])
    assert "Before and after" in text
    assert "no change can be told" in text


def test_a_long_name_leaves_verdict_and_cautions_on_the_first_page():
    inspection = replace(
        full_inspection(),
        bow=Bow(name="W" * 1000, maker="m" * 900),
        customer="c" * 2000,
        complaint="q" * 2000,
        note="n" * 2000,
        reference="r" * 2000,
        shop="s" * 2000,
    )
    picture = io.BytesIO()
    Image.new("RGB", (900, 30), (10, 80, 150)).save(picture, "PNG")
    for logo in (b"", logo_png(picture.getvalue(), "wide.png")):
        shop = Shop("", "Lane\n" * 6, "t" * 160, "i" * 80, logo)
        report = report_of(inspection, shop=shop)
        pdf = forms_of(report)[PDF]
        inside_the_page(pdf)
        document = pypdfium2.PdfDocument(pdf)
        first = words_of(document[0].get_textpage().get_text_bounded())
        whole = words_of(text_of(pdf))
        document.close()
        assert report.findings.fitness.cautions
        for caution in report.findings.fitness.cautions:
            assert words_of(caution)[:40] in first
        assert words_of(report.findings.fitness.headline) in first
        for letter in "Wmcqnr":
            assert letter * 300 in whole  # in full further on


def test_zip_holds_all_forms_and_what_was_inspected(plain_forms):
    with zipfile.ZipFile(io.BytesIO(plain_forms[ZIP])) as archive:
        names = set(archive.namelist())
        assert names == {"manifest.json", PDF, HTML, JSON, CSV, "inspection.json"}
        assert archive.read(PDF) == plain_forms[PDF]
        manifest = json.loads(archive.read("manifest.json"))
    assert set(manifest["files"]) == names - {"manifest.json"}


def test_fonts_travel_with_their_licence():
    fonts = files("fitcheck").joinpath("reporting/fonts")
    assert "Bitstream Vera" in fonts.joinpath("LICENSE-DejaVu.txt").read_text(encoding="utf-8")


def test_no_field_of_the_model_is_left_out_of_the_json(plain_report, plain_forms):
    record = json.loads(plain_forms[JSON])
    line = {f.name for f in dataclasses.fields(plain_report.lines[0])}
    assert line <= set(record["characteristics"][0])


def test_repeated_seatings_show_their_range():
    inspection = full_inspection()
    first = inspection.photos[0]
    assert first.measurement is not None
    moved = tuple(
        replace(c, value=c.value + 0.04) if c.name == "overhang_left" else c
        for c in first.measurement.characteristics
    )
    again = replace(
        first, seating=2, measurement=replace(first.measurement, characteristics=moved)
    )
    report = report_of(replace(inspection, photos=(*inspection.photos, again)))
    line = next(n for n in report.lines if n.name == "overhang_left" and n.end == first.end)
    assert line.seatings == 2
    assert line.seating_range == pytest.approx(0.04, abs=1e-9)
    assert "over 2 seatings: range 0.04 mm" in " ".join(text_of(forms_of(report)[PDF]).split())
