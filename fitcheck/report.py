"""The written report: one HTML file that holds everything and asks the network for nothing.

Plain words first, then pictures, then every number with its uncertainty, then how it was
measured. Text that came from outside (file names, customers' names, notes) is shown as it
is, never obeyed: markup is escaped, and control and bidirectional characters are spelt out.
"""

from __future__ import annotations

import base64
import datetime
import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from PIL import Image, UnidentifiedImageError

from fitcheck import __version__
from fitcheck.judgement import REQUIRED_PROBABILITY, Decision, Limit, Verdict, overall
from fitcheck.measurement import Characteristic, Edge, Measurement, Note
from fitcheck.overlay_seam import SEAM_ENDS
from fitcheck.plain_text import visible_text
from fitcheck.setup import PRINT_ASSUMED_SD, THICKNESS_ASSUMED_SD_MM
from fitcheck.units import (
    MINUS,
    limit_inch_text,
    limit_text,
    quantity_text,
    uncertainty_text,
)
from fitcheck.wording import (
    CONFORMITY_SIGNS,
    EDGE_NAMES,
    LEVELS,
    SOURCES,
    VIEW_TITLES,
    inches,
    says,
    wording,
)

# What is not looked at unless one of these characteristics was measured.
NOT_LOOKED_AT: tuple[tuple[tuple[str, ...], str, str], ...] = (
    (("pad_squareness",), "Pad squareness", "whether the pad is cut square to the riser"),
    (("twist",), "Twist", "of either limb, and of one pad against the other"),
    (("gap_butt", "gap_end"), "Seat gap", "whether the limb beds on its pad without a gap"),
    ((), "String line", "where the string lies over the tips, the limbs and the riser"),
    ((), "Index pins and bolts", "play in the holes, state of bolts and bushings"),
    ((), "Tiller, brace height and draw weight", "how the bow draws"),
    (
        (),
        "Re-seating",
        "whether the reading stays the same when the limb is taken off and put back",
    ),
    (
        (),
        "Condition",
        "cracks, lifting glass, delamination, crushed bolt holes, nocks and string. "
        "Do not string or shoot a bow with a crack across a limb or with lifting glass",
    ),
)


# What is drawn on a photograph, and what is written under it, by view.
PICTURE_WORDS = {
    "seat": (
        "limb tip up, with the measured edges drawn",
        "The photograph turned so that the limb’s tip is up. Orange: the limb’s edges. Blue: the "
        "riser’s edges. White: the butt line. Solid where an edge was measured, dashed where its "
        "line is carried on to the butt line.",
    ),
    "pad": (
        "the riser’s end, with its measured sides drawn",
        "The riser’s end as seen from the limb’s tip, the pad up: the seat’s left lies on the "
        "picture’s right. Blue: the riser’s sides. Solid where an edge was measured, dashed where "
        "its line is carried on.",
    ),
    "joint": (
        "with its card and the two lines of the seam drawn",
        "The whole photograph. Green: the card found. Orange: the limb’s line. Blue: the pad’s "
        "line. A white bar is 20 mm long in the plane of its card.",
    ),
}
WHOLE_WORDS = (
    "with what was found drawn on it",
    "The whole photograph. Green: the cards found. A white bar is 20 mm long in the plane of its "
    "card.",
)


@dataclass(frozen=True)
class ReportHeader:
    """What is written at the head of a report; every field may stay empty."""

    bow: str = ""
    customer: str = ""
    shop: str = ""
    reference: str = ""
    note: str = ""


@dataclass(frozen=True)
class ReportEntry:
    """One photograph in a report.

    Attributes
    ----------
    measurement
        What it gave.
    annotated_jpeg
        The photograph with the measured edges drawn; empty for a refused one is allowed.
    close_up_jpegs
        Side of a seat, or end of a seam, to its enlarged picture.
    decisions
        As :func:`fitcheck.judgement.judge` returned them.
    photo_sha256
        Of the photograph's file, 64 hexadecimal digits.
    title
        How the seat is called, for instance "Upper limb"; empty: by its place in the report.
    """

    measurement: Measurement
    annotated_jpeg: bytes
    close_up_jpegs: dict[str, bytes]
    decisions: Sequence[Decision]
    photo_sha256: str
    title: str = ""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[0-9a-fA-F]{64}", self.photo_sha256):
            raise ValueError(
                f"photo_sha256 must be 64 hexadecimal digits, got {self.photo_sha256!r}"
            )


