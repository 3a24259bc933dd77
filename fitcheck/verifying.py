"""Whether a report's numbers can be had again: its photographs are measured anew.

Two machines round sums differently in their last digits, and a search that ends at a tolerance
carries that on. Numbers agree if they differ by no more than one step of the last digit that
the report prints, which its uncertainty sets, or by a share of that uncertainty that is twice
what other versions of the libraries were seen to make.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import find
from fitcheck.inspecting import load_photos, measure_inspection
from fitcheck.inspection_file import FILE_NAME, read_inspection
from fitcheck.json_fields import parse_json
from fitcheck.measurement import Measurement
from fitcheck.measurement_file import measurement_from_json
from fitcheck.photo import MAX_FILE_BYTES
from fitcheck.reporting.as_csv import BOM, lines_csv
from fitcheck.reporting.as_html import text_html, words_below_head
from fitcheck.reporting.as_zip import FORMAT, MANIFEST, PHOTOGRAPHS, VERSION
from fitcheck.reporting.earlier import Kept, kept_from_json
from fitcheck.reporting.lines import lines_of
from fitcheck.reporting.model import Line
from fitcheck.reporting.program import program
from fitcheck.reporting.written_report import CSV, HTML, JSON, PDF
from fitcheck.units import decimals_supported

ADVICE = "Give the report.zip as `fitcheck inspect` wrote it."
FORMS_COMPARED = (
    f"Measured again and compared with {JSON}: every number, the decisions, the score and the "
    f"depths of the rework. Compared with {JSON}: all of {CSV}, and the words of {HTML} below its "
    f"head. Not compared: {PDF} and the pictures."
)
# Shares of an expanded uncertainty by which another machine's value and uncertainty may differ.
# Measured on the sample bow, 26 November 2026, under other versions of the libraries and without
# their faster code: values moved by 0.04 of it at most, it itself by 0.13; twice that is allowed.
# What is that near is the same result: it is drawn from thousands of random trials.
VALUE_SHARE, SPREAD_SHARE = 0.1, 0.25
PROBABILITY_SHARE = 0.025  # the same of a decision's probabilities, which moved by 0.011
SCORE_STEP = 0.1  # points, as they are printed
CSV_STEP = 2e-6  # the uncertainties are rounded to 1e-6 before they are expanded
MOST_FILES = 600
MOST_TEXT_BYTES = 64_000_000
MOST_TOTAL_BYTES = 4 * 2**30
_PHOTO = re.compile(rf"{PHOTOGRAPHS}/\d{{3}}-[A-Za-z0-9._-]{{1,80}}", re.ASCII)
_TEXTS = frozenset({PDF, HTML, JSON, CSV, FILE_NAME})


@dataclass(frozen=True)
class Compared:
    """One number of the report and the same measured again.

    Attributes
    ----------
    where
        Photograph and characteristic, or the characteristic of the bow.
    before, after
        Value and expanded uncertainty; ``after`` is None if it could not be had again.
    step
        One step of the last digit that is printed.
    """

    where: str
    before: tuple[float, float]
    after: tuple[float, float] | None
    step: float

    @property
    def same(self) -> bool:
        """Whether value and uncertainty are the same within that step."""
        return self._within(0.0, 0.0)

    @property
    def agrees(self) -> bool:
        """Whether they are, or differ by less than another machine's rounding may make."""
        return self._within(VALUE_SHARE, SPREAD_SHARE)

    def _within(self, *shares: float) -> bool:
        if self.after is None:
            return False
        expanded = self.before[1]
        return all(
            abs(a - b) <= max(self.step, share * expanded) * (1 + 1e-9)
            for a, b, share in zip(self.before, self.after, shares, strict=True)
        )


