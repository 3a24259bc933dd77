"""One inspection as a zip: written with checksums, and taken in only if they all hold.

::

    manifest.json            what is in it: size and SHA-256 of each file
    inspection.json          the document
    record.json              changes, measurements, which photographs and reports there are
    photographs/ab12….jpg    as they came, under their hash
    reports/cd34….html       as they were written

A zip from outside is not trusted. Its directory is looked at before anything is read; names
are only ever compared with those that the manifest may hold, so none can lead out of the
store; what is read is counted and ends where the manifest says. First everything is checked,
then one transaction takes all of it in.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
import secrets
import stat
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

from fitcheck import __version__
from fitcheck.errors import BadInput, FitcheckError
from fitcheck.photo import MAX_FILE_BYTES, photo_kind
from fitcheck.store.changes import Change, log, name_of, now
from fitcheck.store.content_files import Incoming
from fitcheck.store.failures import in_words
from fitcheck.store.fields import ABSENT
from fitcheck.store.inspections import (
    IDENTITY,
    Attached,
    KeptMeasurement,
    KeptReport,
    Stored,
    new_identity,
)
from fitcheck.store.store import MOST_REPORT_BYTES, Store
from fitcheck.store.strict_json import MOST_BYTES, read_json

FORMAT: Final = "fitcheck inspection with photographs"
VERSION: Final = 1
MOST_FILES = 2000  # photographs, and reports of many revisions
MOST_SHRUNK = 200  # times; text that repeats itself comes to 50
MOST_TOTAL_BYTES = 4 * 2**30 - 2**20  # below it no zip needs the 64 bit form
MOST_DIRECTORY_BYTES = 2**20
PIECE_BYTES = 2**20

_ENDINGS = {"JPEG": "jpg", "PNG": "png", "TIFF": "tif", "WEBP": "webp", "HEIF": "heic"}
_PHOTOGRAPH = re.compile(r"photographs/([0-9a-f]{64})\.(?:jpg|png|tif|webp|heic|bin)")
_REPORT = re.compile(r"reports/([0-9a-f]{64})\.[a-z]{1,5}")
_TEXTS = ("inspection.json", "record.json")
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00", re.ASCII)


# ---- writing -----------------------------------------------------------------------------


def export_inspection(store: Store, identity: str, path: Path) -> Path:
    """Write one inspection with all that belongs to it as a zip.

    Parameters
    ----------
    store
        Where it is.
    identity
        Of the inspection.
    path
        File to write; it must not be there yet.

    Returns
    -------
    The file.

    Raises
    ------
    BadInput
        ``file_exists``; ``file_vanished`` or ``file_changed`` if a photograph on the disk is
        not what was saved; ``inspection_unknown``; ``inspection_too_large``; and as
        :func:`fitcheck.store.failures.in_words` does.
    """
    stored = store.inspections.get(identity)
    photographs = [p for p in store.inspections.photographs(identity) if p.binned is None]
    reports = store.inspections.reports(identity)
    texts = {
        "inspection.json": _pretty(stored.document),
        "record.json": _pretty(_record(store, stored, photographs, reports)),
    }
    with new_file(path) as file, zipfile.ZipFile(file, "w") as archive:
        contents: dict[str, dict[str, Any]] = {}
        for name, data in texts.items():
            _put(archive, name, data, contents, zipfile.ZIP_DEFLATED)
        for photograph in photographs:
            data = store.inspections.photograph(identity, photograph.sha256)
            ending = _ENDINGS.get(photo_kind(data) or "", "bin")
            _put(archive, f"photographs/{photograph.sha256}.{ending}", data, contents)
        for sha256, name in {report.sha256: report.name for report in reports}.items():
            data = store.inspections.report(identity, sha256)
            ending = Path(name).suffix.lower().lstrip(".") or "bin"
            if not re.fullmatch("[a-z]{1,5}", ending):
                ending = "bin"
            _put(archive, f"reports/{sha256}.{ending}", data, contents, zipfile.ZIP_DEFLATED)
        manifest = {
            "format": FORMAT,
            "version": VERSION,
            "program": f"fitcheck {__version__}",
            "written": now(),
            "inspection": identity,
            "files": contents,
        }
        archive.writestr("manifest.json", _pretty(manifest), zipfile.ZIP_DEFLATED)
    return path


@contextmanager
def new_file(path: Path) -> Iterator[IO[bytes]]:
    """Give a file that gets its name only when it is whole, and never replaces another."""
    what_failed = f"{path.name} was not written"
    part = path.with_name(f".{path.name}.{secrets.token_hex(8)}.part")
    if path.exists():
        raise _exists(path)
    with in_words(what_failed):
        file = part.open("xb")
    try:
        with file:
            yield file
            with in_words(what_failed):
                file.flush()
                os.fsync(file.fileno())
        with in_words(what_failed):
            try:
                os.link(part, path)  # unlike a rename it fails where a file has come meanwhile
            except FileExistsError as error:
                raise _exists(path) from error
            except OSError:  # a disk without links
                part.rename(path)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _put(
    archive: zipfile.ZipFile,
    name: str,
    data: bytes,
    contents: dict[str, dict[str, Any]],
    method: int = zipfile.ZIP_STORED,
) -> None:
    contents[name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    total_bytes = sum(one["bytes"] for one in contents.values())
    if total_bytes > MOST_TOTAL_BYTES or len(contents) > MOST_FILES:
        raise BadInput(
            "inspection_too_large",
            f"The inspection is larger than 4 GiB or has more than {MOST_FILES} files.",
            "Use `fitcheck backup`, which copies the whole store.",
        )
    with in_words("The zip was not written"):
        archive.writestr(name, data, method)


def _record(
    store: Store, stored: Stored, photographs: list[Attached], reports: list[KeptReport]
) -> dict[str, Any]:
    return {
        "revision": stored.revision,
        "begun": stored.begun,
        "changed": stored.changed,
        "photographs": [
            {"sha256": p.sha256, "name": p.name, "attached": p.attached} for p in photographs
        ],
        "measurements": [
            {"sha256": m.sha256, "made": m.made, "content": m.content}
            for m in store.inspections.measurements(stored.identity)
        ],
        "reports": [
            {"sha256": r.sha256, "name": r.name, "revision": r.revision, "made": r.made}
            for r in reports
        ],
        "changes": [_change_json(c) for c in store.inspections.history(stored.identity)],
    }


def _change_json(change: Change) -> dict[str, Any]:
    written: dict[str, Any] = {
        "at": change.at,
        "who": change.who,
        "path": change.path,
        "revision": change.revision,
        "taken": change.taken,
    }
    for name, value in (("before", change.before), ("after", change.after)):
        if value is not ABSENT:  # absent is not null
            written[name] = value
    return written


def _pretty(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1).encode("utf-8")


def _exists(path: Path) -> BadInput:
    return BadInput(
        "file_exists",
        f"There is a file {path} already.",
        "Choose another name; nothing is written over.",
    )


# ---- taking in ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Contents:
    """What a zip says of itself, checked as far as it goes without the photographs."""

    identity: str
    files: Mapping[str, tuple[int, str]]
    stored: Stored
    names: Mapping[str, str]
    measurements: list[KeptMeasurement]
    reports: list[KeptReport]
    changes: list[Change]


def import_inspection(store: Store, path: Path, who: str) -> str:
    """Take in one inspection from a zip that :func:`export_inspection` wrote.

    It gets a new identity, and remembers the one it had.

    Parameters
    ----------
    store
        Where to.
    path
        The zip.
    who
        For the log.

    Returns
    -------
    Its identity.

    Raises
    ------
    BadInput
        ``import_refused`` with the reason if anything in the zip is not as it should be;
        ``import_newer``; ``import_known`` if the inspection is in the store already;
        ``file_missing``; and as :func:`fitcheck.store.failures.in_words` does. Then nothing
        was taken in.
    """
    try:
        file = path.open("rb")
    except FileNotFoundError as error:
        raise BadInput(
            "file_missing", f"There is no file {path}.", "Check the name and the folder."
        ) from error
    except OSError as error:
        raise BadInput(
            "file_unreadable",
            f"{path.name} cannot be read: {error.strerror or error}.",
            "Check that it is a file and that you may read it.",
        ) from error
    with file, ExitStack() as received:
        contents, incoming = _read(store, file, received)
        return _keep(store, contents, incoming, who)


def _read(
    store: Store, file: IO[bytes], received: ExitStack
) -> tuple[_Contents, dict[str, Incoming]]:
    """Read and check all of it; the files stand ready in the store, under no name yet."""
    try:
        _check_directory(file, os.fstat(file.fileno()).st_size)
        with zipfile.ZipFile(file) as archive:
            contents = _contents(archive)
            known = _known(store, contents)
            if known is not None:
                raise known
            incoming: dict[str, Incoming] = {}
            for name, stated in contents.files.items():
                if name not in _TEXTS:
                    files = store.reports if _REPORT.fullmatch(name) else store.photographs
                    one = received.enter_context(files.receive(_short(name)))
                    _copy(archive, name, stated, one)
                    incoming[name] = one
            return contents, incoming
    except FitcheckError:
        raise
    except Exception as error:
        # The zip reader raises what it likes on damaged archives: BadZipFile, struct.error,
        # zlib.error, EOFError, NotImplementedError, OSError for an impossible place, and more.
        raise _refused("it is damaged, or not a zip that fitcheck wrote") from error


def _check_directory(file: IO[bytes], size: int) -> None:
    """Look at the end of the zip before its directory is read into memory.

    APPNOTE.TXT 6.3.10, section 4.3.16: the end record is 22 bytes and a comment; at 10 the
    number of entries in 2 bytes, at 12 the directory's size, at 16 its offset, in 4 each.
    """
    tail_bytes = min(size, 20 + 22 + 65_535)
    file.seek(size - tail_bytes)
    tail = file.read(tail_bytes)
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) - at < 22:
        raise _refused("it is not a zip, or was cut short")
    if tail[max(at - 20, 0) : at].startswith(b"PK\x06\x07"):
        # Section 4.3.15: the 64 bit form, whose directory may be larger than is said here.
        raise _refused("it is larger than fitcheck writes them")
    entries = int.from_bytes(tail[at + 10 : at + 12], "little")
    directory = int.from_bytes(tail[at + 12 : at + 16], "little")
    if entries > MOST_FILES + 3 or directory > MOST_DIRECTORY_BYTES:
        raise _refused("it holds more files than an inspection has")
    file.seek(0)


def _contents(archive: zipfile.ZipFile) -> _Contents:
    entries = archive.infolist()
    names = [entry.filename for entry in entries]
    if len(set(names)) < len(names):
        raise _refused("a name in it comes twice")
    if len(names) > MOST_FILES + 3:  # the directory may hold more than its end record says
        raise _refused("it holds more files than an inspection has")
    for entry in entries:
        _check_entry(entry)
    if "manifest.json" not in names:
        raise _refused("its list of contents is missing")
    manifest = _object(_text(archive, "manifest.json", None), "manifest.json")
    if manifest.get("format") != FORMAT:
        raise _refused("it is not one that fitcheck wrote")
    version = manifest.get("version")
    if not isinstance(version, int) or isinstance(version, bool):
        raise _refused("its version is missing")
    if version > VERSION:
        raise BadInput(
            "import_newer",
            "The zip was written by a newer fitcheck.",
            "Update fitcheck, then import it.",
        )
    files = _files(manifest.get("files"))
    if sorted([*files, "manifest.json"]) != sorted(names):
        raise _refused("what is in it is not what its list of contents says")
    for entry in entries:
        if entry.filename in files and entry.file_size != files[entry.filename][0]:
            raise _refused(f"{_short(entry.filename)} has another size than stated")
    identity = manifest.get("inspection")
    if not isinstance(identity, str) or not IDENTITY.fullmatch(identity):
        raise _refused("it does not say which inspection it holds")
    document = _object(
        _text(archive, "inspection.json", files["inspection.json"]), "inspection.json"
    )
    record = _object(_text(archive, "record.json", files["record.json"]), "record.json")
    return _read_record(identity, files, document, record)


def _check_entry(entry: zipfile.ZipInfo) -> None:
    # Only a name that can be wanted; a folder, an upward path or a drive never is.
    name = entry.filename
    wanted = name in (*_TEXTS, "manifest.json")
    if not wanted and not _PHOTOGRAPH.fullmatch(name) and not _REPORT.fullmatch(name):
        raise _refused(f"there is a file in it that does not belong there ({_short(name)})")
    mode = entry.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        raise _refused(f"{_short(name)} in it is a link or not an ordinary file")
    if entry.flag_bits & 0x1:
        raise _refused("it is encrypted")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise _refused("it is compressed in an unusual way")
    if entry.file_size > _most_bytes(name):
        raise _refused(f"{_short(name)} in it is too large")
    if entry.file_size > max(PIECE_BYTES, entry.compress_size * MOST_SHRUNK):
        raise _refused(f"{_short(name)} in it is compressed beyond belief")


def _most_bytes(name: str) -> int:
    if _PHOTOGRAPH.fullmatch(name):
        return MAX_FILE_BYTES
    return MOST_REPORT_BYTES if _REPORT.fullmatch(name) else MOST_BYTES


def _files(stated: Any) -> dict[str, tuple[int, str]]:
    if not isinstance(stated, dict) or any(name not in stated for name in _TEXTS):
        raise _refused("its list of contents is not whole")
    files: dict[str, tuple[int, str]] = {}
    for name, one in stated.items():
        size, sha256 = (one.get("bytes"), one.get("sha256")) if isinstance(one, dict) else (0, 0)
        if type(size) is not int or size < 0 or not isinstance(sha256, str):
            raise _refused("its list of contents is not whole")
        found = _PHOTOGRAPH.fullmatch(name) or _REPORT.fullmatch(name)
        if found is not None and found[1] != sha256:
            raise _refused(f"{_short(name)} bears the name of another content")
        files[name] = (size, sha256)
    if sum(size for size, _ in files.values()) > MOST_TOTAL_BYTES:
        raise _refused("it holds more than 4 GiB")
    return files


def _text(archive: zipfile.ZipFile, name: str, stated: tuple[int, str] | None) -> Any:
    """Read one of the JSON files; ``stated`` is its size and hash, None for the manifest."""
    with archive.open(name) as member:
        data = member.read(MOST_BYTES + 1)
    if stated is not None and stated != (len(data), hashlib.sha256(data).hexdigest()):
        raise _refused(f"{name} in it does not have the checksum that was stated")
    return read_json(data, name)


def _copy(
    archive: zipfile.ZipFile, name: str, stated: tuple[int, str], incoming: Incoming
) -> None:
    """Copy a file out of the zip, no further than its stated size, and check it."""
    with archive.open(name) as member:
        while piece := member.read(PIECE_BYTES):
            if incoming.size_bytes + len(piece) > stated[0]:
                raise _refused(f"{_short(name)} in it is larger than stated")
            incoming.write(piece)
    if (incoming.size_bytes, incoming.sha256) != stated:
        raise _refused(f"{_short(name)} in it does not have the checksum that was stated")
    incoming.settle()


def _read_record(
    identity: str,
    files: Mapping[str, tuple[int, str]],
    document: dict[str, Any],
    record: dict[str, Any],
) -> _Contents:
    names = {_hash(one): _string(one, "name") for one in _list(record, "photographs", MOST_FILES)}
    reports = [
        KeptReport(_hash(one), _string(one, "name"), _whole(one, "revision"), _time(one, "made"))
        for one in _list(record, "reports", 10_000)
    ]
    carried: dict[str, set[str]] = {
        "photographs": {m[1] for m in map(_PHOTOGRAPH.fullmatch, files) if m},
        "reports": {m[1] for m in map(_REPORT.fullmatch, files) if m},
    }
    if carried != {"photographs": set(names), "reports": {r.sha256 for r in reports}}:
        raise _refused("photographs or reports are missing in it")
    stored = Stored(
        new_identity(),
        document,
        _whole(record, "revision"),
        _time(record, "begun"),
        _time(record, "changed"),
        None,
        identity,
    )
    measurements = [
        KeptMeasurement(_hash(one), _time(one, "made"), one.get("content"))
        for one in _list(record, "measurements", 100_000)
    ]
    changes = [
        Change(
            _time(one, "at"),
            _string(one, "who"),
            _string(one, "path"),
            one.get("before", ABSENT),
            one.get("after", ABSENT),
            _whole(one, "revision"),
            one.get("taken") is True,
        )
        for one in _list(record, "changes", 200_000)
    ]
    if any(change.revision > stored.revision for change in changes):
        raise _refused("its changes do not lead to what it holds")
    return _Contents(identity, files, stored, names, measurements, reports, changes)


def _known(store: Store, contents: _Contents) -> BadInput | None:
    """Why an inspection that is in the store already is not taken in once more."""
    with store.database.reading() as connection:
        row = connection.execute(
            "SELECT id, binned FROM inspection WHERE (id = ? OR origin = ?) AND revision >= ?",
            (contents.identity, contents.identity, contents.stored.revision),
        ).fetchone()
    if row is None:
        return None
    where = "in the bin of this store" if row["binned"] else "in this store"
    return BadInput(
        "import_known",
        f"The inspection is {where} already, in this state or a later one ({row['id']}).",
        "Open that one.",
    )


def _keep(store: Store, contents: _Contents, incoming: Mapping[str, Incoming], who: str) -> str:
    stored, inspections = contents.stored, store.inspections
    with store.database.writing("The inspection was not imported") as connection:
        inspections.insert(connection, stored)
        for name, one in incoming.items():
            if _PHOTOGRAPH.fullmatch(name):
                inspections.attach_within(
                    connection, stored.identity, one, contents.names[one.sha256]
                )
        by_hash = {one.sha256: one for name, one in incoming.items() if _REPORT.fullmatch(name)}
        for report in contents.reports:
            inspections.insert_report(connection, stored.identity, by_hash[report.sha256], report)
        for measurement in contents.measurements:
            inspections.insert_measurement(connection, stored.identity, measurement)
        log(connection, "inspection", stored.identity, contents.changes)
        came = Change(
            now(), name_of(who), "", ABSENT, f"imported {contents.identity}", stored.revision
        )
        log(connection, "import", stored.identity, [came])
    return stored.identity


def _object(value: Any, what: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _refused(f"{what} in it is not as it should be")
    return value


def _list(record: Mapping[str, Any], name: str, most: int) -> list[dict[str, Any]]:
    items = record.get(name)
    if not isinstance(items, list) or len(items) > most:
        raise _refused(f"its record of {name} is not as it should be")
    return [_object(item, "record.json") for item in items]


def _string(record: Mapping[str, Any], name: str) -> str:
    value = record.get(name)
    if not isinstance(value, str) or len(value) > 10_000:
        raise _refused("record.json in it is not as it should be")
    return value


def _whole(record: Mapping[str, Any], name: str) -> int:
    value = record.get(name)
    if type(value) is not int or not 0 <= value < 2**31:
        raise _refused("record.json in it is not as it should be")
    return value


def _hash(record: Mapping[str, Any]) -> str:
    value = _string(record, "sha256")
    if not re.fullmatch("[0-9a-f]{64}", value):
        raise _refused("record.json in it is not as it should be")
    return value


def _time(record: Mapping[str, Any], name: str) -> str:
    value = _string(record, name)
    if not _TIME.fullmatch(value):
        raise _refused("record.json in it is not as it should be")
    try:
        datetime.datetime.fromisoformat(value)
    except ValueError as error:
        raise _refused(f"record.json in it states a time that there is not ({value})") from error
    return value


def _short(name: str) -> str:
    shown = "".join(letter if letter.isprintable() else "?" for letter in name)
    return shown if len(shown) <= 40 else f"{shown[:24]}…{shown[-12:]}"


def _refused(reason: str) -> BadInput:
    return BadInput(
        "import_refused",
        f"The zip was not taken in: {reason}.",
        "Have the inspection exported once more. Nothing in the store was changed.",
    )
