"""Every sentence in the source that can reach a report is there in every language.

The sentences are read out of the source itself, so that a new one without a translation fails
here, whether or not any test brings it about.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from varied_inspections import varied

import fitcheck
from fitcheck.findings.whole import find
from fitcheck.measurement import Note
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import blocks_of, language_for
from fitcheck.reporting.language import LANGUAGES, Language

ROOT = Path(fitcheck.__file__).parent
OTHERS = [code for code in LANGUAGES if code != "en"]
# What is said of a photograph: warnings, why it was not measured, why it could not be read.
OF_PHOTOGRAPHS = [
    *sorted(ROOT.glob("views/*.py")),
    *(
        ROOT / name
        for name in (
            "measurement.py",
            "quality.py",
            "missing_card.py",
            "adjustment.py",
            "pipeline.py",
            "photo.py",
            "inspecting.py",
            "findings/combine.py",
        )
    ),
]
SAYING = {"Note", "Refused", "BadInput", "_warn", "_too_many_pixels"}
# Of whoever calls the program wrongly, or of a disk: these end it before there is a report.
NO_REPORT = {
    "unknown_view",
    "bad_hint",
    "photo_changed",
    "report_not_written",
    "findings_not_written",
    "hint_outside",
    "unknown_edge",
}
# What can stand where a sentence was left open, by what is set in there.
VALUES = {
    "CARD": ("B",),
    "FORMATS": ("JPEG, PNG, TIFF, WebP or HEIC",),
    "_printable(str(path))": ("seat.jpg",),
    "_side(name)": ("left", "right"),
    "_words(name)": ("left side of the limb", "right side of the riser"),
    "at_tip": ("C", "D"),
    "entry.file": ("seat.jpg",),
    "image.mode": ("LAB",),
    "known_as": ("JPEG", "HEIC"),
    "name.removeprefix('riser_')": ("left", "right"),
    "part.card": ("A", "B"),
    "self.words": ("left side of the limb", "butt line", "pad line", "limb's lower line"),
    "words": ("right side of the riser", "limb's lower line"),
    "photo.file": ("seat.jpg",),
    "reason": ("Permission denied",),
    "view.name": ("seat", "sight"),
    "visible_text(name)": ("seat.jpg",),
    "what": ("seat.jpg is 9000 × 90 pixels", "seat.jpg has too many pixels"),
    "' and '.join(beside)": ("A and B", "C and D"),
    "beside[0]": ("A", "D"),
    "' and '.join(missing)": ("A", "C and D"),
    "missing[0]": ("A", "D"),
    "' and '.join(others)": ("C", "A and B"),
}
NAME = {"photo.py": ("seat.jpg",)}  # elsewhere a card's letter
WHERE = {"joint.py": ("above", "below")}  # elsewhere of an edge
NUMBER = {"f": "1.25", "%": "40%", "g": "1.5", "d": "3"}


def constants(tree: ast.Module) -> dict[str, ast.expr]:
    """Texts that a module gives a name."""
    return {
        node.targets[0].id: node.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant | ast.JoinedStr)
    }


def hole(value: ast.FormattedValue, file: str) -> tuple[str, ...]:
    """What can stand in an open place.

    Raises
    ------
    KeyError
        If that is not known: it belongs into ``VALUES``.
    """
    inside = value.value
    if isinstance(inside, ast.IfExp):
        return tuple(
            branch.value
            for branch in (inside.body, inside.orelse)
            if isinstance(branch, ast.Constant)
        )
    if value.format_spec is not None:
        spec = ast.unparse(value.format_spec)[2:-1]
        decimals = re.search(r"\.(\d)f", spec)
        return (f"{1.25:.{decimals[1]}f}",) if decimals else (NUMBER[spec[-1]],)
    words = ast.unparse(inside)
    if words == "name":
        return NAME.get(file, ("A", "D"))
    if words == "where":
        return WHERE.get(file, ("inside", "outside"))
    if re.fullmatch(r"width|height|mib|[A-Z_]+(?: // \S+)?", words) and words not in VALUES:
        return ("12000",)
    return VALUES[words]


def sentences(node: ast.expr, known: dict[str, ast.expr], file: str) -> Iterator[str]:
    """Every form of a text in the source; none where it is handed through."""
    if isinstance(node, ast.Name) and node.id in known:
        node = known[node.id]
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        parts = [
            (part.value,) if isinstance(part, ast.Constant) else hole(part, file)
            for part in node.values
        ]
        yield from map("".join, itertools.product(*parts))
    elif isinstance(node, ast.IfExp):
        yield from sentences(node.body, known, file)
        yield from sentences(node.orelse, known, file)


def calls(paths: Iterable[Path]) -> Iterator[tuple[str, dict[str, ast.expr], str, ast.Call]]:
    """Every call in some files: the file's name, its constants, what is called, and the call."""
    for path in paths:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        known = constants(tree)
        for call in ast.walk(tree):
            if isinstance(call, ast.Call):
                name = getattr(call.func, "id", getattr(call.func, "attr", ""))
                yield path.name, known, name, call