@dataclass(frozen=True)
class Verified:
    """What came of it.

    Attributes
    ----------
    report, program
        Number of the report, and the program that wrote it.
    compared
        Every number.
    differences
        What else is not the same, in sentences.
    not_measured
        Photographs whose numbers were handed in without a picture, and so cannot be had again.
    """

    report: str
    program: str
    compared: tuple[Compared, ...]
    differences: tuple[str, ...]
    not_measured: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether all agrees within rounding, this machine's or another's."""
        return not self.differences and all(one.agrees for one in self.compared)


def verify(path: Path, told: Callable[[str], None] = lambda _: None) -> Verified:
    """Measure the photographs of a report's zip again and compare every number.

    Parameters
    ----------
    path
        The ``report.zip``.
    told
        Is told what is being done.

    Raises
    ------
    BadInput
        ``not_a_report_zip`` if it is none or was altered.
    """
    try:
        with zipfile.ZipFile(path) as archive, tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            raw, forms = _unpack(archive, folder, path)
            kept = kept_from_json(raw, path, ADVICE)
            inspection = read_inspection(folder)
            photos, problems = load_photos(inspection, folder)
            told(f"Measuring {len(photos)} photographs again.")
            measured = measure_inspection(inspection, photos, problems)
    except (OSError, zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refused(path, f"it cannot be read ({reason[:120]})") from error
    try:
        before = [_measurement(p.get("measurement")) for p in raw["photographs"]]
    except BadInput as error:
        raise _refused(path, f"a measurement in it is none ({error.message})") from error
    if len(before) != len(measured):
        raise _refused(path, "its report and its inspection do not have the same photographs")
    compared: list[Compared] = []
    differences: list[str] = []
    for i, (old, new) in enumerate(zip(before, measured, strict=True)):
        if i in photos:
            file = str(raw["photographs"][i]["file"])
            compared += _photo_numbers(file, old, new, differences)
            if photos[i].sha256 != raw["photographs"][i]["sha256"]:
                differences.append(f"{file} is not the photograph that was measured.")
    findings = find(inspection, measured)
    compared += _findings_numbers(kept, lines_of(findings), differences)
    compared += _score_and_depths(raw["findings"], findings_to_json(findings), path, differences)
    hashes = {i + 1: str(p["sha256"]) for i, p in enumerate(raw["photographs"])}
    parts = (kept.number, kept.issues[-1].revision, inspection.bow.name)
    stops = [(stop.name, stop.end, stop.limb) for stop in findings.condition.stops]
    table = lines_csv(parts, kept.lines, findings.limits, hashes, stops)
    if CSV not in forms or not _same_table(forms[CSV], table):
        differences.append(f"{CSV} does not say what {JSON} says.")
    if HTML not in forms or not _same_words(forms[HTML], raw, path):
        differences.append(f"{HTML} does not say what {JSON} says.")
    if findings.fitness.use != kept.use:
        differences.append(f"The verdict was “{kept.use}” and is “{findings.fitness.use}”.")
    without = [str(p["file"]) for i, p in enumerate(raw["photographs"]) if i not in photos]
    return Verified(
        kept.number,
        kept.issues[-1].program,
        tuple(compared),
        tuple(differences),
        tuple(without),
    )


def summary(found: Verified) -> tuple[str, ...]:
    """Say what came of it, in a few lines."""
    good = sum(one.agrees for one in found.compared)
    near = [one for one in found.compared if one.agrees and not one.same]
    lines = [f"Report {found.report}, written by {found.program}; this is {program()}."]
    if found.program != program():
        lines.append("It is not the same program: a difference may come from the code.")
    lines.append(f"{good} of {len(found.compared)} numbers agree within rounding.")
    if near:
        lines.append(
            f"Of them {len(near)} differ in a digit that is printed, by less than "
            f"{100 * VALUE_SHARE:.0f} % of the uncertainty in the value and "
            f"{100 * SPREAD_SHARE:.0f} % in the "
            "uncertainty: as much as another machine or other versions of the libraries make."
        )
    for one in found.compared:
        if not one.agrees:
            then = _shown(one.before)
            now = "not measured" if one.after is None else _shown(one.after)
            lines.append(f"  {one.where}: {then} in the report, now {now}.")
    lines += [f"  {text}" for text in found.differences]
    if found.not_measured:
        count = len(found.not_measured)
        lines.append(f"Not in the zip, and so not measured again: {count} photographs.")
    lines.append(FORMS_COMPARED)
    lines.append(
        "The report’s numbers agree."
        if found.agrees
        else "The report’s numbers do NOT agree with its photographs."
    )
    return tuple(lines)


def _shown(number: tuple[float, float]) -> str:
    value, expanded = number
    return f"{value:.5g} ± {expanded:.3g}" if expanded else f"{value:.5g}"


def _unpack(
    archive: zipfile.ZipFile, folder: Path, path: Path
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Unpack what the manifest names, each checked; return the report's JSON, and its texts."""
    names = archive.namelist()
    if len(names) > MOST_FILES or len(set(names)) != len(names) or MANIFEST not in names:
        raise _refused(path, "it has no list of its files, or too many of them")
    manifest = _json(_read(archive, MANIFEST, MOST_TEXT_BYTES, path), "the manifest")
    files = manifest.get("files") if isinstance(manifest, dict) else None
    if (
        not isinstance(files, dict)
        or manifest.get("format") != FORMAT
        or manifest.get("version") != VERSION
    ):
        raise _refused(path, "it was not written by this program, or by another version of it")
    if set(files) != set(names) - {MANIFEST} or not {JSON, FILE_NAME} <= set(files):
        raise _refused(path, "its files are not those that its list names")
    (folder / PHOTOGRAPHS).mkdir()
    total = 0
    record: Any = None
    forms: dict[str, bytes] = {}
    for name, said in files.items():
        photo = _PHOTO.fullmatch(name) is not None
        if not photo and name not in _TEXTS:
            raise _refused(path, f"it holds a file that does not belong there: {name[:60]}")
        data = _read(archive, name, MAX_FILE_BYTES if photo else MOST_TEXT_BYTES * 4, path)
        total += len(data)
        if total > MOST_TOTAL_BYTES:
            raise _refused(path, "it is too large")
        good = isinstance(said, Mapping) and hashlib.sha256(data).hexdigest() == said.get("sha256")
        if not good:
            raise _refused(path, f"{name} was altered after the report was written")
        if photo or name == FILE_NAME:
            (folder / name).write_bytes(data)
        if name in (CSV, HTML):
            forms[name] = data
        if name == JSON:
            record = _json(data, "the report")
    if not isinstance(record, dict) or not isinstance(record.get("photographs"), list):
        raise _refused(path, "its report is none")
    return record, forms


