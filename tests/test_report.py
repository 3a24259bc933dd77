"""The report says what the record says, harmlessly, to every reader and without a network."""

from __future__ import annotations

import base64
import datetime
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fitcheck import __version__
from fitcheck.judgement import Limit, judge, overall
from fitcheck.measurement import CardSeen, Characteristic, Edge, LensFound, Measurement, Note
from fitcheck.overlay import annotate, close_ups, to_jpeg
from fitcheck.plain_text import visible_text
from fitcheck.report import (
    ReportEntry,
    ReportHeader,
    chance_text,
    report_html,
)
from fitcheck.units import inch_decimal_text, inch_fraction_text, quantity_text
from fitcheck.wording import WORDING

SAMPLES = Path(__file__).parent.parent / "sample_images"
SHA = "0123456789abcdef" * 4
DAY = datetime.date(2026, 11, 25)
VOID = {"meta", "img", "br", "hr", "link", "input"}
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;\u202egpj.exe\u2066\x07\x00"


class Page(HTMLParser):
    """A parsed report: its elements, its visible text, and whether every element was closed."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.style = ""
        self.open: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" in self.open:
            self.style += data
            return
        if data.strip():
            self.texts.append(" ".join(data.split()))
        if "td" in self.open or "th" in self.open:
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(self.texts)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.elements if name == tag]

    def row(self, start: str) -> list[str]:
        """The first row of a table whose first cell begins so."""
        return next([" ".join(c.split()) for c in r] for r in self.rows if r[0].startswith(start))


def characteristic(name: str, value: float, unit: str = "mm", u: float = 0.03) -> Characteristic:
    half = 1.959964 * u
    budget = {"lens": 0.4 * u, "edge": 0.8 * u, "print_scale": 0.447 * u}
    return Characteristic(name, value, unit, u, (value - half, value + half), budget)


INPUTS = {
    "card_thickness_mm": 1.0,
    "card_thickness_measured": True,
    "print_scale": [1.0, 1.0],
    "print_scale_measured": False,
    "face_step_mm": None,
}


def measured(left: float = 1.7074, right: float = -0.0909, **more) -> Measurement:
    found = (
        characteristic("overhang_left", left),
        characteristic("overhang_right", right),
        characteristic("limb_width", 41.603, u=0.045),
        characteristic("lateral_angle", 0.2474, "deg", 0.024),
    )
    edges = tuple(
        Edge(name, ((10.0 + i, 20.0), (10.0 + i, 5.0)), 0.021 + i / 1000)
        for i, name in enumerate(("limb_left", "limb_right", "riser_left", "riser_right"))
    )
    values = {
        "photo": "seat-001.jpg",
        "view": "seat",
        "cards": (CardSeen("A", 28, 0.071), CardSeen("B", 27, 0.083)),
        "lens": LensFound(2795.1, 0.0012, -0.0221),
        "edges": (*edges, Edge("butt_line", ((10.0, 21.0), (13.0, 21.0)), 0.03, "hint")),
        "characteristics": found,
        "size_px": (4032, 3024),
        "inputs": INPUTS,
    }
    return Measurement(**{**values, **more})


def picture(width: int = 40, height: int = 60) -> bytes:
    return to_jpeg(np.full((height, width, 3), 120, dtype=np.uint8))


def entry(measurement: Measurement, **more) -> ReportEntry:
    values = {
        "annotated_jpeg": picture(),
        "close_up_jpegs": {"left": picture(30, 30), "right": picture(30, 30)},
        "decisions": judge(measurement),
        "photo_sha256": SHA,
    }
    return ReportEntry(measurement, **{**values, **more})


REFUSED = Measurement(
    "IMG_2031.jpg",
    "seat",
    refused=Note("card_cut_off", "Card B runs out of the picture.", "Step back and retake."),
)


def refused_entry() -> ReportEntry:
    return ReportEntry(REFUSED, b"", {}, (), SHA)


def page(*entries: ReportEntry, header: ReportHeader | None = None) -> Page:
    return Page(report_html(entries, header, created=DAY))


def test_numbers_come_from_the_record():
    measurement = measured()
    found = page(entry(measurement))
    for c in measurement.characteristics:
        words = WORDING[c.name]
        row = found.row(words.name)
        assert (
            quantity_text(c.value, c.expanded_uncertainty, c.unit, signed=words.signed) in row[1]
        )
        assert words.meaning in row[0]
        if c.unit == "mm":
            for text in (inch_fraction_text, inch_decimal_text):
                assert text(c.value, c.expanded_uncertainty, signed=words.signed) in row[2]
    left = found.row("Overhang, left")
    assert "+1.71 mm ± 0.06 mm" in left[1]
    assert "limb proud" in left[1]
    assert "+1/16 in" in left[2]
    assert "riser proud" in found.row("Overhang, right")[1]
    assert "not judged" in found.row("Limb width")[3]


def test_limits_and_decisions_are_in_the_table():
    measurement = measured(0.41, 0.1)
    row = page(entry(measurement)).row("Overhang, left")
    assert "good up to 0.40 mm (1/64 in)" in row[3]
    assert "rework from 0.80 mm (1/32 in)" in row[3]
    assert "M" in row[3].split()
    assert "no published limit exists" in row[3]
    decision = judge(measurement)[0]
    assert decision.conformity == "undecided"
    assert "undecided" in row[4]
    assert chance_text(decision.p_good) in row[4]
    assert "rework not needed" in row[4]
    assert decision.what_decides in row[4]


def test_shops_own_limits_show_with_their_note():
    limit = Limit("lateral_angle", 0.1, 0.2, "deg", "C", "this shop’s own")
    measurement = measured()
    row = page(entry(measurement, decisions=judge(measurement, {"lateral_angle": limit}))).row(
        "Sideways angle"
    )
    assert "good up to 0.10°" in row[3]
    assert "this shop’s own" in row[3]
    assert "rework needed" in row[4]


def test_summary_comes_first_in_plain_words():
    measurement = measured()
    found = page(entry(measurement))
    decisions = judge(measurement)
    first_table = found.text.index("In inches")
    for sentence in (*(d.sentence for d in decisions), overall(decisions).sentence):
        assert 0 <= found.text.index(sentence) < first_table
    assert found.text.index("In short") < found.text.index("Needs rework") < first_table


@pytest.mark.parametrize(
    ("left", "sign", "words"),
    [
        (0.1, "✓", "Good, as far as judged"),
        (0.6, "~", "Acceptable"),
        (1.7, "✗", "Needs rework"),
        (0.4, "?", "Undecided"),
    ],
)
def test_every_verdict_has_a_sign_and_words(left, sign, words):
    found = page(entry(measured(left, 0.0)))
    assert sign in found.texts
    assert words in found.texts


def test_warning_stands_beside_the_numbers():
    note = Note("rival_edge", "Another line runs 1.2 mm beside it.", "Look at the picture.")
    found = page(entry(measured(warnings=(note,))))
    assert note.message in found.text
    assert note.advice in found.text
    # Right before the table, in every row of it, and in the summary.
    assert found.text.index(note.message) < found.text.index("In inches")
    assert found.text.index("Measured") < found.text.index(note.message)
    for row in ("Overhang, left", "Overhang, right", "Limb width", "Sideways angle"):
        assert "see warning" in found.row(row)[1]
    summary = found.text[: found.text.index("Fit is no proof of strength")]
    assert "warning" in summary
    assert "see warning" not in page(entry(measured())).text


def test_measurement_without_characteristics_is_not_judged():
    bare = measured(characteristics=(), cards=(), edges=(), lens=None)
    found = page(entry(bare, annotated_jpeg=b"", close_up_jpegs={}))
    assert "Not judged" in found.texts
    assert "Nothing was measured" in found.text
    assert found.all("img") == []


def test_refused_only():
    found = page(refused_entry())
    assert "Not measured" in found.text
    assert "Card B runs out of the picture." in found.text
    assert "Step back and retake." in found.text
    assert "IMG_2031.jpg" in found.texts
    assert SHA in found.text
    assert "In inches" not in found.text
    assert "Good" not in found.text


def test_refused_photo_beside_measured_ones():
    found = page(entry(measured(), title="Upper limb"), refused_entry())
    assert "Upper limb" in found.texts
    assert found.text.index("Card B runs out") < found.text.index("In inches")  # in the summary
    assert "could not be measured" in found.text


def test_several_seats_are_told_apart():
    found = page(entry(measured()), entry(measured(0.1, 0.1, photo="seat-004.jpg")))
    assert "Limb seat 1" in found.texts
    assert "Limb seat 2" in found.texts
    ids = [attrs["id"] for _, attrs in found.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in found.elements:
        if "aria-labelledby" in attrs:
            assert attrs["aria-labelledby"] in ids


def test_how_it_was_measured_is_on_record():
    found = page(entry(measured()))
    assert found.row("A") == ["A", "28", "0.07 px"]
    assert found.row("B") == ["B", "27", "0.08 px"]
    assert found.row("Limb, left edge")[1:] == ["0.021 mm", "found by the program"]
    assert found.row("Butt line")[1:] == ["0.030 mm", "found near two points set by hand"]
    assert "focal length 2795 pixels" in found.text
    assert "k2 −0.0221" in found.text
    assert "1 mm, as measured" in found.text
    assert "check bars not measured" in found.text
    assert "default standard uncertainty of 0.2 %" in found.text
    assert "4032 × 3024 pixels" in found.text
    assert SHA in found.text
    assert f"fitcheck {__version__}" in found.text
    assert "2026-11-25" in found.text


def test_measured_inputs_are_told_from_assumed_ones():
    inputs = {
        "card_thickness_mm": 0.3,
        "card_thickness_measured": False,
        "print_scale": [0.997, 1.001],
        "print_scale_measured": True,
        "face_step_mm": -1.25,
        "hints": True,
    }
    text = page(entry(measured(inputs=inputs))).text
    assert "taken as 0.3 mm with a default standard uncertainty" in text
    assert "99.70 % along the cards, 100.10 % across" in text
    assert "-1.25 mm, as measured by hand" in text.replace("−", "-")
    assert "Hints: yes" in text
    assert "not recorded" in page(entry(measured(inputs={}))).text


def test_budget_shows_every_source_and_marks_the_largest():
    measurement = measured()
    found = page(entry(measurement))
    head = found.row("Measure")
    rows = [r for r in found.rows if r and r[0] == "Overhang, left (mm)"]
    assert rows == [["Overhang, left (mm)", "0.012", "0.024 ▲", "0.013", "0.030", "± 0.06 mm"]]
    assert head == ["Measure", "Value", "In inches", "Limits", "Decision"]
    assert any("print scale" in r for r in found.rows)
    assert [tag for tag, _ in found.elements].count("details") == 2


def test_what_was_not_looked_at_is_said():
    text = page(entry(measured())).text
    missing = text[text.index("Not looked at") :]
    for words in ("Pad squareness", "Twist", "Seat gap", "String line", "Condition", "Re-seating"):
        assert words in missing
    with_twist = replace(
        measured(), characteristics=(characteristic("twist", 0.4, "deg"),), view="sight"
    )
    text = page(entry(with_twist)).text
    assert "Twist:" not in text[text.index("Not looked at") :]


def test_cautions_stand_where_they_belong():
    bad = page(entry(measured())).text
    assert "Fit is no proof of strength" in bad[: bad.index("In inches")]
    assert "unstring the bow with a stringer" in bad
    assert "glass" in bad[bad.index("In any rework") :]
    good = page(entry(measured(0.1, 0.1))).text
    assert "Fit is no proof of strength" in good
    assert "In any rework" not in good
    for text in (bad, good):
        assert "safe to shoot" not in text
        assert "fit to shoot" not in text


def test_file_asks_the_network_for_nothing():
    html = report_html([entry(measured()), refused_entry()], created=DAY)
    found = Page(html)
    assert {tag for tag, _ in found.elements}.isdisjoint({"script", "link", "iframe", "object"})
    for tag, attrs in found.elements:
        for name, value in attrs.items():
            assert not name.startswith("on")
            if name in ("src", "href", "action", "srcset", "poster"):
                assert (value or "").startswith(("data:image/jpeg;base64,", "#")), (tag, value)
    assert "url(" not in found.style
    assert "@import" not in found.style
    assert not re.search(r"https?://|//[a-z]", re.sub(r"data:[^\"]*", "", html))
    policy = next(m for m in found.all("meta") if m.get("http-equiv"))
    assert "default-src 'none'" in (policy["content"] or "")


def test_every_picture_has_words_and_its_size_and_is_the_one_given():
    measurement = measured()
    jpegs = {"left": picture(31, 30), "right": picture(32, 30)}
    found = page(entry(measurement, annotated_jpeg=picture(40, 60), close_up_jpegs=jpegs))
    images = found.all("img")
    assert len(images) == 3
    for attrs, given in zip(images, (picture(40, 60), *jpegs.values()), strict=True):
        assert len(attrs["alt"] or "") > 20
        assert base64.b64decode((attrs["src"] or "").partition(",")[2]) == given
        with Image.open(io.BytesIO(given)) as image:
            assert image.size == (int(attrs["width"] or 0), int(attrs["height"] or 0))
    assert "+1.71 mm ± 0.06 mm" in (images[0]["alt"] or "")
    assert "left" in (images[1]["alt"] or "")
    assert "right" in (images[2]["alt"] or "")


def test_hostile_text_is_shown_and_does_nothing():
    notes = (Note("x", HOSTILE, HOSTILE),)
    measurement = measured(
        photo=HOSTILE,
        warnings=notes,
        inputs={HOSTILE: HOSTILE, "list": [HOSTILE, 1.5, None]},
        edges=(Edge(HOSTILE, ((0.0, 0.0), (1.0, 1.0)), 0.02, HOSTILE),),
        cards=(CardSeen(HOSTILE, 12, 0.1),),
        characteristics=(
            characteristic("overhang_left", 1.7),
            replace(characteristic("overhang_right", 0.1), name=HOSTILE, budget={HOSTILE: 0.1}),
        ),
        view=HOSTILE,
    )
    header = ReportHeader(HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE)
    refused = replace(REFUSED, photo=HOSTILE, refused=Note("x", HOSTILE, HOSTILE))
    html = report_html(
        [entry(measurement, title=HOSTILE), ReportEntry(refused, b"", {}, (), SHA, HOSTILE)],
        header,
        created=DAY,
    )
    found = Page(html)
    plain = Page(report_html([entry(measured()), refused_entry()], created=DAY))
    assert {tag for tag, _ in found.elements} <= {tag for tag, _ in plain.elements} | {
        "dl",
        "dt",
    } | {
        "dd",
        "div",
    }
    assert all(not name.startswith("on") for _, attrs in found.elements for name in attrs)
    assert all((i["src"] or "").startswith("data:image/jpeg") for i in found.all("img"))
    assert "<script>alert(1)</script>" in found.text  # as letters
    for hidden in "\u202e\u2066\x07\x00":
        assert hidden not in html
    assert "‹U+202E›gpj.exe‹U+2066›‹U+0007›‹U+0000›" in found.text
    html.encode("utf-8")


def test_lone_surrogate_of_a_file_name_can_be_written():
    html = report_html([entry(measured(photo="seat\udce9.jpg"))], created=DAY)
    assert "seat‹U+DCE9›.jpg" in html
    html.encode("utf-8")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain, naïve, 弓, قوس", "plain, naïve, 弓, قوس"),
        ("a\r\nb\rc\td", "a\nb\nc d"),
        ("a\u200db\u200cc", "a\u200db\u200cc"),  # joiners that ordinary writing needs
        ("a\u200bb\u2028c\ufeff", "a‹U+200B›b‹U+2028›c‹U+FEFF›"),
        ("x\x1b[31m", "x‹U+001B›[31m"),
        ("x" * 3000, "x" * 2000 + "…"),
    ],
)
def test_visible_text(text, shown):
    assert visible_text(text) == shown


def test_header_is_shown_only_where_it_says_something():
    found = page(entry(measured()), header=ReportHeader(bow="62 in, 45 lb", note="one\ntwo"))
    assert "62 in, 45 lb" in found.texts
    assert "Customer" not in found.texts
    assert "one two" in found.text
    assert "Bow" not in page(entry(measured())).texts


def test_swapping_left_and_right_swaps_the_words_and_nothing_else():
    def swap(text: str) -> str:
        def other(match: re.Match[str]) -> str:
            words = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}
            return words[match.group()]

        return re.sub("[Ll]eft|[Rr]ight", other, text)

    here = measured(1.7074, -0.55)
    there = measured(-0.55, 1.7074)
    # The angle and every other number stay; so do the sentences about the report itself.
    here, there = (
        replace(m, characteristics=m.characteristics[:3], edges=()) for m in (here, there)
    )
    one, other = page(entry(here)), page(entry(there))
    fixed = "Left and right are as you face"
    words = sorted(t for t in one.texts if fixed not in t)
    swapped = sorted(swap(t) for t in other.texts if fixed not in t)
    assert words == swapped
    assert [tag for tag, _ in one.elements] == [tag for tag, _ in other.elements]
    assert one.texts != other.texts


def test_page_fits_a_phone_and_paper():
    html = report_html([entry(measured())], created=DAY)
    found = Page(html)
    assert any(m.get("name") == "viewport" for m in found.all("meta"))
    assert found.all("html")[0]["lang"] == "en"
    assert "@media print" in found.style
    assert html.startswith("<!DOCTYPE html>")
    labelled = [a for a in found.all("td") if a.get("data-label")]
    assert len(labelled) >= 4 * 3  # a cell names its column where the table is stacked


def relative_luminance(colour: str) -> float:
    """WCAG 2.2 relative luminance of ``#rgb`` or ``#rrggbb``."""
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * d for d in digits)
    levels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in levels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_of_words_is_at_least_aa():
    style = page(entry(measured())).style
    names = dict(re.findall(r"--(\w+): (#[0-9a-f]+)", style))
    pairs = [(names[n], ground) for n in ("ink", "soft") for ground in (names["paper"], "#fff")]
    pairs += [("#5c3d00", "#fff"), ("#1d2730", "#ece5d8")]
    for rule in re.findall(r"\{[^{}]*\}", style):
        ground = re.search(r"background: (#[0-9a-f]{3,6})", rule)
        ink = re.search(r"(?<![-\w])color: (#[0-9a-f]{3,6})", rule)
        if ground and ink:
            pairs.append((ink.group(1), ground.group(1)))
    assert len(pairs) > 10
    for ink, ground in pairs:
        light, dark = sorted((relative_luminance(ink), relative_luminance(ground)), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)


