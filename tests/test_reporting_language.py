"""Every language has all texts, and every sentence that the findings say."""

from __future__ import annotations

import re
import string
import tomllib
from dataclasses import replace
from importlib.resources import files

import pytest
from simulated_bows import KINDS, PROTOCOLS
from test_inspecting import full_inspection

from fitcheck.errors import BadInput
from fitcheck.findings.condition import ITEMS
from fitcheck.findings.whole import find
from fitcheck.inspection import CONDITION_ITEMS, ConditionEntry, Inspection, Limb
from fitcheck.reporting.amounts import Amounts
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import document_of, language_for
from fitcheck.reporting.language import LANGUAGES, Language
from fitcheck.reporting.phrases import Phrases

OTHERS = [code for code in LANGUAGES if code != "en"]


def texts(code: str) -> dict:
    source = files("fitcheck").joinpath(f"reporting/texts/{code}.toml")
    return tomllib.loads(source.read_text(encoding="utf-8"))


def holes(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("code", OTHERS)
def test_every_language_has_the_same_texts_with_the_same_values(code):
    english, other = texts("en")["report"], texts(code)["report"]
    assert other.keys() == english.keys()
    wrong = [key for key in english if holes(english[key]) != holes(other[key])]
    assert not wrong


@pytest.mark.parametrize("code", OTHERS)
def test_every_phrase_asks_only_for_values_it_has(code):
    pattern = re.compile(r"\{([a-z]+\d*)")
    wrong = [
        english
        for english, other in texts(code)["phrases"].items()
        if not set(pattern.findall(other)) <= set(pattern.findall(english))
    ]
    assert not wrong


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_the_findings_say_stays_in_english(code, kind):
    missing: set[str] = set()
    for seed, protocol in enumerate(PROTOCOLS):
        inspection = full_inspection(seed, kind, protocol)
        if seed % 2:  # words of condition, one after another, some of which stop everything
            start = 4 * seed
            found = CONDITION_ITEMS[start : start + 3]
            entries = tuple(ConditionEntry(item, True, "A", "upper") for item in found)
            inspection = replace(inspection, condition=entries)
        findings = find(inspection, [p.measurement for p in inspection.photos])
        report = build_report(findings, {})
        lang = language_for(report, code, "mm")
        for block in (document_of(report, code), document_of(report, code, "in")):
            missing |= {
                one.text
                for part in block.blocks
                for one in (*getattr(part, "lines", ()), *getattr(part, "items", ()))
                if not one.translated
            }
        assert lang.untranslated == []
    assert not missing


@pytest.mark.parametrize("code", OTHERS)
def test_every_line_of_the_check_list_is_translated(code):
    lang = Language(code, limbs=["A"])
    for item in ITEMS.values():
        for words in (item.words, item.why, f"{item.words.capitalize()}, limb A. {item.why}"):
            assert lang.said(words).translated, words


def test_the_users_own_words_are_never_translated_or_converted():
    lang = Language("de", "in", limbs=["rework", "62 mm"], own_words=["good 5 mm"])
    said = lang.said("Limb 62 mm stands 1.98 mm ± 0.15 mm proud on the right, at the upper end")
    assert said.translated
    assert (
        said.text == "Wurfarm 62 mm steht rechts am oberen Ende 5/64 Zoll (1,98 mm ± 0,15 mm) vor"
    )
    assert "Wurfarm rework" in lang.said("the twist along limb rework").text


def test_a_sentence_without_an_entry_stays_english_and_is_said_to():
    lang = Language("de")
    said = lang.said("The moon is 0.50 mm ± 0.10 mm too near.")
    assert not said.translated
    assert said.text == "The moon is 0.50 mm ± 0.10 mm (1/64 in) too near."
    assert lang.untranslated
    inspection = replace(Inspection(), limbs=(Limb("A"),))
    report = build_report(find(inspection, []), {})
    assert all(block.language == "de" for block in [document_of(report, "de")])


def test_no_untranslated_word_hides_in_a_value():
    phrases = Phrases({"It is {size} wide": "Es ist {size} breit"}, {"size": {"about": "etwa"}})
    assert phrases.translate("It is about 3 mm wide") == "Es ist etwa 3 mm breit"
    assert phrases.translate("It is very wide") is None
    assert phrases.translate("It is 3 mm wide. It is 4 mm wide") is None
    assert phrases.translate("") is None


def test_long_hostile_sentences_take_no_time():
    lang = Language("de")
    assert not lang.said("a: " * 800).translated
    assert not lang.said("1 mm ± " * 400).translated


@pytest.mark.parametrize(
    ("text", "metric", "inches"),
    [
        # A sixty-fourth is 0.397 mm, a thirty-second 0.794 mm: no more ± than that supports it.
        ("1.98 mm ± 0.15 mm", "1.98 mm ± 0.15 mm (5/64 in)", "5/64 in (1.98 mm ± 0.15 mm)"),
        ("1.98 mm ± 0.50 mm", "1.98 mm ± 0.50 mm (1/16 in)", "1/16 in (1.98 mm ± 0.50 mm)"),
        ("7 mm ± 3 mm", "7 mm ± 3 mm (0.28 in)", "0.28 in ± 0.12 in (7 mm)"),
        ("0.23 mm (0.009 in; under 1/128 in)", "0.23 mm (0.009 in)", "0.009 in (0.23 mm)"),
        ("5 1/4 in (133.4 mm)", "133.4 mm (5 1/4 in)", "5 1/4 in (133.4 mm)"),
        ("good (up to 0.40 mm (1/64 in))", "good (up to 0.40 mm [1/64 in])", None),
        ("41.8 mm away", "41.8 mm (1.65 in) away", "1.65 in (41.8 mm) away"),
        ("0.31° ± 0.06°", "0.31° ± 0.06°", "0.31° ± 0.06°"),
    ],
)
def test_lengths_in_sentences(text, metric, inches):
    assert Amounts("mm").text(text) == metric
    if inches is not None:
        assert Amounts("in").text(text) == inches


def test_an_unknown_language_is_refused_with_those_there_are():
    with pytest.raises(BadInput) as refused:
        Language("xx")
    assert "en, de" in refused.value.advice
