"""Feeds mutated photographs and inspection files to what reads them, and counts what breaks.

    python tests/fuzz.py images [--corpus FOLDER] [--count 10000] [--seed 1]
    python tests/fuzz.py files [--corpus FOLDER] [--count 10000] [--seed 1]

A case is made from its number and the corpus. Cases run in a process of their own: one that
dies, takes more than ten seconds or raises anything but BadInput is counted, and its input kept
(``--keep``). Memory is the largest that the process ever had.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import io
import json
import multiprocessing
import os
import random
import resource
import sys
import tempfile
import time
import traceback
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput

HANG_S = 10.0
ADDRESS_SPACE = 8 * 2**30  # a case that wants more than this gets MemoryError instead
MOST_CORPUS_BYTES = 3_000_000  # of one file: mutating large ones tells little and takes long

Case = tuple[str, bytes]  # which reader, and what it is to read


@dataclass
class Outcome:
    """What became of all cases."""

    cases: int = 0
    taken: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    broken: list[tuple[int, str]] = field(default_factory=list)  # case and how
    longest_s: float = 0.0
    peak_mib: float = 0.0
    base_mib: float = 0.0

    def __str__(self) -> str:
        codes = ", ".join(f"{code} {n}" for code, n in self.refused.most_common())
        lines = [
            f"{self.cases} cases: {self.taken} taken, {sum(self.refused.values())} refused, "
            f"{len(self.broken)} broken",
            f"refused as: {codes}",
            f"longest case {self.longest_s:.1f} s; memory {self.base_mib:.0f} MiB at the "
            f"beginning, {self.peak_mib:.0f} MiB at the most",
        ]
        return "\n".join(lines + [f"case {number}: {how}" for number, how in self.broken])


# ---- making cases --------------------------------------------------------------------------


def mutated(data: bytes, corpus: list[bytes], rng: random.Random) -> bytes:
    """Change bytes as a damaged disk, a bad cable or a hostile hand would."""
    piece = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 5, 10, 30))):
        if not piece:
            break
        # Headers decide more than pixels do: half of the changes fall there.
        at = rng.randrange(min(len(piece), 600) if rng.random() < 0.5 else len(piece))
        length = rng.choice((1, 2, 4, 16, 100, 1000))
        match rng.randrange(9):
            case 0:
                piece[at] ^= 1 << rng.randrange(8)
            case 1:
                piece[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFE, 0xFF))
            case 2:
                number = rng.choice((0, 1, 255, 65_535, 2**31 - 1, 2**31, 2**32 - 1))
                size = rng.choice((2, 4))
                order: Any = rng.choice(("big", "little"))
                piece[at : at + size] = (number % 2 ** (8 * size)).to_bytes(size, order)
            case 3:
                piece[at : at + length] = rng.randbytes(length)
            case 4:
                del piece[at : at + length]
            case 5:
                piece[at:at] = rng.randbytes(length)
            case 6:
                piece[at:at] = piece[at : at + length] * rng.randint(1, 20)
            case 7:
                other = rng.choice(corpus)
                start = rng.randrange(max(1, len(other)))
                piece[at : at + length] = other[start : start + length]
            case 8 if rng.random() < 0.3:
                del piece[at:]
    return bytes(piece)


def with_right_checksums(data: bytes) -> bytes:
    """Put a PNG's checksums right, so that a change gets past them."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n"):
        return data
    piece, at = bytearray(data), 8
    while at + 12 <= len(piece):
        length = int.from_bytes(piece[at : at + 4], "big")
        end = at + 8 + length
        if end + 4 > len(piece):
            break
        piece[end : end + 4] = zlib.crc32(piece[at + 4 : end]).to_bytes(4, "big")
        at = end + 4
    return bytes(piece)