@pytest.mark.parametrize(
    ("probability", "text"),
    [(1.0, "over 99.9 %"), (0.973, "97.3 %"), (0.5, "50.0 %"), (1e-9, "under 0.1 %")],
)
def test_chances_never_claim_certainty(probability, text):
    assert chance_text(probability) == text


def test_bad_input_says_what_was_expected():
    with pytest.raises(ValueError, match="at least one photograph"):
        report_html([])
    with pytest.raises(ValueError, match="not a JPEG"):
        report_html([entry(measured(), annotated_jpeg=b"<svg/>")])
    with pytest.raises(ValueError, match="64 hexadecimal digits"):
        entry(measured(), photo_sha256="<b>")


def test_whole_way_on_a_sample_photograph():
    truth = json.loads((SAMPLES / "seat-001.json").read_text(encoding="utf-8"))
    with Image.open(SAMPLES / "seat-001.jpg") as image:
        pixels = np.asarray(image.convert("RGB"))
    measurement = measured(
        truth["truth"]["overhang_left"],
        truth["truth"]["overhang_right"],
        edges=tuple(
            Edge(name, (tuple(ends[0]), tuple(ends[1])), 0.02)
            for name, ends in truth["edges_px"].items()
        ),
    )
    html = report_html(
        [
            entry(
                measurement,
                annotated_jpeg=to_jpeg(annotate(pixels, measurement)),
                close_up_jpegs={
                    side: to_jpeg(p) for side, p in close_ups(pixels, measurement).items()
                },
            )
        ]
    )
    found = Page(html)
    assert len(found.all("img")) == 3
    assert "The limb stands proud of the riser by 1.71 mm on the left" in found.text
    assert len(html) < 2_000_000
