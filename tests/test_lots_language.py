"""A lot's report in every language and in either unit of length, with nothing left in English."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import fitcheck
from fitcheck.lots import figures
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.course import courses
from fitcheck.lots.drift import Closure, Occasion, Spread, drift
from fitcheck.lots.figures import CHART_NAMES
from fitcheck.lots.improvement import REMEDIES
from fitcheck.lots.lot_blocks import LotWriter
from fitcheck.lots.lot_report import LotWishes, lot_document, lot_pdf
from fitcheck.lots.run_rules import RULE_WORDS
from fitcheck.lots.scale import scale_of, significant
from fitcheck.lots.telling import Telling
from fitcheck.lots.whole import lot_of_values
from fitcheck.measurement import Note
from fitcheck.reporting.language import LANGUAGES
from fitcheck.wording import SOURCES
from tests.lot_pieces import LENGTH, lengths, lot_values, measurement, value
from tests.test_lots_findings import kept_lot, text_of, usual_lot
from tests.test_reporting_every_sentence import calls, sentences

LOTS = sorted((Path(fitcheck.__file__).parent / "lots").glob("*.py"))
OTHERS = [code for code in LANGUAGES if code != "en"]
SAYING = {"Note", "Change"}
TELLING = {"say", "text", "_title", "_head"}


def told(tell: Telling, words: str) -> None:
    tell.say(words)


def spoken() -> list[tuple[str, str]]:
    """Whole texts of the source that are handed to a language as they stand."""
    found = []
    for file, known, name, call in calls(LOTS):
        texts = call.args[1:3] if name in SAYING else call.args if name in TELLING else ()
        for argument in texts:
            if isinstance(argument, ast.Constant | ast.Name):
                found += [(file, s) for s in sentences(argument, known, file) if s]
    return found


@pytest.mark.parametrize("code", OTHERS)
def test_every_text_of_the_source_is_translated(code):
    said = spoken()
    assert len(said) > 75  # the source was read, and its texts were found
    words = [*RULE_WORDS.values(), *CHART_NAMES.values(), *REMEDIES.values(), *SOURCES.values()]
    tell = Telling(code)
    for one in [*(s for _, s in said), *words]:
        told(tell, one)
    assert tell.untranslated == []


def lots_of_every_kind(folder):
    """Lots that bring about each sentence that has a number or a name in it."""
    yield usual_lot(folder / "usual")[0]
    refused = [("P1", "A", i, measurement(f"{i}.jpg", 0.0, refused=True)) for i in (1, 2)]
    yield kept_lot(folder / "refused", refused)[0]
    yield lot_of_values([value("P1", 0.1)], "one")
    yield lot_of_values([value("P1", 0.1, u=None), value("P2", 0.2, u=None)], "unstated")
    yield lot_of_values([value("P1", 0.1, name="odd thing")], "odd")
    yield lot_of_values([value(f"P{i}", 0.1) for i in range(9)], "alike")
    yield lot_of_values(lot_values(12, ("Ines",), 2), "one operator")
    yield lot_of_values(lot_values(12, ("A", "B", "C"), 3)[:-5], "unbalanced")
    yield lot_of_values(lot_values(210, ("A",), 1), "many")
    yield lot_of_values(lot_values(12, ev=0.001), "suits")
    yield lot_of_values(lot_values(12, ev=0.006, u=0.006), "with care")
    yield lot_of_values(lot_values(12, ("A", "B"), 2, ev=2.0), "hopeless")
    rng = np.random.default_rng(5)
    uneven = [
        value(f"P{i}", rng.normal(0, s), who, r)
        for i in range(8)
        for who, s in (("A", 0.01), ("B", 0.4))
        for r in (1, 2, 3)
    ]
    yield lot_of_values(uneven, "unlike")
    apart = [
        value(f"P{i}", 0.1 * i + b + rng.normal(0, 0.01), who, r)
        for i in range(5)
        for who, b in (("A", 0.0), ("B", 0.4), ("C", -0.3))
        for r in (1, 2)
    ]
    yield lot_of_values(apart, "apart")
    for size in (3, 12):
        grouped = [
            value(f"P{i}", x, subgroup=f"S{i // size}")
            for i, x in enumerate(
                rng.normal(0, 0.03, 6 * size) + 0.2 * (rng.random(6 * size) > 0.9)
            )
        ]
        yield lot_of_values(grouped, "subgroups")
    skewed = [value(f"P{i}", float(x)) for i, x in enumerate(rng.exponential(0.1, 60))]
    yield lot_of_values(skewed, "skewed", {"pad_squareness": Tolerance(0.01, np.inf)})
    yield lot_of_values(lengths(), "lengths")
    yield lot_of_values(lengths(), "up to", {LENGTH: Tolerance(-np.inf, 0.25)})
    yield lot_of_values([value(f"P{i}", 0.02, unit="mm", name="gap_butt") for i in (1, 2)], "gaps")


def left_in_english(lot, wishes, changes=(), over_time=()):
    tell = Telling(wishes.language, wishes.units)
    list(LotWriter(lot, changes, over_time, tell).blocks())
    return tell.untranslated


def changed_occasions():
    def at(day, focal, k1, log, scale, thickness, closure):
        return Occasion(
            f"2026-11-{day}",
            "lot",
            scale,
            thickness,
            {"C": Spread(log, 0.1, 20)},
            {"C": 0.8 if day > 12 else 0.0},
            {"Phone 2, 900 px": Spread(focal, 1.0, 20)},
            {"Phone 2, 900 px": Spread(k1, 0.001, 20)},
            (Closure("twist", closure, 0.1), Closure("lateral_offset", closure, 0.1)),
        )

    before = [at(d, 840.0, 0.0, -3.5, (1.0, 1.0), 0.8, 0.01 * (-1) ** d) for d in (10, 11, 12)]
    return [
        [*before, at(13, 870.0, 0.05, -2.5, (1.01, 0.99), 1.2, 0.9)],
        [*before, at(13, 810.0, -0.05, -2.5, (0.99, 1.01), 0.4, -0.9)],
        [at(14, 840.0, 0.0, -3.5, (1.0, 1.0), 0.8, 0.9)],
    ]


@pytest.mark.parametrize("code", OTHERS)
def test_no_lot_leaves_anything_in_english(code, tmp_path, monkeypatch):
    # Charts have all their words before they are drawn; drawing them takes most of the time.
    monkeypatch.setattr(figures, "_picture", lambda _, *words: figures.Picture(b"", 1, 1, *words))
    everything = list(lots_of_every_kind(tmp_path))
    usual = everything[0]
    for occasions in changed_occasions():
        changes = drift(occasions)
        assert len({c.code for c in changes}) >= 2
        for units in ("mm", "in"):
            wishes = LotWishes(code, units)
            assert left_in_english(usual, wishes, changes, courses(occasions)) == []
    for lot in everything:
        assert left_in_english(lot, LotWishes(code, "in")) == [], lot.name


def test_a_text_without_a_translation_would_be_found():
    tell = Telling("de")
    told(tell, "The moon is too near.")
    assert tell.untranslated == ["The moon is too near."]
    lot = replace(lot_of_values([value("P1", 0.1)], "lot"), notes=(Note("x", "Odd.", "Look."),))
    document, _ = lot_document(lot, wishes=LotWishes("de"))
    assert "stehen auf Englisch" in repr(document.blocks[-1])


def test_german_has_commas_and_keeps_names(tmp_path):
    found = [
        ("P1.5 mm", "Ines", r, measurement(f"P1.5 mm-{r}.jpg", 0.12 + 0.01 * r, refused=r == 3))
        for r in (1, 2, 3)
    ]
    lot, _ = kept_lot(tmp_path, found)
    said = " ".join(text_of(lot_pdf(lot, wishes=LotWishes("de"))).split())
    assert "Los von Teilen: lot" in said
    assert "P1.5 mm" in said
    assert "P1.5 mm-3.jpg" in said
    assert "P1,5" not in said
    assert "1 Teil: 1 angenommen" in said
    assert "+0,13" in said.replace("+0,14", "+0,13")
    assert "Fit is no proof" not in said


def test_inches_everywhere_in_a_report_of_lengths():
    lot = lot_of_values(lengths(), "lot", {LENGTH: Tolerance(-0.635, 0.635)})
    document, pictures = lot_document(lot, wishes=LotWishes(units="in"))
    assert b"Overhang, left, in" in pictures["parts-overhang-left.svg"].svg
    assert "−0.025 in to 0.025 in" in repr(document.blocks)  # the tolerance: 0.635 mm
    alone = [
        line.text
        for block in document.blocks
        for row in getattr(block, "rows", ())
        for cell in row[1:]
        if hasattr(cell, "lines")
        for line in cell.lines[:1]
    ]
    assert any(" in" in text for text in alone)
    assert not [text for text in alone if " mm" in text]  # it stands second, if at all


@pytest.mark.parametrize(
    ("unit", "units", "sd", "text"),
    [
        ("mm", "mm", 0.0312, "0.03 mm"),
        ("mm", "mm", 0.012, "0.012 mm"),
        ("mm", "in", 0.0312, "0.0012 in"),
        ("mm", "in", 0.254, "0.010 in"),
        ("deg", "in", 0.0312, "0.03°"),
        ("mm", "mm", 0.0, "0 mm"),
    ],
)
def test_a_spread_has_the_digits_it_supports(unit, units, sd, text):
    assert scale_of(unit, units).spread(sd) == text


@pytest.mark.parametrize(
    ("number", "text"),
    [(0.00001234, "0.000012"), (-1e-9, "0"), (123456.0, "123456"), (-0.05, "−0.05")],
)
def test_no_number_has_an_exponent(number, text):
    assert significant(number, 4) == text
