"""A document that another program wrote can be gone on with on the page."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from fitcheck.page.inspection import PhotoFile
from fitcheck.page.keeping import photo_edits, visit
from fitcheck.store import Store


@pytest.mark.parametrize("bow", ["x", 7, None, [], {"limbs": "wood"}])
def test_a_bow_that_is_no_object_can_be_named(tmp_path: Path, bow: Any) -> None:
    store = Store(tmp_path / "store")
    identity = store.inspections.begin({"bow": bow, "cards": 3, "note": "n"}, "else").identity
    there = visit(store, identity, "me")
    there.inspection.put("/bow/name", "62 in")
    there.inspection.put("/cards/thickness", "1.02 mm")
    there.inspection.put("/cards/check_bars", ["99.9 mm", ""])
    there.save()
    document = store.inspections.get(identity).document
    assert document["bow"] == {**(bow if isinstance(bow, dict) else {}), "name": "62 in"}
    assert document["cards"] == {"thickness": "1.02 mm", "check_bars": ["99.9 mm", ""]}
    assert document["note"] == "n"
    assert store.inspections.listed("62")[0].labels["bow"] == "62 in"
    assert there.clashes == []
    assert store.inspections.history(identity)[-1].who == "me"


def test_photographs_come_in_where_something_else_stood(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    identity = store.inspections.begin({"photos": "none yet"}, "else").identity
    there = visit(store, identity, "me")
    for digit in "ab":
        fields = {"sha256": sha_of(digit), "file": f"{digit}.jpg"}
        photo = PhotoFile(sha_of(digit), f"{digit}.jpg", there, fields)
        there.keep(photo, digit.encode())
    photos = store.inspections.get(identity).document["photos"]
    assert [photo["file"] for photo in photos] == ["a.jpg", "b.jpg"]


def test_the_name_of_a_file_is_kept_short_and_clean() -> None:
    (fields,) = photo_edits("0" * 64, "a\x1b[2J\u202e\nb" + "c" * 300).values()
    assert fields["file"] == "a[2J b" + "c" * 194


def sha_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