def _read(archive: zipfile.ZipFile, name: str, most: int, path: Path) -> bytes:
    with archive.open(name) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise _refused(path, f"{name[:60]} is too large")
    return data


def _json(data: bytes, what: str) -> Any:
    try:
        return parse_json(data.decode("utf-8"), what)
    except UnicodeDecodeError as error:
        raise BadInput(
            "not_a_report_zip", f"{what.capitalize()} in the zip is no text.", ADVICE
        ) from error


def _measurement(raw: object) -> Measurement | None:
    return None if raw is None else measurement_from_json(raw)


def _photo_numbers(
    file: str, old: Measurement | None, new: Measurement | None, differences: list[str]
) -> list[Compared]:
    if old is None or new is None:
        differences.append(f"{file} was measured in the report or here, but not both times.")
        return []
    if (old.refused is None) != (new.refused is None):
        differences.append(f"{file} was refused in the report or here, but not both times.")
    now = {c.name: c for c in new.characteristics}
    extra = now.keys() - {c.name for c in old.characteristics}
    differences += [f"{file}: {name} is not in the report." for name in sorted(extra)]
    return [
        _compared(
            f"{file}, {c.name}",
            (c.value, c.expanded_uncertainty),
            None if c.name not in now else (now[c.name].value, now[c.name].expanded_uncertainty),
        )
        for c in old.characteristics
    ]


