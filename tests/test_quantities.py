"""Quantities as people write them, with units; everything else is refused with a sentence."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitcheck.errors import BadInput
from fitcheck.quantities import quantity


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5 1/4 in", "mm", 133.35),
        ("5-1/4 in", "mm", 133.35),
        ("1/64 in", "mm", 0.396875),
        ('9 1/2"', "mm", 241.3),
        ("0,42 mm", "mm", 0.42),
        (".5 mm", "mm", 0.5),
        ("-3/16 in", "mm", -4.7625),
        ("−3/16 in", "mm", -4.7625),
        ("7½ in", "mm", 190.5),
        ("7 ½ in", "mm", 190.5),
        ("½ in", "mm", 12.7),
        ("-⅜″", "mm", -9.525),
        ("1 1⁄4 in", "mm", 31.75),
        ("2 cm", "mm", 20.0),
        ("8 thou", "mm", 0.2032),
        ("8 deg", "deg", 8.0),
        ("0.25°", "deg", 0.25),
        ("65 lb", "lb", 65.0),
        ("65#", "lb", 65.0),
        ("480 gr", "gr", 480.0),
        ("178 fps", "fps", 178.0),
        ("8 gr/lb", "gr/lb", 8.0),
        ("9 gpp", "gr/lb", 9.0),
    ],
)
def test_reads_what_people_write(text, unit, value):
    found = quantity(text, unit, "It")
    assert found.value == pytest.approx(value, rel=1e-12)
    assert (found.unit, found.typed) == (unit, text)
    assert found.standard_uncertainty is None


# The pound is 0.45359237 kg and 7000 grains, the foot 304.8 mm: exact by definition (NIST SP 811).
@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1 kg", "lb", 2.2046226),
        ("100 N", "lb", 22.480894),
        ("31.1034768 g", "gr", 480.0),  # the troy ounce is 480 grains
        ("54 m/s", "fps", 177.16535),
    ],
)
def test_metric_units_are_converted(text, unit, value):
    assert quantity(text, unit, "It").value == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    "text", ["7 3/0 in", "3/0 in", "7½½ in", "½7 in", "7⅟ in", "7 in ± 1/0 in"]
)
def test_a_fraction_that_is_none_is_refused(text):
    with pytest.raises(BadInput) as caught:
        quantity(text, "mm", "Brace height")
    assert "Brace height is given as" in caught.value.message
    assert ("nothing under its line" in caught.value.message) is ("/0" in text)


def test_uncertainty_after_plus_minus_is_expanded_and_may_have_its_own_unit():
    found = quantity("7 1/4 in ± 1/32 in", "mm", "Tiller")
    assert found.standard_uncertainty == pytest.approx(25.4 / 32 / 1.96)
    mixed = quantity("7 1/4 in +/- 1 mm", "mm", "Tiller")
    assert mixed.standard_uncertainty == pytest.approx(1 / 1.96)
    assert mixed.with_uncertainty(9.0) == (mixed.value, mixed.standard_uncertainty)
    assert quantity("7 in", "mm", "Tiller").with_uncertainty(0.5)[1] == 0.5


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("5", "no_unit", "without a unit"),
        ("5 1/4", "no_unit", "without a unit"),
        ("5 lb", "wrong_unit", "lb is no unit of length"),
        ("5 furlong", "wrong_unit", "not a unit that is known"),
        ("5 1/0 in", "not_a_quantity", "nothing under its line"),
        ("5 in ± 1/0 in", "not_a_quantity", "nothing under its line"),
        ("5 in ± 0 in", "not_a_quantity", "no uncertainty"),
        ("nan mm", "not_a_quantity", "not a length"),
        ("1e9 mm", "not_a_quantity", "not a length"),
        ("12345678901 mm", "not_a_quantity", "not a length"),
        ("5 in or so", "not_a_quantity", "not a length"),
        ("", "not_a_quantity", "not a length"),
        ("9" * 500 + " mm", "not_a_quantity", "not a length"),
    ],
)
def test_refuses_with_what_is_wrong(text, code, words):
    with pytest.raises(BadInput) as caught:
        quantity(text, "mm", "The brace height")
    assert caught.value.code == code
    assert words in caught.value.message
    assert caught.value.message.startswith("The brace height")
    assert "5 1/4 in" in caught.value.advice or "±" in caught.value.advice


@settings(derandomize=True, database=None)
@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text):
    try:
        found = quantity(text, "mm", "It")
    except BadInput:
        return
    assert math.isfinite(found.value)


@pytest.mark.parametrize("text", ["1,234 mm", "12,345 mm", "-1,234 mm"])
def test_a_comma_that_may_part_thousands_is_refused(text):
    with pytest.raises(BadInput, match="thousands") as caught:
        quantity(text, "mm", "x")
    assert text.lstrip("-").removesuffix(" mm").replace(",", ".") in caught.value.advice


def test_a_comma_that_can_only_part_decimals_is_read():
    assert quantity("0,125 mm", "mm", "x").value == 0.125
    assert quantity("1,25 mm", "mm", "x").value == 1.25
