"""The part with the photographs, what was before, and where the numbers come from."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from fitcheck.measurement import Characteristic, Measurement
from fitcheck.overlay_seam import SEAM_ENDS
from fitcheck.reporting.blocks import (
    Block,
    Box,
    Cell,
    Facts,
    Figure,
    Figures,
    Heading,
    Paragraph,
    Table,
    bullets,
    cell,
    plain,
)
from fitcheck.reporting.customer import OPEN, USES
from fitcheck.reporting.language import Language, Said
from fitcheck.reporting.model import Change, Earlier, PhotoPage, Report
from fitcheck.reporting.naming import (
    capital,
    edge_name,
    end_name,
    is_signed,
    measure_name,
    photo_name,
    place_name,
    source_name,
)
from fitcheck.reporting.pictures import BAR_MM, picture_sides
from fitcheck.units import MM_PER_INCH

# In a cell of a budget the largest sources come first, the rest is summed.
MOST_SOURCES = 6
SMALLEST_SHOWN = 0.0005
EDGE_TEXTS = {"search": "edge_seen", "hint": "edge_hint", "given": "edge_given"}  # by origin


def before_blocks(earlier: Earlier, report: Report, lang: Language) -> Iterable[Block]:
    """Return before beside after."""
    yield Heading(1, lang.text("compared"), part=True)
    said = [
        plain(lang.text("compared_with", number=earlier.number, date=earlier.date or "–")),
        plain(
            lang.text(
                "compared_use",
                use=lang.text(f"use_{USES.get(earlier.use, OPEN)[2]}"),
                now=lang.text(f"use_{USES.get(report.findings.fitness.use, OPEN)[2]}"),
            )
        ),
    ]
    score = report.findings.bow_score
    if earlier.score and score is not None and score.out_of:
        before, after = lang.said(earlier.score), lang.said(score.text)
        said.append(
            Said(
                lang.text("compared_score", before=before.text, after=after.text),
                before.translated and after.translated,
            )
        )
    both = [c for c in earlier.changes if c.difference is not None]
    changed = sum(c.verdict == "changed" for c in both)
    said.append(
        plain(
            lang.text("compared_counts", changed=changed, all=len(both), same=len(both) - changed)
        )
    )
    yield Paragraph(tuple(said))
    yield Table(
        lang.text("compared_caption"),
        tuple(lang.text(k) for k in ("where", "measure", "before", "after", "change")),
        tuple(_change_row(change, lang) for change in earlier.changes),
        (1.7, 1.5, 1.7, 1.7, 2.0),
    )


def _change_row(change: Change, lang: Language) -> tuple[Cell, ...]:
    line = change.after or change.before
    if line is None:
        raise ValueError("a change has a side at least")
    told = lang.text(f"change_{change.verdict.replace(' ', '_')}")
    by: list[str] = []
    if change.difference is not None and change.standard_uncertainty is not None:
        by = [lang.quantity(change.difference, change.standard_uncertainty, line.unit)]
    sides = []
    for one in (change.before, change.after):
        if one is None:
            sides.append(cell(""))
            continue
        limb = lang.text("limb", limb=one.limb) if one.limb and one.end else ""
        verdict = lang.text(f"verdict_{one.verdict}") if one.verdict else ""
        value = lang.quantity(one.value, one.standard_uncertainty, one.unit)
        sides.append(cell(value, ", ".join(filter(None, (verdict, limb)))))
    where = capital(end_name(lang, line.end)) if line.end else capital(place_name(lang, line))
    return (
        cell(where),
        cell(measure_name(lang, line.name)),
        *sides,
        cell(told, *by, strong=change.verdict == "changed"),
    )


def photo_blocks(report: Report, lang: Language) -> Iterable[Block]:
    """Return every photograph with what was drawn, measured and given."""
    yield Heading(1, lang.text("photographs"), part=True)
    if not report.photos:
        yield Paragraph((plain(lang.text("no_photographs")),))
    for page in report.photos:
        yield from _photo(page, report, lang)


def picture_key(page: PhotoPage, place: int) -> str:
    """Name of a picture in the written forms."""
    return f"photo-{page.number:03d}-{page.pictures[place].kind}.jpg"


def _photo(page: PhotoPage, report: Report, lang: Language) -> Iterable[Block]:
    what, found = photo_name(lang, page.entry), page.measurement
    yield Heading(2, plain(lang.text("photo_title", number=page.number, what=what)).text)
    problem = report.unreadable.get(page.entry.file)
    if found is not None and found.refused is not None:
        words = lang.said(f"{found.refused.message} {found.refused.advice}".strip())
        yield Box("rework", "✗", lang.text("refused"), (words,))
    elif found is None:
        words = plain(lang.text("not_measured")) if problem is None else lang.said(problem)
        yield Box("undecided", "?", lang.text("refused"), (words,))
    if page.pictures:
        yield Figures(tuple(_figures(page, what, lang)))
    if found is not None:
        for note in found.warnings:
            words = lang.said(f"{note.message} {note.advice}".strip())
            yield Paragraph((words,), label=f"⚠ {lang.text('warning')}")
        if found.characteristics:
            yield _budget(found, lang)
    yield Facts(tuple(_facts(page, report, lang)))


def _figures(page: PhotoPage, what: str, lang: Language) -> Iterable[Figure]:
    found = page.measurement
    several = len(page.pictures) > 1
    for place, picture in enumerate(page.pictures):
        key = picture_key(page, place)
        if picture.kind != "whole":
            seam = picture.kind in SEAM_ENDS
            name = SEAM_ENDS[picture.kind][1] if seam else f"overhang_{picture.kind}"
            value = _value_of(found, name, lang)
            side = lang.text(f"cap_{picture.kind}")
            alt = lang.text(
                "close_alt_seam" if seam else "close_alt",
                side=side[:1].lower() + side[1:],
                value=value,
            )
            words = lang.text("close_caption", side=side, value=value)
            yield Figure(key, picture.width, picture.height, plain(alt).text, words, 0.27)
            continue
        drawn = bool(found and found.cards)
        caption = lang.text("picture_caption_plain")
        if drawn:
            caption = lang.text("picture_caption", bar=_bar(lang))
        if found is not None and found.refused is None and not picture.scale_cards:
            caption = lang.text("picture_caption_no_bar")
        if found is not None and found.view == "pad" and "right" in _left_edges(found):
            caption = f"{caption} {lang.text('picture_mirrored')}"
        share = 0.42 if several else 0.62 if picture.width >= picture.height else 0.45
        yield Figure(
            key,
            picture.width,
            picture.height,
            plain(_alt(page, what, picture.scale_cards, lang)).text,
            caption,
            share,
        )


def _alt(page: PhotoPage, what: str, barred: Sequence[str], lang: Language) -> str:
    found = page.measurement
    if found is None or not (found.cards or found.edges):
        return lang.text("picture_alt_plain", number=page.number, what=what)
    drawn = []
    if found.cards:
        key = "drawn_card" if len(found.cards) == 1 else "drawn_cards"
        drawn.append(lang.text(key, cards=", ".join(c.card for c in found.cards)))
    if found.edges:
        edges = ", ".join(edge_name(lang, e.edge) for e in found.edges)
        drawn.append(lang.text("drawn_edges", edges=edges))
    if barred:
        key = "drawn_bar" if len(barred) == 1 else "drawn_bars"
        drawn.append(lang.text(key, bar=_bar(lang), cards=", ".join(barred)))
    values = "; ".join(
        f"{measure_name(lang, c.name)} {_characteristic(c, lang)}" for c in found.characteristics
    )
    return lang.text(
        "picture_alt",
        number=page.number,
        what=what,
        drawn="; ".join(drawn),
        values=f"{values}." if values else "",
    )


def _left_edges(found: Measurement) -> set[str]:
    """Sides of the picture on which the seat's left edges lie."""
    return {side for name, side in picture_sides(found).items() if name.endswith("_left")}