HOSTILE: tuple[Any, ...] = (
    None, True, 0, -1, 2**31, 2**53 + 1, 10**400, 1e308, -0.0, float("nan"), float("inf"), "",
    "\x00", "\u202egpj.exe", "<script>alert(1)</script>", "=cmd|'/C calc'!A0", "../../etc/passwd",
    "%s%n", "\ud800", "9" * 5000, "x" * 300_000, "1e999 in", "0/0", "٣ mm", [], {}, [[]],
    ["a"] * 50, {"": {"": {}}}, "NaN", "-", "C:\\x", "con", "a" * 64, {"format": "x"},
)  # fmt: skip


def mutated_json(value: Any, rng: random.Random) -> bytes:
    """Change a document: values, names, types, nesting; sometimes the text itself, too."""
    document = json.loads(_written(value))
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        places: list[tuple[Any, Any]] = []
        walk = [document]
        while walk:
            one = walk.pop()
            if isinstance(one, dict | list):
                keys = list(one) if isinstance(one, dict) else list(range(len(one)))
                places += [(one, key) for key in keys]
                walk += [one[key] for key in keys]
        if not places:
            break
        holder, key = rng.choice(places)
        match rng.randrange(6):
            case 0 | 1:
                holder[key] = copy.deepcopy(rng.choice(HOSTILE))  # no part of it twice
            case 2:
                del holder[key]
            case 3 if isinstance(holder, dict):
                holder[rng.choice(("x", "", "__proto__", "id", "sha256"))] = holder.pop(key)
            case 3:
                holder.append(_copied(holder[key]))
            case 4:
                deep: Any = holder[key]
                for _ in range(rng.choice((1, 10, 40, 900))):
                    deep = [deep] if rng.random() < 0.5 else {"a": deep}
                holder[key] = deep
            case 5:
                other, another = rng.choice(places)
                holder[key] = _copied(other[another])
    text = _written(document)
    return mutated(text, [text], rng) if rng.random() < 0.3 else text


def _copied(value: Any) -> Any:
    """A copy, so that no part of a document is in it twice; 7 instead of something enormous."""
    try:
        text = _written(value)
        return json.loads(text) if len(text) < 20_000 else 7
    except (RecursionError, ValueError):
        return 7


def _written(value: Any) -> bytes:
    try:
        return json.dumps(value).encode("utf-8", "surrogatepass")
    except RecursionError:  # deeper than Python writes
        return b'{"a":[' * 2000 + b"]}" * 2000


def mutated_zip(data: bytes, corpus: list[bytes], rng: random.Random) -> bytes:
    """Change a zip, or one of its files with its checksums put right."""
    if rng.random() < 0.5:
        return mutated(data, corpus, rng)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = rng.choice([n for n in members if n.endswith(".json")] * 3 + list(members))
    if name.endswith(".json"):
        members[name] = mutated_json(json.loads(members[name]), rng)
    else:
        members[name] = mutated(members[name], corpus, rng)
    if name != "manifest.json":
        manifest = json.loads(members["manifest.json"])
        new = name
        if rng.random() < 0.5 and name not in ("inspection.json", "record.json"):
            digest = hashlib.sha256(members[name]).hexdigest()
            new = f"photographs/{digest}.jpg"
            members[new] = members.pop(name)
            del manifest["files"][name]
        manifest["files"][new] = {
            "bytes": len(members[new]),
            "sha256": hashlib.sha256(members[new]).hexdigest(),
        }
        members["manifest.json"] = _written(manifest)
    buffer = io.BytesIO()
    packed = rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))
    with zipfile.ZipFile(buffer, "w") as archive:
        for member, content in members.items():
            # A fixed date, or the same case made two seconds later is another one.
            archive.writestr(zipfile.ZipInfo(member), content, packed)
    return buffer.getvalue()


def image_case(number: int, seed: int, corpus: list[bytes]) -> Case:
    rng = random.Random(seed * 1_000_003 + number)
    data = mutated(rng.choice(corpus), corpus, rng)
    return "photo", with_right_checksums(data) if rng.random() < 0.5 else data