def _findings_numbers(
    kept: Kept, lines: tuple[Line, ...], differences: list[str]
) -> list[Compared]:
    """The bow's characteristics, and whether each is still decided in the same way."""

    def key(line: Line) -> tuple[object, ...]:
        return line.name, line.arrangement, line.end, line.limb, line.side, line.against

    now = {key(line): line for line in lines}
    compared = []
    for line in kept.lines:
        where = " ".join(str(part) for part in key(line) if part)
        again = now.get(key(line))
        if again is None:
            after = None
        else:
            after = again.value, again.expanded_uncertainty
            if again.verdict != line.verdict and not _near_a_limit(line, again):
                differences.append(
                    f"{where}: the decision was {line.verdict} and is {again.verdict}."
                )
        compared.append(_compared(where, (line.value, line.expanded_uncertainty), after))
    return compared


def _score_and_depths(
    then: Mapping[str, Any], now: Mapping[str, Any], path: Path, differences: list[str]
) -> list[Compared]:
    """The bow's score and how much each step of the rework takes off."""
    compared = []
    try:
        before, after = then["score"]["bow"], now["score"]["bow"]
        if (before is None) != (after is None):
            differences.append("There was a score in the report or there is one here, not both.")
        elif before is not None:
            for name in ("points", "low", "high", "out_of"):
                old, new = float(before[name]), float(after[name])
                compared.append(Compared(f"score, {name}", (old, 0.0), (new, 0.0), SCORE_STEP))
        steps, again = then["rework"]["steps"], now["rework"]["steps"]
        if [s["act"] for s in steps] != [s["act"] for s in again]:
            differences.append("The steps of the rework are not the same.")
            return compared
        for old, new in zip(steps, again, strict=True):
            if old["depth_mm"] is not None and new["depth_mm"] is not None:
                pair = [
                    (
                        float(s["depth_mm"]),
                        1.96 * float(s["depth_standard_uncertainty_mm"] or 0.0),
                    )
                    for s in (old, new)
                ]
                compared.append(_compared(f"rework, step {old['number']}, depth", *pair))
            elif old["depth_mm"] != new["depth_mm"]:
                differences.append(f"Step {old['number']} of the rework has another depth.")
    except (KeyError, TypeError, ValueError) as error:
        raise _refused(path, "its findings lack a part or have one of another kind") from error
    return compared


def _same_table(data: bytes, again: str) -> bool:
    """Whether two tables hold the same, numbers within the last digit that is written."""
    try:
        tables = [
            list(csv.reader(io.StringIO(text.removeprefix(BOM))))
            for text in (data.decode("utf-8"), again)
        ]
    except (UnicodeDecodeError, csv.Error):
        return False
    shapes = [[len(row) for row in table] for table in tables]
    return shapes[0] == shapes[1] and all(
        _same_cell(a, b) for rows in zip(*tables, strict=True) for a, b in zip(*rows, strict=True)
    )


def _same_cell(a: str, b: str) -> bool:
    if a == b:
        return True
    try:
        return abs(float(a) - float(b)) <= CSV_STEP
    except ValueError:
        return False


def _same_words(data: bytes, raw: Mapping[str, Any], path: Path) -> bool:
    """Whether the HTML reads below its head as the words in the report's JSON."""
    try:
        again = text_html(raw["text"])
    except (KeyError, ValueError) as error:
        raise _refused(path, "its words are not a report’s") from error
    try:
        return words_below_head(data.decode("utf-8")) == words_below_head(again)
    except (UnicodeDecodeError, AssertionError):  # the latter: html.parser, on broken marks
        return False


def _near_a_limit(line: Line, again: Line) -> bool:
    """Whether a decision may fall the other way by rounding: its probabilities hardly differ."""
    pairs = ((line.p_good, again.p_good), (line.p_rework_free, again.p_rework_free))
    return all(
        a is not None and b is not None and abs(a - b) < PROBABILITY_SHARE for a, b in pairs
    )


def _compared(
    where: str, before: tuple[float, float], after: tuple[float, float] | None
) -> Compared:
    return Compared(where, before, after, 10.0 ** -decimals_supported(max(before[1], 1e-3)))


def _refused(path: Path, why: str) -> BadInput:
    return BadInput(
        "not_a_report_zip",
        f"{path.name} is not taken for a report: {why}.",
        ADVICE,
    )
