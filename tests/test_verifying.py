"""A report's numbers measured again from its own zip."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from numpy._core import _multiarray_umath as cpu

import fitcheck
from fitcheck import cli
from fitcheck.inspection_file import FILE_NAME
from fitcheck.samples import samples
from fitcheck.units import decimals_supported
from fitcheck.verifying import Compared


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    """The report of one seat, from its photograph."""
    folder = tmp_path_factory.mktemp("bow")
    sample = samples()[0]
    shutil.copy(sample.path, folder / "seat one.jpg")
    inspection = {
        "format": "fitcheck inspection",
        "version": 1,
        "reference": "7",
        "limbs": [{"name": "A"}],
        "photos": [{"file": "seat one.jpg", "view": "seat", "end": "upper", "limb": "A"}],
    }
    (folder / FILE_NAME).write_text(json.dumps(inspection))
    out = folder / "out"
    assert cli.main(["inspect", str(folder), "--out", str(out)]) == 0
    return out


def run(capsys, path):
    status = cli.main(["verify", str(path)])
    out, err = capsys.readouterr()
    return status, out, err


def altered(source: Path, target: Path, change) -> Path:
    """The zip with some files changed, and a list that fits them."""
    with zipfile.ZipFile(source) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(files.pop("manifest.json"))
    change(files, manifest)
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("manifest.json", json.dumps(manifest))
        for name, data in files.items():
            archive.writestr(name, data)
    return target


def relisted(files, manifest):
    manifest["files"] = {
        name: {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in files.items()
    }


def test_a_report_agrees_with_its_own_photographs(written, capsys):
    status, out, _ = run(capsys, written / "report.zip")
    assert status == 0
    assert "numbers agree" in out
    assert "Not compared: report.pdf" in out
    assert "not the same program" not in out
    count = int(out.split(" numbers agree")[0].rsplit(" ", 1)[1])
    assert count >= 7


def test_another_number_in_the_report_is_found(written, tmp_path, capsys):
    def change(files, manifest):
        report = json.loads(files["report.json"])
        one = report["photographs"][0]["measurement"]["characteristics"][0]
        one["value"] += 0.05
        files["report.json"] = json.dumps(report).encode()
        relisted(files, manifest)

    status, out, _ = run(capsys, altered(written / "report.zip", tmp_path / "r.zip", change))
    assert status == 3
    assert "do NOT agree" in out
    assert "overhang_left" in out


def swapped(name, old, new):
    """A change of one form by itself: its list fits, its words do not."""

    def change(files, manifest):
        assert old in files[name]
        files[name] = files[name].replace(old, new)
        relisted(files, manifest)

    return change


def in_json(spoil):
    def change(files, manifest):
        report = json.loads(files["report.json"])
        spoil(report)
        files["report.json"] = json.dumps(report).encode()
        relisted(files, manifest)

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (swapped("report.csv", b"rework", b"good"), "report.csv does not say"),
        (swapped("report.csv", b"1.", b"0."), "report.csv does not say"),
        (swapped("report.html", b"mm", b"cm"), "report.html does not say"),
        (in_json(lambda r: r["text"]["blocks"].pop()), "report.html does not say"),
        (in_json(lambda r: r["findings"]["score"]["bow"].update(points=9.9)), "score, points"),
        (in_json(lambda r: r["findings"]["rework"]["steps"].pop()), "steps of the rework"),
    ],
)
def test_a_form_that_says_something_else_is_found(written, tmp_path, capsys, change, said):
    status, out, _ = run(capsys, altered(written / "report.zip", tmp_path / "r.zip", change))
    assert status == 3
    assert said in out
    assert "do NOT agree" in out


def test_another_code_is_said_and_is_no_difference_by_itself(written, tmp_path, capsys):
    def other(report):
        assert re.fullmatch(r"fitcheck \S+, code [0-9a-f]{12}", report["issues"][-1]["program"])
        report["issues"][-1]["program"] = "fitcheck 0.1.0, code 000000000000"

    status, out, _ = run(
        capsys, altered(written / "report.zip", tmp_path / "r.zip", in_json(other))
    )
    assert status == 0
    assert "not the same program" in out


def test_rounding_of_another_machine_still_agrees(written, tmp_path, capsys):
    def change(files, manifest):
        report = json.loads(files["report.json"])
        for one in report["photographs"][0]["measurement"]["characteristics"]:
            one["value"] += 0.1 * one["standard_uncertainty"] * 0.1
        for one in report["characteristics"]:
            one["value"] -= 0.01 * one["standard_uncertainty"]
        # That machine wrote its table from its own numbers.
        table = list(csv.reader(io.StringIO(files["report.csv"].decode("utf-8-sig"))))
        for row, one in zip(table[1:], report["characteristics"], strict=True):
            row[table[0].index("value")] = f"{one['value']:.6f}"
            if one["unit"] == "mm":
                row[table[0].index("value_in")] = f"{one['value'] / 25.4:.7f}"
        text = io.StringIO()
        csv.writer(text).writerows(table)
        files["report.csv"] = text.getvalue().encode()
        files["report.json"] = json.dumps(report).encode()
        relisted(files, manifest)

    status, out, _ = run(capsys, altered(written / "report.zip", tmp_path / "r.zip", change))
    assert status == 0, out


def test_other_code_in_the_libraries_gives_the_same_numbers(written):
    """The same photograph measured without the libraries' faster code, in a process of its own."""
    script = (
        "import sys, cv2; cv2.setUseOptimized(False); cv2.setNumThreads(1); "
        "from fitcheck.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    slower = {
        "OPENCV_IPP": "disabled",
        "OPENCV_CPU_DISABLE": "AVX2,FMA3,AVX",
        "NPY_DISABLE_CPU_FEATURES": " ".join(cpu.__cpu_dispatch__),
        "OPENBLAS_CORETYPE": "Prescott",  # read on x86 alone
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONPATH": str(Path(fitcheck.__file__).parent.parent),
    }
    done = subprocess.run(
        [sys.executable, "-c", script, "verify", str(written / "report.zip")],
        env={**os.environ, **slower},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    agreed = re.search(r"(\d+) of (\d+) numbers agree", done.stdout)
    assert agreed is not None
    assert agreed[1] == agreed[2]
    assert int(agreed[1]) > 10


@pytest.mark.parametrize(
    ("before", "after", "same", "agrees"),
    [
        ((1.0, 0.2), (1.005, 0.2), True, True),  # within the last digit
        ((1.0, 0.2), (1.019, 0.24), False, True),
        ((1.0, 0.2), (1.03, 0.2), False, False),
        ((1.0, 0.2), (1.0, 0.26), False, False),
        ((0.0, 0.0224), (0.0, 0.0253), False, True),  # as older libraries gave it
        ((3.0, 0.0), (3.2, 0.0), False, False),  # without an uncertainty a step is all
        ((1.0, 0.2), None, False, False),
    ],
)
def test_how_near_two_numbers_agree(before, after, same, agrees):
    step = 0.1 if not before[1] else 10.0 ** -decimals_supported(before[1])
    one = Compared("here", before, after, step)
    assert (one.same, one.agrees) == (same, agrees)


def test_a_zip_that_was_altered_or_is_none_is_refused(written, tmp_path, capsys):
    source = written / "report.zip"

    def other_text(files, _):
        files["report.json"] += b" "

    def stranger(files, manifest):
        files["../evil.txt"] = b"x"
        relisted(files, manifest)

    def unlisted(files, _):
        files["more.txt"] = b"x"

    def another_version(_, manifest):
        manifest["version"] = 2

    def no_report(files, manifest):
        files["report.json"] = b"[]"
        relisted(files, manifest)

    for change in (other_text, stranger, unlisted, another_version, no_report):
        status, _, err = run(capsys, altered(source, tmp_path / "r.zip", change))
        assert status == 2, change.__name__
        assert err.startswith("fitcheck: ")
        assert "Traceback" not in err
    (tmp_path / "none.zip").write_bytes(b"no zip at all")
    assert run(capsys, tmp_path / "none.zip")[0] == 2
    assert run(capsys, tmp_path / "missing.zip")[0] == 2


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.update(issues=[]),
        lambda r: r.update(photographs=[{}]),
        lambda r: r.update(photographs=["x"]),
        lambda r: r["photographs"].append({}),
        lambda r: r["photographs"][0].pop("sha256"),
        lambda r: r["photographs"][0].update(measurement=[]),
    ],
)
def test_a_report_with_a_part_missing_is_refused_with_advice_that_fits(
    written, tmp_path, capsys, spoil
):
    def change(files, manifest):
        report = json.loads(files["report.json"])
        spoil(report)
        files["report.json"] = json.dumps(report).encode()
        relisted(files, manifest)

    status, _, err = run(capsys, altered(written / "report.zip", tmp_path / "r.zip", change))
    assert status == 2
    assert err.rstrip().splitlines()[-1].startswith("fitcheck: ")
    assert "another folder" not in err
    assert "report.zip" in err


