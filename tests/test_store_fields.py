"""Documents as fields, strict JSON, and merging changes that were made at the same time."""

from __future__ import annotations

import copy
import random
import string
from typing import Any

import pytest

from fitcheck.errors import BadInput
from fitcheck.store.changes import Change, merge
from fitcheck.store.fields import ABSENT, edits_between, overlap, value_at, with_edit
from fitcheck.store.strict_json import (
    DEEPEST,
    LONGEST_TEXT,
    MOST_BYTES,
    check_json,
    read_json,
    same_json,
    write_json,
)

BOW: dict[str, Any] = {
    "customer": "An invented customer",
    "bow": {"name": "62 in recurve", "length": "62 in"},
    "photos": [{"file": "a.jpg", "view": "seat"}, {"file": "b.jpg", "view": "pad"}],
    "condition": [
        {"item": "crack_across", "limb": "A", "found": False},
        {"item": "crack_across", "limb": "B", "found": False},
    ],
    "check_bars": ["100", "99.9"],
    "note": None,
}


def edited(document: Any, edits: dict[str, Any]) -> Any:
    for path, value in edits.items():
        document = with_edit(document, path, value)
    return document


def changed(change: Any) -> dict[str, Any]:
    document = copy.deepcopy(BOW)
    change(document)
    return document


# Fields


def test_a_change_is_no_larger_than_what_changed() -> None:
    after = changed(lambda d: d["bow"].update(length="64 in", maker="someone"))
    assert edits_between(BOW, after) == {"/bow/length": "64 in", "/bow/maker": "someone"}
    assert edits_between(BOW, copy.deepcopy(BOW)) == {}


def test_items_of_a_list_are_named_by_what_identifies_them() -> None:
    after = changed(lambda d: d["photos"].append({"file": "c/d.jpg", "view": "seat"}))
    after["photos"][1]["view"] = "seat"
    after["condition"][1]["found"] = True
    del after["photos"][0]
    assert edits_between(BOW, after) == {
        "/photos/[file=a.jpg]": ABSENT,
        "/photos/[file=b.jpg]/view": "seat",
        "/photos/[file=c~1d.jpg]": {"file": "c/d.jpg", "view": "seat"},
        "/condition/[item=crack_across&limb=B]/found": True,
    }


def test_a_list_that_nothing_identifies_or_that_changed_its_order_is_one_field() -> None:
    after = changed(lambda d: d.update(check_bars=["100", "100.2"]))
    assert edits_between(BOW, after) == {"/check_bars": ["100", "100.2"]}
    turned = changed(lambda d: d["photos"].reverse())
    assert edits_between(BOW, turned) == {"/photos": turned["photos"]}
    twice = changed(lambda d: d["photos"].append({"file": "a.jpg"}))
    assert edits_between(BOW, twice) == {"/photos": twice["photos"]}


def test_true_and_one_are_not_the_same() -> None:
    assert edits_between({"found": True}, {"found": 1}) == {"/found": 1}
    assert same_json({"a": 1, "b": 2}, {"b": 2, "a": 1})
    assert not same_json([True], [1])


def random_document(rng: random.Random, depth: int = 0) -> Any:
    kind = rng.choice("snbl" if depth > 3 else "snbloooLL")
    if kind == "o":
        names = rng.sample(["a", "b/c", "~", "[x]", "", "é", "d"], rng.randint(0, 4))
        return {name: random_document(rng, depth + 1) for name in names}
    if kind == "L":
        names = rng.sample(["a=b", "&", "%26", "x/y", "[z]", "q"], rng.randint(0, 4))
        return [{"file": name, "of": random_document(rng, depth + 1)} for name in names]
    if kind == "l":
        return [rng.randint(0, 2) for _ in range(rng.randint(0, 3))]
    if kind == "n":
        return rng.choice([0, 1, 1.0, -2.5, None])
    return rng.choice([True, False]) if kind == "b" else rng.choice(string.printable)


def test_edits_always_make_the_one_document_of_the_other() -> None:
    rng = random.Random(20261125)
    for _ in range(3000):
        before, after = ({"root": random_document(rng)} for _ in range(2))
        kept = copy.deepcopy(before)
        edits = edits_between(before, after)
        assert same_json(edited(before, edits), after)
        assert same_json(before, kept)
        for path, value in edits.items():
            assert same_json_or_absent(value_at(after, path), value)


def same_json_or_absent(one: Any, other: Any) -> bool:
    return one is other if ABSENT in (one, other) else same_json(one, other)


def test_a_field_inside_something_that_is_no_object_cannot_be_set() -> None:
    for path in ("/customer/name", "/photos/[file=gone.jpg]/view", "/photos/name", "/bow/[id=1]"):
        with pytest.raises(BadInput, match="no place for"):
            with_edit(BOW, path, "x")
    assert value_at(BOW, "/photos/[file=gone.jpg]/view") is ABSENT
    assert with_edit({}, "/a/b", 1) == {"a": {"b": 1}}
    assert with_edit({}, "/a/[file=x]", {"file": "x"}) == {"a": [{"file": "x"}]}
    assert with_edit({"a": 1}, "/b/c", ABSENT) == {"a": 1}


