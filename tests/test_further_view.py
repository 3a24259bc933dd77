"""A view is added by one entry in the registry, and everything that speaks of views knows it."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys

import pypdfium2
import pytest
from further_view import SPACING
from scene import SeatScene, photograph

from fitcheck import cli
from fitcheck.inspection_file import FORMAT, VERSION
from fitcheck.page.document import begun, inspection_of
from fitcheck.page.one_photo import verdict
from fitcheck.page.shots import all_shots, shown_by, words_of
from fitcheck.photo_guide import guide_pdf
from fitcheck.pipeline import measure_photo
from fitcheck.samples import samples
from fitcheck.setup import Setup
from fitcheck.views import VIEWS


@pytest.fixture(autouse=True)
def registered(monkeypatch):
    monkeypatch.setitem(VIEWS, SPACING.name, SPACING)


def test_it_measures_and_the_page_says_what_came_out():
    scene = SeatScene()
    found = measure_photo(photograph(scene), "spacing", Setup(scene.thickness))
    (spacing,) = found.characteristics
    # Where the ray caster lays the cards: A from 65 mm on, B from -128 mm, 0.7 mm to the left.
    truth = math.hypot(65 + 128, scene.lateral_offset + 0.7, scene.face_step)
    assert abs(spacing.value - truth) < max(0.1, 2 * spacing.expanded_uncertainty)
    assert "Card spacing" in verdict(found)


def test_measure_prints_it(capsys):
    assert cli.main(["measure", "--view", "spacing", str(samples()[0].path)]) == 0
    said = capsys.readouterr().out
    assert "Card spacing" in said
    assert "Not judged" in said


@pytest.mark.parametrize("command", ["measure", "lot", "repeat"])
def test_help_names_every_view(command, capsys):
    assert cli.main([command, "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "seat, pad, sight, joint or spacing" in said


def test_asking_for_help_does_not_load_the_engine():
    code = (
        "import sys; from fitcheck.cli import main; main(['--help']); "
        "sys.exit('cv2' in sys.modules or 'fitcheck.views' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0


def test_the_guide_has_a_page_of_its_steps_without_a_drawing(tmp_path, capsys):
    assert cli.main(["guide", "--out", str(tmp_path)]) == 0
    assert capsys.readouterr().out.strip().endswith("photo-guide-a4.pdf")
    document = pypdfium2.PdfDocument(guide_pdf())
    assert len(document) == len(VIEWS)
    text = document[len(VIEWS) - 1].get_textpage().get_text_bounded()
    document.close()
    assert SPACING.title in text
    assert all(step in text for step in SPACING.how_to)
    assert "Where to hold the phone" not in text


def test_an_inspection_shows_its_value_and_does_not_judge_it(tmp_path, capsys):
    folder, out = tmp_path / "bow", tmp_path / "out"
    folder.mkdir()
    shutil.copy(samples()[0].path, folder / "a.jpg")
    record = {"format": FORMAT, "version": VERSION, "photos": [{"file": "a.jpg"}]}
    record["photos"][0]["view"] = "spacing"
    (folder / "inspection.json").write_text(json.dumps(record), encoding="utf-8")
    assert cli.main(["inspect", str(folder), "--out", str(out)]) == 0
    capsys.readouterr()
    found = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    (value,) = (v for v in found["values"] if v["name"] == "card_spacing")
    assert 150 < value["value"] < 250
    assert value["standard_uncertainty"] > 0
    assert "card_spacing" not in json.dumps(found["decisions"])
    html = (out / "report.html").read_text(encoding="utf-8")
    assert "Card spacing" in html
    assert "Spacing of the cards (1 photograph)" in html
    assert "in the plane of each of the cards A, B" in html


def test_the_page_offers_it_and_takes_it_into_the_inspection():
    document = begun("rework")
    (shot,) = (one for one in all_shots(document) if one.view == "spacing")
    assert shot.optional
    assert words_of(shot.fields) == SPACING.title
    assert shown_by({"view": "spacing"}) == {"view": "spacing"}
    document["photos"] = [{"sha256": "0" * 64, "file": "a.jpg", **shot.fields}]
    inspection, hashes = inspection_of(document)
    assert [photo.view for photo in inspection.photos] == ["spacing"]
    assert len(hashes) == 1