def file_case(number: int, seed: int, corpus: list[bytes]) -> Case:
    rng = random.Random(seed * 1_000_003 + number)
    document, archive = corpus[0], corpus[1]
    if rng.random() < 0.5:
        if rng.random() < 0.3:
            return "inspection", mutated(document, corpus, rng)
        return "inspection", mutated_json(json.loads(document), rng)
    return "zip", mutated_zip(archive, corpus, rng)


# ---- corpora -------------------------------------------------------------------------------


def image_corpus(folder: Path | None) -> list[bytes]:
    """Photographs in a folder, or small pictures in every format that is read."""
    if folder is not None:
        from fitcheck.photo import photo_kind

        files = sorted(path for path in folder.rglob("*") if path.is_file())
        data = (p.read_bytes() for p in files if p.stat().st_size <= MOST_CORPUS_BYTES)
        found = [one for one in data if photo_kind(one)]
        if not found:
            sys.exit(f"there is no photograph in {folder}")
        return found
    import numpy as np
    import pillow_heif
    from PIL import Image

    pillow_heif.register_heif_opener()
    grain = np.random.default_rng(1).integers(0, 255, (48, 64, 3), dtype=np.uint8)
    picture = Image.fromarray(grain).resize((96, 72))
    deep = Image.fromarray(grain[..., 0].astype(np.uint16) * 257)
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Maker"
    exif.get_ifd(0x8769)[0xA405] = 26
    made = []
    for image, kind, options in (
        (picture, "JPEG", {"exif": exif}),
        (picture, "JPEG", {"progressive": True}),
        (picture.convert("CMYK"), "JPEG", {}),
        (picture.convert("L"), "JPEG", {"exif": exif}),
        (picture, "PNG", {"exif": exif}),
        (picture.convert("P"), "PNG", {}),
        (picture.convert("RGBA"), "PNG", {}),
        (deep, "PNG", {}),
        (picture, "TIFF", {"compression": "tiff_lzw"}),
        (picture, "TIFF", {"compression": "tiff_adobe_deflate", "exif": exif}),
        (picture, "TIFF", {"compression": "jpeg"}),
        (picture.convert("CMYK"), "TIFF", {}),
        (picture.convert("1"), "TIFF", {"compression": "group4"}),
        (deep, "TIFF", {}),
        (picture, "WEBP", {"exif": exif}),
        (picture, "WEBP", {"lossless": True}),
        (picture, "HEIF", {"exif": exif.tobytes()}),
        (picture, "MPO", {"save_all": True, "append_images": [picture]}),
        (picture, "WEBP", {"save_all": True, "append_images": [picture.rotate(90)]}),
        (picture, "PNG", {"save_all": True, "append_images": [picture.rotate(90)]}),
    ):
        buffer = io.BytesIO()
        image.save(buffer, kind, **options)
        made.append(buffer.getvalue())
    return made


def file_corpus(folder: Path | None) -> list[bytes]:
    """An inspection file and an exported inspection; or the first of each in a folder."""
    if folder is not None:
        found = []
        for ending in ("json", "zip"):
            files = sorted(folder.rglob(f"*.{ending}"))
            if not files:
                sys.exit(f"there is no .{ending} file in {folder}")
            found.append(files[0].read_bytes())
        return found
    from fitcheck.store import Store
    from fitcheck.store.exchange import export_inspection

    document = json.loads(INSPECTION)
    with tempfile.TemporaryDirectory() as scratch:
        store = Store(Path(scratch) / "store")
        identity = store.inspections.begin(document, "bench").identity
        for number, data in enumerate(image_corpus(None)[:2]):
            with store.photographs.receive() as incoming:
                incoming.write(data)
                store.inspections.attach(identity, incoming, f"{number}.jpg", "phone")
        store.inspections.keep_measurement(identity, "ab" * 32, {"value": 1.5, "of": [None]})
        store.inspections.keep_report(identity, "report.html", b"<html>" * 50)
        store.inspections.change(identity, {"/note": "x", "/bow/name": "y"}, 1, "bench")
        path = export_inspection(store, identity, Path(scratch) / "out.zip")
        store.database.close()
        return [json.dumps(document).encode("utf-8"), path.read_bytes()]