def _bar(lang: Language) -> str:
    """Length of the scale bar in both units."""
    both = lang.amounts.text(f"{BAR_MM} mm ({BAR_MM / MM_PER_INCH:.2f} in)")
    return lang.in_words(lang.amounts.number(both))


def _value_of(found: Measurement | None, name: str, lang: Language) -> str:
    for one in () if found is None else found.characteristics:
        if one.name == name:
            return _characteristic(one, lang)
    return ""


def _characteristic(one: Characteristic, lang: Language) -> str:
    spread = max(one.expanded_uncertainty, 1e-4)
    return lang.in_words(
        lang.amounts.quantity(one.value, spread, one.unit, signed=is_signed(one.name))
    )


def _budget(found: Measurement, lang: Language) -> Table:
    rows = []
    for one in found.characteristics:
        shares = sorted(one.budget.items(), key=lambda item: -item[1])
        large = [(source, u) for source, u in shares if u >= SMALLEST_SHOWN][:MOST_SOURCES]
        shown = [
            f"{source_name(lang, source)}: {_spread(u, one.unit, lang)}" for source, u in large
        ]
        rest = sum(u**2 for _, u in shares[len(large) :]) ** 0.5
        if rest:
            shown.append(lang.text("other_sources", u=_spread(rest, one.unit, lang)))
        rows.append(
            (
                cell(measure_name(lang, one.name)),
                cell(_characteristic(one, lang)),
                cell("; ".join(shown)),
            )
        )
    return Table(
        lang.text("budget_caption"),
        (lang.text("measure"), lang.text("value"), lang.text("source_column")),
        tuple(rows),
        (1.45, 2.25, 3.9),
    )