@pytest.mark.parametrize(
    ("one", "other", "overlapping"),
    [
        ("/a", "/a", True),
        ("/a", "/a/b", True),
        ("/a/b", "/a", True),
        ("/a", "/ab", False),
        ("", "/a", True),
        ("/a/b", "/a/c", False),
    ],
)
def test_fields_overlap_where_one_lies_in_the_other(
    one: str, other: str, overlapping: bool
) -> None:
    assert overlap(one, other) is overlapping


# Merging


def since(*changes: tuple[str, Any]) -> list[Change]:
    return [Change("2026-11-25", "phone", path, "", value, 2) for path, value in changes]


def test_changes_of_different_fields_are_all_taken() -> None:
    stands = with_edit(BOW, "/customer", "Another")
    document, taken, clashes = merge(stands, {"/note": "came by post"}, since(("/customer", "")))
    assert document["customer"] == "Another"
    assert document["note"] == "came by post"
    assert taken == [("/note", None, "came by post")]
    assert not clashes


def test_the_later_change_of_one_field_is_told_and_does_not_overwrite() -> None:
    stands = with_edit(BOW, "/customer", "First")
    document, taken, clashes = merge(
        stands, {"/customer": "Second", "/note": "x"}, since(("/customer", "First"))
    )
    assert document["customer"] == "First"
    assert [path for path, _, _ in taken] == ["/note"]
    (clash,) = clashes
    assert (clash.wanted, clash.stands, clash.who) == ("Second", "First", "phone")


def test_the_same_change_twice_is_no_clash() -> None:
    stands = with_edit(BOW, "/customer", "First")
    document, taken, clashes = merge(stands, {"/customer": "First"}, since(("/customer", "First")))
    assert document == stands
    assert not taken
    assert not clashes


def test_two_phones_add_photographs_to_one_list() -> None:
    stands = with_edit({}, "/photos/[file=1.jpg]", {"file": "1.jpg"})
    edits = edits_between({}, {"photos": [{"file": "2.jpg"}]})
    document, _, clashes = merge(stands, edits, since(("/photos/[file=1.jpg]", {})))
    assert [photo["file"] for photo in document["photos"]] == ["1.jpg", "2.jpg"]
    assert not clashes


def test_a_change_in_what_was_taken_away_is_told() -> None:
    stands = with_edit(BOW, "/photos/[file=a.jpg]", ABSENT)
    edits = {"/photos/[file=a.jpg]/view": "pad"}
    _, taken, (clash,) = merge(stands, edits, since(("/photos/[file=a.jpg]", ABSENT)))
    assert not taken
    assert clash.stands is ABSENT


def test_a_value_that_cannot_be_kept_is_refused() -> None:
    with pytest.raises(BadInput, match="not finite"):
        merge({}, {"/a": float("nan")}, [])
    with pytest.raises(BadInput, match="more than 20000"):
        merge({}, {f"/{i}": i for i in range(20_001)}, [])


# Strict JSON


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"[1,]", "not JSON"),
        (b"\xff\xfe", "not UTF-8"),
        (b'{"a": NaN}', "not finite"),
        (b"[Infinity, 1]", "not finite"),
        (b"[-Infinity]", "not finite"),
        (b"[1e999]", "not finite"),
        (b"[9007199254740993]", "too large"),
        (b"[" + b"9" * 5000 + b"]", "not JSON"),
        (b'{"a": 1, "a": 2}', "comes twice"),
        (b'{"a": {"b": 1, "b": 1}}', "comes twice"),
        (b"[" * (DEEPEST + 2) + b"]" * (DEEPEST + 2), "nested more than"),
        (b"[" * 200_000 + b"]" * 200_000, "nested more than"),
        (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "nested more than"),
        (b'["\\ud800"]', "half a character"),
        (b'{"\\udfff": 1}', "half a character"),
        (b'"' + b"x" * (LONGEST_TEXT + 1) + b'"', "longer than"),
        (b"[" + b"0," * 600_000 + b"0]", "more than 500000 values"),
        (b" " * (MOST_BYTES + 1), "larger than"),
    ],
    ids=range(20),
)
def test_json_that_no_two_readers_take_alike_is_refused(data: bytes, reason: str) -> None:
    with pytest.raises(BadInput, match=rf"the\.json cannot be taken: .*{reason}") as error:
        read_json(data, "the.json")
    assert error.value.code == "json_refused"


def test_sound_json_comes_back_as_it_was() -> None:
    value = {"a": [1, -2.5, True, None, "é \x00 \u202e <b>"], "b": {}, "": []}
    assert same_json(read_json(write_json(value).encode("utf-8"), "it"), value)
    assert read_json(b"\xef\xbb\xbf[1]", "it") == [1]
    nested: Any = 1
    for _ in range(DEEPEST):
        nested = [nested]
    check_json(nested, "it")


def test_what_is_not_of_json_is_refused() -> None:
    for value in ({1: 2}, [object()], {"a": b"bytes"}, {"a": (1, 2)}):
        with pytest.raises(BadInput):
            check_json(value, "it")