INSPECTION = """
{"format": "fitcheck inspection", "version": 1, "purpose": "rework", "stage": "as received",
 "reference": "7", "date": "2026-11-25", "customer": "Invented", "shop": "", "complaint": "lip",
 "note": "", "bow": {"name": "62 in", "maker": "Invented", "kind": "recurve", "length": "62 in"},
 "limbs": [{"name": "A", "marked_for": "upper", "glass": true},
           {"name": "B", "marked_for": "lower", "glass": true}],
 "as_received": {"upper": "B", "lower": "A"},
 "cards": {"thickness": "0.5 mm", "check_bars": ["100.0 mm", "99.9 mm"]},
 "photos": [{"file": "a.jpg", "view": "seat", "end": "upper", "limb": "A", "seating": 1,
             "hints": {"limb_left": [[1200.0, 900.0], [1210.0, 1500.0]]}},
            {"file": "b.jpg", "view": "pad", "end": "lower"}],
 "readings": {"riser_length": "19 in", "shelf_above_centre": "1 3/16 in",
  "tiller": [{"limbs": "as received", "upper": "7 1/4 in", "lower": "7 7/16 in"}],
  "draw": {"measured_to": "amo", "points": [{"at": "12 in", "force": "12 lb"},
                                            {"at": "28 in", "force": "50 lb"}]},
  "ends": {"upper": {"pad_width": "1 3/4 in", "pins": "tight"}, "lower": {"pins": "snug"}},
  "feeler": [{"end": "upper", "limb": "A", "side": "right", "at": "butt",
              "enters": "0.05 mm", "does_not_enter": "0.08 mm"}]},
 "condition": [{"item": "crack_across", "limb": "A", "found": false}],
 "limits": {"overhang": {"good": "0.4 mm", "rework": "0.8 mm", "mark": "C", "note": "ours"}}}
"""


# ---- running them ----------------------------------------------------------------------------


def readers(scratch: Path) -> dict[str, Callable[[bytes], object]]:
    """What reads each kind of case; each may raise BadInput and nothing else."""
    from fitcheck import photo
    from fitcheck.inspection_file import parse_inspection
    from fitcheck.page.document import inspection_file, upgraded
    from fitcheck.page.inspection import Inspection
    from fitcheck.store import Store
    from fitcheck.store.exchange import import_inspection
    from fitcheck.store.strict_json import read_json

    photo.MIN_SIDE_PX = 1  # the pictures of most corpora are small; their decoders are the same
    store = Store(scratch / "store")

    def read_photo(data: bytes) -> None:
        with suppress(BadInput):
            photo.check_photo(data, "case")
        photo.read_photo(data, "case")

    def read_zip(data: bytes) -> None:
        path = scratch / "case.zip"
        path.write_bytes(data)
        identity = import_inspection(store, path, "fuzz")
        document = upgraded(store.inspections.get(identity).document)
        assert all(
            photo.name is not None for photo in Inspection(document=document).photos.values()
        )
        store.inspections.listed("x")
        store.inspections.bin(identity, "fuzz")
        store.inspections.empty_bin("fuzz")
        store.sweep()

    def read_inspection(data: bytes) -> None:
        try:
            document = read_json(data, "it")
        except BadInput:
            pass
        else:
            document = upgraded(document if isinstance(document, dict) else {})
            inspection = Inspection(document=document)
            assert all(photo.hints is not None for photo in inspection.photos.values())
            inspection_file(document)
        try:
            parse_inspection(data.decode("utf-8"))
        except UnicodeDecodeError as error:  # told by who reads the file
            raise BadInput("not_text", "It is not text.", "Save it as UTF-8.") from error

    return {"photo": read_photo, "zip": read_zip, "inspection": read_inspection}


