"""How errors against truth are counted."""

import json
import shutil

import pytest

from fitcheck import cli
from fitcheck.accuracy import Comparison, compare, known_photographs, table, to_json, to_text
from fitcheck.errors import BadInput
from fitcheck.measurement import Characteristic, Measurement, Note
from fitcheck.samples import samples


def known(folder, truth, **more):
    (folder / "one.jpg").write_bytes(b"picture")
    data = {"view": "seat", "truth": truth, **more}
    (folder / "one.json").write_text(json.dumps(data))
    return known_photographs(folder)[0]


def measured(warnings=(), **values):
    found = tuple(
        Characteristic(n, v, "mm", 0.05, (v - 0.1, v + 0.1), {}) for n, v in values.items()
    )
    return Measurement("one.jpg", "seat", characteristics=found, warnings=warnings)


def test_errors_coverage_and_blunders_are_told_apart(tmp_path):
    one = known(tmp_path, {"overhang_left": 1.0, "overhang_right": 2.0, "limb_width": 40.0})
    result = compare(measured(overhang_left=1.05, overhang_right=2.6, limb_width=40.2), one)
    assert result.errors == pytest.approx(
        {"overhang_left": 0.05, "overhang_right": 0.6, "limb_width": 0.2}
    )
    assert result.held == {"overhang_left": True, "overhang_right": False, "limb_width": False}
    assert result.blunders == ("overhang_right",)


def test_a_warning_makes_a_blunder_not_silent(tmp_path):
    one = known(tmp_path, {"overhang_left": 1.0})
    warned = compare(measured((Note("soft", "Soft."),), overhang_left=2.0), one)
    assert warned.blunders == ()
    assert warned.warnings == ("soft",)


def test_the_table_takes_left_and_right_together(tmp_path):
    one = known(tmp_path, {"overhang_left": 1.0, "overhang_right": 2.0})
    (line,) = table([compare(measured(overhang_left=1.1, overhang_right=1.7), one)])
    assert (line.name, line.count) == ("overhang", 2)
    assert line.median == pytest.approx(0.2)
    assert line.largest == pytest.approx(0.3)
    assert line.coverage == pytest.approx(0.5)
    assert line.median_expanded == pytest.approx(0.1)


def test_refusals_count_and_are_named():
    comparisons = [
        Comparison("a.jpg", "seat", hard=False, refused="no_card"),
        Comparison("b.jpg", "seat", hard=True, errors={}, warnings=("soft",)),
    ]
    totals = to_json(comparisons)["totals"]
    assert totals["measured"] == 1
    assert (totals["not_hard"], totals["not_hard_measured"]) == (1, 0)
    assert "a.jpg: refused, no_card" in to_text(comparisons)
    assert "b.jpg: warned, soft" in to_text(comparisons)


def test_truth_that_cannot_be_used_is_refused(tmp_path):
    with pytest.raises(BadInput, match="No photograph"):
        known_photographs(tmp_path)
    with pytest.raises(BadInput, match="no folder"):
        known_photographs(tmp_path / "missing")
    (tmp_path / "one.jpg").write_bytes(b"")
    (tmp_path / "one.json").write_text('{"view": "seat", "truth": {"limb_width": "wide"}}')
    with pytest.raises(BadInput, match=r"one\.json"):
        known_photographs(tmp_path)


def test_the_command_measures_a_folder(tmp_path, capsys):
    sample = samples()[0]
    for path in (sample.path, sample.path.with_suffix(".json")):
        shutil.copy(path, tmp_path)
    assert cli.main(["accuracy", str(tmp_path), "--json", "--lens", "known"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["totals"]["measured"] == 1
    assert result["totals"]["silent_blunders"] == 0
    lines = {line["name"]: line for line in result["characteristics"]}
    assert lines["overhang"]["count"] == 2
    assert 0 < lines["overhang"]["largest"] < 0.3
