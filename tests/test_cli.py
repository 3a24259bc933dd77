"""The command line: its words, its exit status, and the JSON that others rely on."""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fitcheck import cli
from fitcheck.samples import samples

ROOT = Path(__file__).parent.parent
SAMPLE = samples()[1]
PHOTO = str(SAMPLE.path)
TYPED = ["--card-thickness", str(SAMPLE.setup.card_thickness_mm), "--print-scale", "100", "100"]


def run(capsys, *arguments):
    status = cli.main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def one_line(err):
    lines = [line for line in err.splitlines() if line]
    assert len(lines) == 1, err
    assert lines[0].startswith("fitcheck: ")
    assert lines[0].endswith(".")
    return lines[0]


@pytest.fixture(scope="module")
def measured():
    """The JSON of one measurement, run as a program."""
    done = subprocess.run(
        [sys.executable, "-m", "fitcheck", "measure", PHOTO, "--view", "seat", "--json", *TYPED],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_json_has_the_shape_of_the_contract(measured):
    assert measured["photo"] == SAMPLE.path.name
    assert measured["view"] == "seat"
    assert measured["refused"] is None
    assert {c["card"] for c in measured["cards"]} == {"A", "B"}
    for card in measured["cards"]:
        assert card["corners"] == 28
        assert 0 < card["residual_px"] < 0.5
    assert set(measured["lens"]) >= {"focal_px", "k1", "k2"}
    edges = {e["edge"]: e for e in measured["edges"]}
    assert set(edges) >= {"limb_left", "limb_right", "riser_left", "riser_right"}
    for edge in edges.values():
        assert np.array(edge["pixels"]).shape == (2, 2)
        assert edge["scatter_mm"] > 0
    names = [c["name"] for c in measured["characteristics"]]
    assert names == [
        "overhang_left",
        "overhang_right",
        "limb_width",
        "riser_width",
        "lateral_offset",
        "lateral_angle",
        "face_step",
    ]
    for found in measured["characteristics"]:
        assert found["unit"] == ("deg" if found["name"] == "lateral_angle" else "mm")
        assert found["standard_uncertainty"] > 0
        low, high = found["interval95"]
        assert low < found["value"] < high
        assert all(u >= 0 for u in found["budget"].values())
    for warning in measured["warnings"]:
        assert set(warning) >= {"code", "message"}


def test_json_edges_lie_on_the_true_edges(measured):
    truth = json.loads(SAMPLE.path.with_suffix(".json").read_text())["edges_px"]
    for edge in measured["edges"]:
        if edge["edge"] in truth:
            a, b = np.array(truth[edge["edge"]])
            normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
            assert np.all(np.abs((np.array(edge["pixels"]) - a) @ normal) < 2.0)


def test_lateral_offset_is_half_the_difference_of_the_overhangs(measured):
    value = {c["name"]: c["value"] for c in measured["characteristics"]}
    half = (value["overhang_right"] - value["overhang_left"]) / 2
    assert value["lateral_offset"] == pytest.approx(half, abs=1e-4)


def test_several_photos_make_a_list_and_one_refusal_status_3(capsys, tmp_path):
    blank = tmp_path / "blank.png"
    Image.new("RGB", (1000, 800), (128, 128, 128)).save(blank)
    status, out, err = run(capsys, "measure", PHOTO, blank, "--view", "seat", "--json", *TYPED)
    assert status == 3
    good, refused = json.loads(out)
    assert good["refused"] is None
    assert good["characteristics"]
    assert refused["characteristics"] == []
    assert set(refused["refused"]) == {"code", "message", "advice"}
    assert all(refused["refused"].values())
    assert err == ""


def test_an_unreadable_file_is_status_2_and_the_others_are_measured(capsys, tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(SAMPLE.path.read_bytes()[:5000])
    status, out, err = run(capsys, "measure", broken, PHOTO, "--view", "seat", "--json", *TYPED)
    assert status == 2
    one_line(err)
    broken_json, good = json.loads(out)
    assert broken_json["refused"]["code"]
    assert good["characteristics"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure", PHOTO], "--view"),
        (["measure", "--view", "seat"], "PHOTO"),
        (["measure", PHOTO, "--view", "top"], "no view called 'top'"),
        (["measure", PHOTO, "--view", "seat", "--card-thickness", "x"], "invalid float"),
        (["measure", PHOTO, "--view", "seat", "--card-thickness", "nan"], "cannot be right"),
        (["measure", PHOTO, "--view", "seat", "--print-scale", "1"], "expected 2"),
        (["measure", PHOTO, "--view", "seat", "--print-scale", "1.0", "3"], "cannot be right"),
        (["measure", PHOTO, "--view", "seat", "--hints", "no-such.json"], "cannot be read"),
        (["cards", "--out", "x", "--paper", "a5"], "invalid choice"),
        (["nothing"], "invalid choice"),
        ([], "required"),
    ],
)
def test_bad_arguments_are_status_2_and_one_sentence(capsys, arguments, words):
    status, out, err = run(capsys, *arguments)
    assert status == 2
    assert out == ""
    assert words in one_line(err)


@pytest.mark.parametrize(
    "content", ["", "[1, 2]", "{", '{"limb_left": 3}', '{"limb_left": [[1, 2], [1, NaN]]}',
                '{"wall": [[1, 2], [3, 4]]}', "[" * 100_000]
)  # fmt: skip
def test_bad_hint_files_are_status_2(capsys, tmp_path, content):
    hints = tmp_path / "hints.json"
    hints.write_text(content)
    status, _, err = run(capsys, "measure", PHOTO, "--view", "seat", "--hints", hints)
    assert status == 2
    one_line(err)


def test_hints_are_used(capsys, tmp_path):
    edges = json.loads(SAMPLE.path.with_suffix(".json").read_text())["edges_px"]
    hints = tmp_path / "hints.json"
    hints.write_text(json.dumps({"riser_left": edges["riser_left"]}))
    status, out, _ = run(
        capsys, "measure", PHOTO, "--view", "seat", "--json", "--hints", hints, *TYPED
    )
    assert status == 0
    origins = {e["edge"]: e["origin"] for e in json.loads(out)["edges"]}
    assert origins["riser_left"] == "hint"
    assert origins["limb_left"] == "search"


def test_print_scale_may_be_typed_in_millimetres_or_as_a_ratio(capsys):
    widths = []
    for typed in (("99.5", "99.5"), ("0.995", "0.995")):
        _, out, _ = run(
            capsys, "measure", PHOTO, "--view", "seat", "--json", "--print-scale", *typed
        )
        found = {c["name"]: c["value"] for c in json.loads(out)["characteristics"]}
        widths.append(found["limb_width"])
    assert widths[0] == widths[1]


def test_text_output_says_what_was_found_and_the_report_is_written(capsys, tmp_path):
    report = tmp_path / "new" / "report.html"
    status, out, err = run(capsys, "measure", PHOTO, "--view", "seat", "--report", report, *TYPED)
    assert status == 0
    assert "Overhang, left" in out
    assert "±" in out
    assert "Needs rework" in out
    assert str(report) in err
    assert "Overhang, left" in report.read_text(encoding="utf-8")


def test_cards_writes_the_sheet_and_each_card(capsys, tmp_path):
    for paper in ("a4", "letter"):
        status, out, _ = run(capsys, "cards", "--out", tmp_path, "--paper", paper)
        assert status == 0
        written = {Path(line).name for line in out.splitlines()}
        cards = {f"card-{name}.png" for name in "ABCD"}
        assert written == cards | {f"card-sheet-{paper}.pdf"}
        assert all((tmp_path / name).is_file() for name in written)


def test_cards_into_a_file_is_refused(capsys, tmp_path):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    status, _, err = run(capsys, "cards", "--out", in_the_way)
    assert status == 2
    one_line(err)


def test_demo_finds_the_story_of_the_sample_bow_from_its_photographs(tmp_path):
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "fitcheck", "demo", "--out", str(out)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr
    story = json.loads((ROOT / "sample_images" / "bow" / "story.json").read_text(encoding="utf-8"))
    said = done.stdout
    assert said.splitlines()[1].startswith("Rework.")
    assert "The limbs are exchanged" in said
    pad = re.search(r"pad at the upper end is ([\d.]+)° ± ([\d.]+)° from square, right", said)
    assert pad is not None
    assert abs(float(pad[1]) - story["pad_squareness"]["upper"]) < float(pad[2])
    lip = re.search(r"K2 stands ([\d.]+) mm ± ([\d.]+) mm proud on the right, at the lower", said)
    assert lip is not None
    true_lip = story["seats"]["exchanged"]["lower"]["overhang_right"]
    assert abs(float(lip[1]) - true_lip) < float(lip[2])
    assert "0 with a silent blunder" in said
    findings = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    assert findings["fit_for"]["use"] == "rework"
    measured = json.loads((out / "measurements.json").read_text(encoding="utf-8"))
    assert len(measured) == len(list((ROOT / "sample_images" / "bow").glob("*.jpg")))
    assert all(m["refused"] is None for m in measured)
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF-")


def commands():
    parser = cli._parser()
    actions = [a for a in parser._actions if getattr(a, "choices", None)]
    return parser, actions[0].choices


def test_every_command_and_option_has_help_and_is_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    _, found = commands()
    for name, command in found.items():
        assert re.search(rf"fitcheck {name}\b", readme), name
        for action in command._actions:
            if action.option_strings and action.dest != "help":
                assert action.help, (name, action.dest)
                assert action.option_strings[0] in readme, (name, action.option_strings)


def test_help_and_version_are_status_0(capsys):
    assert run(capsys, "--help")[0] == 0
    assert run(capsys, "--version")[0] == 0
    for name in commands()[1]:
        assert run(capsys, name, "--help")[0] == 0


def test_the_console_script_is_installed_under_its_name():
    script = shutil.which("fitcheck", path=str(Path(sys.executable).parent))
    if script is None:
        pytest.skip("the package is not installed in this environment")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, check=False)
    assert done.stdout.startswith("fitcheck ")