def test_the_unpacked_zip_can_be_inspected_again(written, tmp_path, capsys):
    with zipfile.ZipFile(written / "report.zip") as archive:
        archive.extractall(tmp_path / "again")
    assert (tmp_path / "again" / "photographs" / "001-seat-one.jpg").is_file()
    status = cli.main(["inspect", str(tmp_path / "again"), "--out", str(tmp_path / "out")])
    assert status == 0
    first = json.loads((written / "report.json").read_text())
    second = json.loads((tmp_path / "out" / "report.json").read_text())
    values = [[c["value"] for c in r["characteristics"]] for r in (first, second)]
    assert values[0] == pytest.approx(values[1], abs=1e-6)
    capsys.readouterr()


def test_reissue_before_and_options_on_the_command_line(written, tmp_path, capsys):
    folder = written.parent
    options = ["--language", "de", "--units", "in", "--paper", "letter"]
    # The same inspection into the same folder is the same issue.
    record = json.loads((written / "report.json").read_text())
    inspection = json.loads((folder / FILE_NAME).read_text())
    inspection["photos"][0]["measurement"] = record["photographs"][0]["measurement"]
    inspection["complaint"] = "lip"
    target = tmp_path / "bow"
    target.mkdir()
    shutil.copy(folder / "seat one.jpg", target)
    (target / FILE_NAME).write_text(json.dumps(inspection))
    out = tmp_path / "out"
    out.mkdir()
    shutil.copy(written / "report.json", out)
    more = ["--before", str(written / "report.json")]
    arguments = ["inspect", str(target), "--out", str(out), *options, *more]
    assert cli.main(arguments) == 0
    again = json.loads((out / "report.json").read_text())
    assert again["number"] == record["number"]
    assert again["revision"] == 2
    assert again["issues"][1]["changes"]
    assert again["before"]["number"] == record["number"]
    assert {c["verdict"] for c in again["before"]["changes"]} == {"not told"}
    assert again["text"]["language"] == "de"
    assert b"Vorher und nachher" in (out / "report.html").read_bytes()
    capsys.readouterr()
    # A number that is not the report's is refused, and so is another language.
    assert cli.main([*arguments, "--number", "other"]) == 2
    assert cli.main([*arguments[:4], "--language", "xx"]) == 2
    assert "Traceback" not in capsys.readouterr().err