def _work(pipe: Connection) -> None:
    """In a process of its own: read the cases that come, and say what became of each."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # the decoders talk much on damaged files
    with tempfile.TemporaryDirectory() as scratch:
        read = readers(Path(scratch))
        pipe.send(_memory_mib())
        while (case := pipe.recv()) is not None:
            reader, data = case
            try:
                read[reader](data)
                said = ("taken", "")
            except BadInput as error:
                said = ("refused", error.code)
                try:
                    str(error).encode("utf-8")
                except UnicodeEncodeError:
                    said = ("broken", f"{reader}: a sentence that cannot be written: {error!r}")
            except BaseException as error:
                where = traceback.extract_tb(error.__traceback__)[-1]
                said = ("broken", f"{reader}: {error!r:.200} in {where.filename}:{where.lineno}")
            pipe.send((*said, _memory_mib()))


def _memory_mib() -> float:
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


KINDS: dict[str, tuple[Any, Any]] = {
    "images": (image_case, image_corpus),
    "files": (file_case, file_corpus),
}


def run(
    kind: str,
    count: int,
    seed: int = 1,
    folder: Path | None = None,
    keep: Path | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Outcome:
    """Run cases 0 to count - 1 of a kind, and start anew after one that died or hung."""
    outcome = Outcome()
    context = multiprocessing.get_context("spawn")
    make, corpus_of = KINDS[kind]
    corpus = corpus_of(folder)

    def broke(how: str, data: bytes) -> None:
        outcome.broken.append((outcome.cases, how))
        if keep is not None:
            keep.mkdir(parents=True, exist_ok=True)
            (keep / f"{kind}-{seed}-{outcome.cases}").write_bytes(data)

    while outcome.cases < count:
        pipe, theirs = context.Pipe()
        worker = context.Process(target=_work, args=(theirs,), daemon=True)
        worker.start()
        theirs.close()
        outcome.base_mib = max(outcome.base_mib, pipe.recv())
        alive = True
        while alive and outcome.cases < count:
            reader, data = make(outcome.cases, seed, corpus)
            begun = time.monotonic()
            try:
                pipe.send((reader, data))
                if not pipe.poll(HANG_S):
                    raise TimeoutError
                what, code, memory = pipe.recv()
            except TimeoutError:
                broke(f"{reader}: hangs for more than {HANG_S:g} s", data)
                alive = False
            except (EOFError, OSError):
                worker.join(20)
                broke(f"{reader}: died with status {worker.exitcode}", data)
                alive = False
            else:
                outcome.longest_s = max(outcome.longest_s, time.monotonic() - begun)
                outcome.peak_mib = max(outcome.peak_mib, memory)
                if what == "taken":
                    outcome.taken += 1
                elif what == "refused":
                    outcome.refused[code] += 1
                else:
                    broke(code, data)
            outcome.cases += 1
            progress(outcome.cases)
        if alive:
            pipe.send(None)
            worker.join(20)
        worker.kill()
        worker.join()
        pipe.close()
    return outcome


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kind", choices=sorted(KINDS))
    parser.add_argument("--corpus", type=Path, help="folder of files to mutate")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for inputs that broke something")
    options = parser.parse_args()
    began = time.monotonic()

    def progress(done: int) -> None:
        if done % 500 == 0:
            print(f"{done} of {options.count}, {time.monotonic() - began:.0f} s", flush=True)

    outcome = run(
        options.kind, options.count, options.seed, options.corpus, options.keep, progress
    )
    print(outcome)
    return int(bool(outcome.broken))


if __name__ == "__main__":
    sys.exit(main())