def of_photographs() -> list[tuple[str, str, str]]:
    """Message and advice of everything that is said of a photograph, with its code."""
    found = []
    for file, known, name, call in calls(OF_PHOTOGRAPHS):
        if name not in SAYING or len(call.args) < 3:
            continue
        code = call.args[0].value if isinstance(call.args[0], ast.Constant) else ""
        if code in NO_REPORT:
            continue
        for argument in call.args[1:3]:
            found += [(file, code, s) for s in sentences(argument, known, file)]
    return found


def of_findings() -> list[tuple[str, str]]:
    """Whole sentences in the findings with nothing left open but numbers."""
    found = []
    for path in sorted(ROOT.glob("findings/*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        left_out = set()
        for node in ast.walk(tree):
            documented = isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef)
            if documented and isinstance(node.body[0], ast.Expr):
                left_out.add(node.body[0].value)
            # The command line's own lines; how to look for something stands on the page alone.
            lines = isinstance(node, ast.FunctionDef) and node.name == "summary_lines"
            item = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Item"
            pieces = isinstance(node, ast.JoinedStr)
            if lines or item or pieces:
                left_out |= set(ast.walk(node)) - {node}
        for node in ast.walk(tree):
            if node in left_out or not isinstance(node, ast.Constant):
                continue
            text = node.value
            if isinstance(text, str) and re.fullmatch(r"[A-Z][^ ]* .*\.", text, re.DOTALL):
                found.append((path.name, text))
    return found


@pytest.mark.parametrize("code", OTHERS)
def test_all_that_is_said_of_a_photograph_is_translated(code):
    said = of_photographs()
    assert len(said) > 200  # the source was read, and its sentences were found
    lang = Language(code)
    missing = [one for one in said if not lang.said(one[2]).translated]
    assert not missing
    # Whole notes as they stand in a report, message and advice together, in either unit.
    inches = Language(code, "in")
    pairs = itertools.pairwise(said)
    assert all(inches.said(f"{a[2]} {b[2]}").translated for a, b in pairs)


@pytest.mark.parametrize("code", OTHERS)
def test_whole_sentences_of_the_findings_are_translated(code):
    said = of_findings()
    assert len(said) > 60
    lang = Language(code)
    assert not [one for one in said if not lang.said(one[1]).translated]


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("seed", range(16))
def test_a_report_of_any_bow_says_nothing_in_english(code, seed):
    """With readings of every kind, and each photograph warned of something else."""
    inspection = varied(seed)
    said = of_photographs()
    measured = []
    for i, photo in enumerate(inspection.photos):
        at = (41 * seed + 7 * i) % (len(said) - 1)
        note = Note(said[at][1], said[at][2], said[at + 1][2])
        measured.append(replace(photo.measurement, warnings=(note,)))
    report = build_report(find(inspection, measured), {})
    for units in ("mm", "in"):
        lang = language_for(report, code, units)
        list(blocks_of(report, lang))
        assert lang.untranslated == []


def test_a_sentence_that_is_new_would_be_found():
    source = 'Note("new", f"Card {name} fell over {x:.1f} mm.", "Stand it up.")'
    call = ast.parse(source).body[0].value
    texts = [s for argument in call.args[1:] for s in sentences(argument, {}, "seat.py")]
    assert texts == ["Card A fell over 1.2 mm.", "Card D fell over 1.2 mm.", "Stand it up."]
    assert not Language("de").said(texts[0]).translated