@dataclass(frozen=True)
class _Picture:
    uri: Markup
    width: int
    height: int
    alt: str
    caption: str


@dataclass(frozen=True)
class _Row:
    """One line of the table of characteristics, all as text."""

    name: str
    meaning: str
    value: str
    says: str
    inches: tuple[str, ...]
    limit: _LimitText | None
    decision: Decision | None
    sign: str
    chances: tuple[str, ...]


@dataclass(frozen=True)
class _LimitText:
    good: str
    rework: str
    mark: str
    note: str


@dataclass(frozen=True)
class _Seat:
    """One measured photograph, ready for the template."""

    anchor: str
    title: str
    measurement: Measurement
    verdict: Verdict
    symbol: str
    level_words: str
    decisions: tuple[Decision, ...]
    warnings: tuple[Note, ...]
    picture: _Picture | None
    close_ups: tuple[_Picture, ...]
    rows: tuple[_Row, ...]
    budget_sources: tuple[str, ...]
    budget_rows: tuple[tuple[str, tuple[tuple[str, bool], ...], str, str], ...]
    edges: tuple[tuple[str, str, str], ...]
    inputs: tuple[tuple[str, str], ...]
    lens: str
    size: str
    sha256: str


@dataclass(frozen=True)
class _RefusedPhoto:
    title: str
    photo: str
    note: Note
    sha256: str
    picture: _Picture | None = field(default=None)


def report_html(
    entries: Sequence[ReportEntry],
    header: ReportHeader | None = None,
    *,
    created: datetime.date | None = None,
) -> str:
    """Write the report.

    Parameters
    ----------
    entries
        The photographs, measured and refused, in the order to show them.
    header
        Bow, customer, shop, reference and a note.
    created
        Date of the report; today if None.

    Returns
    -------
    A whole HTML document: pictures as data URIs, style inside, no script, no address.

    Raises
    ------
    ValueError
        If there is no entry, or a picture is not a JPEG.
    """
    if not entries:
        raise ValueError("a report needs at least one photograph, got none")
    seats, refused = [], []
    several = len(entries) > 1
    for number, entry in enumerate(entries, start=1):
        if entry.measurement.refused is not None:
            refused.append(_refused(entry, entry.measurement.refused))
        else:
            seats.append(_seat(entry, number, several))
    measured = {c.name for seat in seats for c in seat.measurement.characteristics}
    return (
        _environment()
        .get_template("report.html")
        .render(
            header=header or ReportHeader(),
            created=(created or datetime.date.today()).isoformat(),
            version=__version__,
            seats=seats,
            refused=refused,
            not_looked_at=[
                (name, meaning)
                for names, name, meaning in NOT_LOOKED_AT
                if not measured.intersection(names)
            ],
            required=f"{REQUIRED_PROBABILITY * 100:g}",
            wants_work={"rework", "acceptable", "undecided"},
        )
    )


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("fitcheck", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
    )


