"""A photograph given twice counts once, says so, and makes no result surer."""

from __future__ import annotations

from dataclasses import replace

import pytest
from simulated_bows import photograph
from test_findings_rework import sound_bow
from test_photo import asymmetric, encoded

from fitcheck.findings.plain import looked_at, summary_lines
from fitcheck.findings.same_photo import COUNTED_BEFORE, SHOWS_TWO_THINGS, count_once
from fitcheck.findings.whole import find
from fitcheck.inspecting import load_photos, measure_inspection
from fitcheck.inspection import Inspection
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import language_for


def bow() -> Inspection:
    return photograph(sound_bow(pad={"upper": 0.3}), "with pads", 12)


def pads(found) -> list[float]:
    return [found.evidence.get("pad_squareness", end).independent for end in ("upper", "lower")]


def with_files(inspection: Inspection, folder, copies: dict[str, str]):
    """Write a small picture of its own for every photograph, and the same for copies."""
    kinds = {photo.file: i for i, photo in enumerate(inspection.photos)}
    for photo in inspection.photos:
        shade = kinds[copies.get(photo.file, photo.file)]
        (folder / photo.file).write_bytes(encoded(asymmetric() // 2 + shade))
    photos, problems = load_photos(inspection, folder)
    assert not problems
    return measure_inspection(inspection, photos, problems)


def copied(inspection: Inspection, file: str, name: str, **other) -> Inspection:
    (photo,) = (p for p in inspection.photos if p.file == file)
    return replace(inspection, photos=(*inspection.photos, replace(photo, file=name, **other)))


def upper_pad(inspection: Inspection) -> str:
    return next(p.file for p in inspection.photos if (p.view, p.end) == ("pad", "upper"))


def test_a_copy_under_another_name_counts_once(tmp_path):
    once = bow()
    file = upper_pad(once)
    twice = copied(once, file, "copy.jpg")
    alone = find(once, [p.measurement for p in once.photos])
    found = find(twice, with_files(twice, tmp_path, {"copy.jpg": file}))
    assert pads(found) == pads(alone)
    (note,) = found.evidence.notes
    assert note.code == COUNTED_BEFORE
    assert note.message == f"copy.jpg is the same photograph as {file}: it was counted once."
    assert any(note.message in line for line in summary_lines(found))
    assert "the bare pads (2 photographs)" in looked_at(found)
    said = language_for(build_report(found, {}), "de", "mm").said(note.message)
    assert said.translated


def test_two_photographs_with_the_same_numbers_are_two(tmp_path):
    once = bow()
    twice = copied(once, upper_pad(once), "another.jpg")
    found = find(twice, with_files(twice, tmp_path, {}))
    alone = find(once, [p.measurement for p in once.photos])
    assert pads(found)[0] < pads(alone)[0]
    assert pads(found)[1] == pads(alone)[1]
    assert found.evidence.notes == ()


@pytest.mark.parametrize("first", ["upper", "lower"])
def test_one_photograph_said_to_show_two_ends_counts_for_neither(tmp_path, first):
    once = bow()
    file = next(p.file for p in once.photos if (p.view, p.end) == ("pad", first))
    other = "lower" if first == "upper" else "upper"
    only = replace(once, photos=tuple(p for p in once.photos if p.view != "pad" or p.file == file))
    twice = copied(only, file, "copy.jpg", end=other)
    found = find(twice, with_files(twice, tmp_path, {"copy.jpg": file}))
    assert found.evidence.get("pad_squareness", "upper") is None
    assert found.evidence.get("pad_squareness", "lower") is None
    (note,) = found.evidence.notes
    assert note.code == SHOWS_TWO_THINGS
    assert not any("bare pads" in words for words in looked_at(found))
    assert found.fitness.use != "return as is"


def test_without_files_the_same_name_with_the_same_numbers_is_one():
    once = bow()
    photo = once.photos[0]
    photos = (*once.photos, photo)
    measured = [p.measurement for p in photos]
    kept = count_once(photos, measured, {})
    assert kept[:-1] == measured[:-1]
    assert kept[-1].characteristics == ()
    assert kept[-1].warnings[-1].message == f"{photo.file} is given twice: it was counted once."
    # Another result under the same name is another photograph.
    c = photo.measurement.characteristics[0]
    changed = replace(
        photo.measurement,
        characteristics=(
            replace(c, value=c.value + 0.01),
            *photo.measurement.characteristics[1:],
        ),
    )
    assert count_once(photos, [*measured[:-1], changed], {})[-1] == changed


def test_a_photograph_may_serve_two_views():
    once = bow()
    seat = next(p for p in once.photos if p.view == "seat")
    pad = next(p for p in once.photos if p.view == "pad")
    measured = [seat.measurement, pad.measurement]
    assert count_once((seat, pad), measured, {0: "a", 1: "a"}) == measured