def _spread(u: float, unit: str, lang: Language) -> str:
    """A standard uncertainty; one too small to show is said to be under the last digit."""
    shown = (
        lang.amounts.number(f"{u:.3f}°")
        if unit == "deg"
        else lang.in_words(lang.amounts.leading(u))
    )
    return shown if re.search("[1-9]", shown) else f"< {shown[::-1].replace('0', '1', 1)[::-1]}"


def _facts(
    page: PhotoPage, report: Report, lang: Language
) -> Iterable[tuple[str, tuple[Said, ...]]]:
    found, number = page.measurement, lang.amounts.number
    there = page.entry.file in report.unreadable and page.entry.file not in report.missing
    without = lang.text("unreadable_file" if there else "no_file")
    yield lang.text("file"), (plain(page.entry.file or "–"),)
    yield lang.text("fingerprint"), (plain(page.sha256 or without),)
    if page.entry.note:
        yield lang.text("note"), (plain(page.entry.note),)
    if found is None:
        return
    if all(found.size_px):
        width, height = found.size_px
        yield lang.text("size"), (plain(lang.text("pixels", width=width, height=height)),)
    if found.cards:
        cards = [
            lang.text(
                "card_seen",
                card=c.card,
                corners=c.corners,
                residual=number(f"{c.residual_px:.3f}"),
            )
            for c in found.cards
        ]
        yield lang.text("cards_seen"), (plain("; ".join(cards)),)
    if found.edges:
        edges = [
            lang.text(
                EDGE_TEXTS.get(e.origin, "edge_seen"),
                edge=edge_name(lang, e.edge),
                scatter=lang.in_words(lang.amounts.leading(e.scatter_mm)),
            )
            for e in found.edges
        ]
        yield lang.text("edges"), (plain("; ".join(edges)),)
    if found.lens is not None:
        lens = lang.text(
            "lens_found" if found.lens.photographs > 1 else "lens_found_alone",
            focal=f"{found.lens.focal_px:.0f}",
            k1=number(f"{found.lens.k1:+.4f}").replace("-", "−"),
            k2=number(f"{found.lens.k2:+.4f}").replace("-", "−"),
            photographs=found.lens.photographs,
        )
        yield lang.text("lens"), (plain(lens),)
    given = list(_inputs(found.inputs, lang))
    if given:
        yield lang.text("inputs"), (plain("; ".join(given)),)


def _inputs(inputs: dict[str, Any], lang: Language) -> Iterable[str]:
    number = lang.amounts.number
    thickness = inputs.get("card_thickness_mm")
    if isinstance(thickness, int | float):
        key = "" if inputs.get("card_thickness_measured", True) else "_assumed"
        yield lang.text(f"input_thickness{key}", value=_given(thickness, lang))
    scale = inputs.get("print_scale")
    if inputs.get("print_scale_measured") and isinstance(scale, list | tuple) and len(scale) == 2:
        along, across = (number(f"{100 * s:.2f}") for s in scale)
        yield lang.text("input_scale", along=along, across=across)
    elif "print_scale" in inputs:
        yield lang.text("input_scale_assumed")
    step = inputs.get("face_step_mm")
    if isinstance(step, int | float):
        yield lang.text("input_step", value=_given(step, lang))


def _given(millimetres: float, lang: Language) -> str:
    """A length as it was given, in both units."""
    decimals = len(f"{millimetres:g}".partition(".")[2])
    return lang.in_words(lang.amounts.length(millimetres, decimals))


def provenance_blocks(report: Report, lang: Language) -> Iterable[Block]:
    """Return number, revisions, program and method."""
    yield Heading(1, lang.text("provenance"))
    yield Paragraph((plain(lang.text("method")), plain(lang.text("provenance_text"))))
    issue = report.issue
    yield Facts(
        (
            (capital(lang.text("program")), (plain(issue.program),)),
            (lang.text("fingerprint_content"), (plain(issue.digest),)),
        )
    )
    yield Heading(2, lang.text("revisions"))
    for one in reversed(report.issues):
        line = lang.text(
            "revision_line", revision=one.revision, date=one.date, program=one.program
        )
        yield Paragraph((), label=plain(line).text)
        yield from bullets(lang.all_said(one.changes) or [plain(lang.text("first_issue"))])
