"""The page can be read in a bright shop: contrasts of text by WCAG 2.2, 1.4.3 (AA)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fitcheck.page.launch import SETTINGS
from fitcheck.svg_pieces import BLUE, GREEN, INK, PAPER, RED, RUST, SOFT

PAGE = Path(__file__).parent.parent / "fitcheck" / "page"
LEAST = 4.5
GROUND = str(SETTINGS["theme.backgroundColor"])


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` or ``#rgb`` as WCAG 2.2 defines it."""
    digits = colour.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def rules() -> list[tuple[str, str, str]]:
    """Selector, text colour and ground of every rule of the page that sets a text's colour."""
    css = (PAGE / "look.css").read_text(encoding="utf-8")
    css += (PAGE / "edge_editor.css").read_text(encoding="utf-8")
    css += (PAGE / "capture.py").read_text(encoding="utf-8").partition('_CSS = """')[2]
    found = []
    for selector, body in re.findall(r"([^{}]+)\{([^}]*)\}", css):
        colour = re.search(r"(?<![-\w])color:\s*(#[0-9a-f]{3,6})", body)
        ground = re.search(r"background(?:-color)?:\s*(#[0-9a-f]{3,6})", body)
        if colour is not None:
            found.append((selector.strip(), colour[1], ground[1] if ground else GROUND))
    return found


def test_the_measure_of_contrast_is_the_standards_own() -> None:
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # known to fail AA


def test_every_text_of_the_page_stands_out_from_its_ground() -> None:
    found = rules()
    assert len(found) > 12
    poor = [(s, round(contrast(c, g), 2)) for s, c, g in found if contrast(c, g) < LEAST]
    assert not poor


def test_the_theme_and_the_drawings_stand_out_too() -> None:
    button = str(SETTINGS["theme.primaryColor"])
    assert contrast(button, "#ffffff") >= LEAST
    for name in ("theme.textColor", "theme.linkColor"):
        assert contrast(str(SETTINGS[name]), GROUND) >= LEAST
    for colour in (INK, SOFT, BLUE, RUST, GREEN, RED):
        assert contrast(colour, PAPER) >= LEAST


def test_a_field_without_a_frame_of_its_own_has_one_round_it_while_it_has_the_focus() -> None:
    css = (PAGE / "look.css").read_text(encoding="utf-8")
    found = re.findall(r"([^{}]+)\{([^}]*)\}", re.sub(r"/\*.*?\*/", "", css))
    bare = [selector.strip() for selector, body in found if "outline: none" in body]
    framed = " ".join(selector for selector, body in found if "outline: 3px solid" in body)
    assert bare
    for selector in bare:
        round_it = selector.removesuffix(" input:focus-visible")
        assert round_it != selector
        assert f"{round_it}:focus-within" in framed
