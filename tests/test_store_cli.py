"""The store from the command line."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from fitcheck.cli import main
from fitcheck.store import Store

HOSTILE = "Ada \x1b[2J\u202e\n<b>"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def run(capsys: pytest.CaptureFixture[str], store: Store, *words: object) -> tuple[int, str, str]:
    status = main([*map(str, words), "--store", str(store.folder)])
    out, err = capsys.readouterr()
    return status, out.strip(), err.strip()


def test_inspections_are_listed_without_harm(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, store, "inspections") == (0, "", "")
    document = {"customer": HOSTILE, "bow": {"name": "62 in recurve"}}
    identity = store.inspections.begin(document, "me").identity
    store.inspections.begin({"customer": "Bob"}, "me")
    status, out, _ = run(capsys, store, "inspections", "recurve", "ada")
    assert status == 0
    assert out.startswith(identity[:12])
    assert out.endswith("0 photos  62 in recurve  Ada ‹U+001B›[2J‹U+202E›‹U+000A›<b>")
    assert len(run(capsys, store, "inspections")[1].splitlines()) == 2


def test_an_inspection_goes_out_and_into_another_store(
    store: Store, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    identity = store.inspections.begin({"customer": "Ada"}, "me").identity
    path = tmp_path / "out.zip"
    assert run(capsys, store, "export", identity[:8], "--out", path) == (0, str(path), "")
    other = Store(tmp_path / "other")
    status, new, _ = run(capsys, other, "import", path)
    assert status == 0
    assert other.inspections.get(new).document == {"customer": "Ada"}
    status, _, err = run(capsys, other, "import", path)
    assert status == 2
    assert "in this store already" in err


@pytest.mark.parametrize("name", ["nonsense", "", "0", "a", "../x"])
def test_an_inspection_that_is_not_there_is_said_so(
    store: Store, capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str
) -> None:
    store.inspections.begin({}, "me")
    status, out, err = run(capsys, store, "export", name, "--out", tmp_path / "out.zip")
    assert (status, out) == (2, "")
    assert "There is no inspection" in err


def test_the_bin_is_filled_emptied_and_not_by_mistake(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    identity = store.inspections.begin({}, "me").identity
    assert run(capsys, store, "bin", identity)[0] == 0
    assert run(capsys, store, "inspections")[1] == ""
    assert identity[:12] in run(capsys, store, "inspections", "--binned")[1]
    assert run(capsys, store, "bin", identity, "--take-out")[0] == 0
    assert identity[:12] in run(capsys, store, "inspections")[1]
    for words in ([], [identity, "--empty"], ["--empty", "--take-out"]):
        assert run(capsys, store, "bin", *words)[0] == 2
    assert store.inspections.find(identity)
    run(capsys, store, "bin", identity)
    assert run(capsys, store, "bin", "--empty") == (0, "Deleted for good: 1", "")
    assert store.inspections.find(identity) is None


def test_a_backup_is_made_and_opens(
    store: Store, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    identity = store.inspections.begin({"customer": "Ada"}, "me").identity
    assert run(capsys, store, "backup", tmp_path / "copy")[0] == 0
    assert identity[:12] in run(capsys, Store(tmp_path / "copy"), "inspections", "ada")[1]
    assert run(capsys, store, "backup", tmp_path / "copy")[0] == 2


def test_a_backup_that_lacks_a_photograph_says_which_and_can_be_used(
    store: Store, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    identity = store.inspections.begin({"customer": "Ada"}, "me").identity
    with store.photographs.receive() as incoming:
        incoming.write(b"picture")
        store.inspections.attach(identity, incoming, "upper seat.jpg", "me")
        sha256 = incoming.sha256
    (store.folder / "photographs" / sha256[:2] / sha256).unlink()
    status, out, err = run(capsys, store, "backup", tmp_path / "copy")
    assert (status, out) == (3, str(tmp_path / "copy"))
    assert f"photograph upper seat.jpg of inspection {identity}" in err
    assert "1 file of the store could not be copied; all the rest is in it" in err
    assert identity[:12] in run(capsys, Store(tmp_path / "copy"), "inspections", "ada")[1]


@pytest.mark.skipif(sys.platform == "win32", reason="names of files are text there")
def test_what_the_output_cannot_show_stops_nothing(store: Store, tmp_path: Path) -> None:
    document = {"customer": "Łucja 弓", "bow": {"name": "\x1b"}}
    identity = store.inspections.begin(document, "me").identity

    def written(encoding: str, *words: str | bytes) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "fitcheck", *words, "--store", store.folder],
            env={**os.environ, "PYTHONIOENCODING": encoding},
            capture_output=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, b"")
        return done.stdout.decode(encoding)

    assert "?ucja ?" in written("latin-1", "inspections")
    assert "Łucja 弓" in written("utf-8", "inspections")
    path = os.fsencode(tmp_path / "out-") + b"\xe9.zip"
    assert written("utf-8", "export", identity, "--out", path).endswith("out-?.zip\n")
    assert zipfile.is_zipfile(os.fsdecode(path))