def _finalize(value: Any) -> Any:
    """Every text that the template puts out passes here, before it is escaped."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return visible_text(value)
    return value


def _seat(entry: ReportEntry, number: int, several: bool) -> _Seat:
    measurement = entry.measurement
    verdict = overall(entry.decisions)
    symbol, level_words = LEVELS[verdict.level]
    by_name = {decision.name: decision for decision in entry.decisions}
    title = entry.title or VIEW_TITLES.get(measurement.view, measurement.view.capitalize())
    if several and not entry.title:
        title = f"{title} {number}"
    sources = tuple(
        dict.fromkeys(source for c in measurement.characteristics for source in c.budget)
    )
    findings = "; ".join(_short(c) for c in measurement.characteristics if c.name in by_name)
    drawn, caption = PICTURE_WORDS.get(measurement.view, WHOLE_WORDS)
    return _Seat(
        anchor=f"photo-{number}",
        title=title,
        measurement=measurement,
        verdict=verdict,
        symbol=symbol,
        level_words=level_words,
        decisions=tuple(entry.decisions),
        warnings=measurement.warnings,
        picture=_picture(
            entry.annotated_jpeg,
            alt=f"Photograph {measurement.photo}, {drawn}. {findings}.",
            caption=caption,
        ),
        close_ups=tuple(
            picture
            for side, jpeg in entry.close_up_jpegs.items()
            if (picture := _close_up(side, jpeg, measurement)) is not None
        ),
        rows=tuple(_row(c, by_name.get(c.name)) for c in measurement.characteristics),
        budget_sources=tuple(_source_words(source) for source in sources),
        budget_rows=tuple(_budget_row(c, sources) for c in measurement.characteristics),
        edges=tuple(_edge_row(edge) for edge in measurement.edges),
        inputs=tuple(_input_rows(measurement.inputs)),
        lens=_lens_words(measurement),
        size=f"{measurement.size_px[0]} × {measurement.size_px[1]} pixels",
        sha256=entry.photo_sha256,
    )


def _refused(entry: ReportEntry, note: Note) -> _RefusedPhoto:
    photo = entry.measurement.photo
    return _RefusedPhoto(
        entry.title,
        photo,
        note,
        entry.photo_sha256,
        _picture(
            entry.annotated_jpeg,
            alt=f"Photograph {photo}, which could not be measured.",
            caption="The photograph as it was received.",
        ),
    )


def _picture(jpeg: bytes, alt: str, caption: str) -> _Picture | None:
    if not jpeg:
        return None
    try:
        with Image.open(io.BytesIO(jpeg), formats=["JPEG"]) as image:
            width, height = image.size
    except (UnidentifiedImageError, OSError) as error:
        raise ValueError("a picture of the report is not a JPEG") from error
    encoded = base64.b64encode(jpeg).decode("ascii")
    uri = Markup("data:image/jpeg;base64,") + encoded
    return _Picture(uri, width, height, alt, caption)


def _close_up(side: str, jpeg: bytes, measurement: Measurement) -> _Picture | None:
    seam = side in SEAM_ENDS
    name = SEAM_ENDS[side][1] if seam else f"overhang_{side}"
    found = [c for c in measurement.characteristics if c.name == name]
    finding = _short(found[0]) if found else f"The lip on the {side}"
    if seam:
        at = SEAM_ENDS[side][2]
        finding = _short(found[0]) if found else f"The seam {at[:1].lower()}{at[1:]}"
        return _picture(
            jpeg,
            alt=f"Enlarged: the seam, with the pad’s and the limb’s line drawn. {finding}.",
            caption=f"{finding}.",
        )
    return _picture(
        jpeg,
        alt=f"Enlarged: the {side} end of the butt line, with the limb’s and the riser’s edges "
        f"drawn. {finding}.",
        caption=f"{finding}.",
    )


def _short(found: Characteristic) -> str:
    """One characteristic in a phrase: name, value, what it says."""
    words = wording(found.name)
    value = quantity_text(found.value, found.expanded_uncertainty, found.unit, signed=words.signed)
    said = says(found)
    return f"{words.name}: {value}{f', {said}' if said else ''}"


def _row(found: Characteristic, decision: Decision | None) -> _Row:
    words = wording(found.name)
    spread = found.expanded_uncertainty
    return _Row(
        name=words.name,
        meaning=words.meaning,
        value=quantity_text(found.value, spread, found.unit, signed=words.signed),
        says=says(found),
        inches=inches(found),
        limit=None if decision is None else _limit_words(decision.limit),
        decision=decision,
        sign="" if decision is None else CONFORMITY_SIGNS[decision.conformity],
        chances=()
        if decision is None
        else (chance_text(decision.p_good), chance_text(decision.p_rework_free)),
    )


def _limit_words(limit: Limit) -> _LimitText:
    def both(value: float) -> str:
        inches = f" ({limit_inch_text(value)})" if limit.unit == "mm" else ""
        return limit_text(value, limit.unit) + inches

    return _LimitText(both(limit.good), both(limit.rework), limit.mark, limit.note)


def chance_text(probability: float) -> str:
    """A probability in words that never claim certainty: ``97.3 %``, ``over 99.9 %``."""
    percent = probability * 100
    if percent > 99.9:
        return "over 99.9 %"
    if percent < 0.1:
        return "under 0.1 %"
    return f"{percent:.1f} %"


def _source_words(source: str) -> str:
    return SOURCES.get(source, source.replace("_", " "))


def _budget_row(
    found: Characteristic, sources: Sequence[str]
) -> tuple[str, tuple[tuple[str, bool], ...], str, str]:
    """Name and unit, share by source with a mark on the largest, combined, expanded."""
    largest = max(found.budget.values(), default=0.0)
    shares = tuple(
        (_share(found.budget[source]), found.budget[source] == largest > 0)
        if source in found.budget
        else ("", False)
        for source in sources
    )
    unit = "°" if found.unit == "deg" else found.unit
    return (
        f"{wording(found.name).name} ({unit})",
        shares,
        _share(found.standard_uncertainty),
        uncertainty_text(found.expanded_uncertainty, found.unit),
    )


def _share(uncertainty: float) -> str:
    return f"{uncertainty:.3f}" if uncertainty >= 0.0005 or uncertainty == 0 else "< 0.001"


def _edge_row(edge: Edge) -> tuple[str, str, str]:
    origin = {
        "search": "found by the program",
        "hint": "found near two points set by hand",
        "given": "as it was drawn by hand, not measured",
    }.get(edge.origin, edge.origin)
    name = EDGE_NAMES.get(edge.edge, edge.edge.replace("_", " "))
    return name, origin, "—" if edge.origin == "given" else f"{edge.scatter_mm:.3f} mm"


def _lens_words(measurement: Measurement) -> str:
    lens = measurement.lens
    if lens is None:
        return ""
    k1, k2 = (f"{k:+.4f}".replace("-", MINUS) for k in (lens.k1, lens.k2))
    return f"focal length {lens.focal_px:.0f} pixels; distortion k1 {k1}, k2 {k2}"


def _input_rows(inputs: dict[str, Any]) -> Iterable[tuple[str, str]]:
    """What was typed or assumed before the measurement, in words."""
    shown = dict(inputs)
    thickness = shown.pop("card_thickness_mm", None)
    thickness_measured = shown.pop("card_thickness_measured", thickness is not None)
    if thickness is not None and thickness_measured:
        yield "Card thickness", f"{thickness:g} mm, as measured"
    elif thickness is not None:
        yield (
            "Card thickness",
            f"not measured; taken as {thickness:g} mm with a default standard uncertainty "
            f"of {THICKNESS_ASSUMED_SD_MM:g} mm",
        )
    else:
        yield "Card thickness", "not recorded"
    scale = shown.pop("print_scale", None)
    scale_measured = shown.pop("print_scale_measured", scale is not None)
    if scale is not None and scale_measured:
        along, across = scale
        yield (
            "Print scale",
            f"check bars measured: {along * 100:.2f} % along the cards, "
            f"{across * 100:.2f} % across",
        )
    else:
        yield (
            "Print scale",
            "check bars not measured; taken as true to size with a default standard uncertainty "
            f"of {PRINT_ASSUMED_SD * 100:g} %",
        )
    face_step = shown.pop("face_step_mm", None)
    if face_step is not None:
        yield "Face step", f"{face_step:g} mm, as measured by hand"
    for key, value in shown.items():
        if value is not None:
            yield str(key).replace("_", " ").capitalize(), _plain(value)


def _plain(value: Any) -> str:
    """Any JSON value in words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        join: Callable[[Iterable[str]], str] = ", ".join
        return join(_plain(item) for item in value)
    return str(value)
