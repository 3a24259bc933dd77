"""The report with its photographs as one zip, from which every number can be had again.

::

    manifest.json              size and SHA-256 of each file
    report.pdf, .html, .json, .csv
    inspection.json            what was inspected; names the photographs below
    photographs/001-seat.jpg   as they came

Unpacked, it is a folder that ``fitcheck inspect`` reads; ``fitcheck verify`` reads the zip.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import unicodedata
import zipfile
from collections.abc import Mapping

from fitcheck.errors import BadInput
from fitcheck.inspection_file import FILE_NAME, inspection_to_json
from fitcheck.reporting.model import PhotoPage, Report

FORMAT = "fitcheck report with photographs"
VERSION = 1
MANIFEST = "manifest.json"
PHOTOGRAPHS = "photographs"
LONGEST_NAME = 60
# The oldest time that a zip can hold: the same report gives the same zip.
TIME = (1980, 1, 1, 0, 0, 0)
_STORED = (".jpg", ".jpeg", ".png", ".heic", ".webp", ".pdf")


def report_zip(
    report: Report, written: Mapping[str, bytes], photographs: Mapping[int, bytes]
) -> bytes:
    """Pack a report.

    Parameters
    ----------
    report
        Its model.
    written
        The written forms by file name.
    photographs
        Files of the photographs, as they came, by their numbers from 1.

    Raises
    ------
    BadInput
        ``photo_changed`` if a photograph is not what was measured.
    """
    contents: dict[str, bytes] = dict(written)
    inspection = inspection_to_json(report.findings.inspection)
    for page in report.photos:
        data = photographs.get(page.number)
        if data is None:
            continue
        if hashlib.sha256(data).hexdigest() != page.sha256:
            raise BadInput(
                "photo_changed",
                f"The photograph {page.entry.file} was changed while the report was written.",
                "Inspect once more.",
            )
        name = f"{PHOTOGRAPHS}/{photo_name(page)}"
        contents[name] = data
        entry = inspection["photos"][page.number - 1]
        entry["file"] = name
        entry.pop("measurement", None)  # it is measured anew from its picture
    contents[FILE_NAME] = json.dumps(inspection, indent=1, allow_nan=False).encode("ascii")
    manifest = {
        "format": FORMAT,
        "version": VERSION,
        "program": report.issue.program,
        "report": report.number,
        "revision": report.issue.revision,
        "files": {
            name: {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in contents.items()
        },
    }
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        text = json.dumps(manifest, indent=1, allow_nan=False).encode("ascii")
        for name, data in {MANIFEST: text, **contents}.items():
            entry = zipfile.ZipInfo(name, TIME)
            entry.external_attr = 0o644 << 16
            stored = name.lower().endswith(_STORED)
            entry.compress_type = zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
            archive.writestr(entry, data)
    return packed.getvalue()


def photo_name(page: PhotoPage) -> str:
    """A photograph's name in the zip: its number, and what is harmless of its own name."""
    own = unicodedata.normalize("NFKD", page.entry.file.replace("/", "-"))
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", own.encode("ascii", "ignore").decode("ascii"))
    return f"{page.number:03d}-{plain.strip('.-')[-LONGEST_NAME:].lstrip('.-') or 'photograph'}"
