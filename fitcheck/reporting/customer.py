"""The first page: for whoever owns the bow, in plain words.

What is said comes from the findings, as their own summary has it, so that nothing that they
hold back on a stopped bow is said here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fitcheck.findings.plain import (
    cause_sentences,
    found_sentences,
    looked_at,
    proposal_sentences,
)
from fitcheck.findings.readings import both_units
from fitcheck.findings.score import Score
from fitcheck.inspection import ENDS
from fitcheck.plain_text import LONGEST_TEXT
from fitcheck.quantities import Quantity
from fitcheck.reporting.blocks import (
    Block,
    Box,
    Facts,
    Heading,
    Level,
    Paragraph,
    Signature,
    Table,
    bullets,
    cell,
    plain,
)
from fitcheck.reporting.language import Language, Said
from fitcheck.reporting.model import Report
from fitcheck.reporting.naming import capital, end_name, measure_name

# Sign, level and texts of each use. Colour is never the only sign.
USES: dict[str, tuple[str, Level, str]] = {
    "return as is": ("✓", "good", "return"),
    "rework": ("✗", "rework", "rework"),
    "do not shoot, reject": ("■", "rework", "reject"),
    "cannot be said yet": ("?", "undecided", "open"),
}
OPEN = USES["cannot be said yet"]
# What the proposed work is shown to move, in this order.
SHOWN = ("overhang_left", "overhang_right", "pad_squareness", "twist", "lateral_angle", "seat_gap")
# The owner is shown what moves by more than this share of its expanded uncertainty.
WORTH_SHOWING = 1.0
# What the first page has room for; all of it stands in the part for the bench.
MOST_FOUND, MOST_CAUSES = 5, 3
MOST_LETTERS, MOST_OF_TITLE = 240, 90


def customer_blocks(report: Report, lang: Language) -> Iterable[Block]:
    """Return the blocks of the customer's page."""
    f = report.findings
    sign, level, use = USES.get(f.fitness.use, OPEN)
    yield Heading(1, title_of(report, lang))
    yield Facts(tuple(_facts(report, lang, MOST_LETTERS)))
    # Where the pads alone were asked for nothing is said of shooting, but that it is forbidden.
    pads_alone = f.inspection.pads_alone
    title = "use_pads" if pads_alone and use == "return" else f"use_{use}"
    said = [lang.said(f.fitness.headline)]
    if not pads_alone or use == "reject":
        said.append(plain(f"{lang.text('can_it_be_shot')} {lang.text(f'shoot_{use}')}"))
    yield Box(level, sign, lang.text(title), tuple(said))
    if f.condition.stops:
        stops = lang.all_said(one.sentence for one in f.condition.stops)
        yield Box("caution", "⚠", lang.text("found_first"), stops)
    # Before anything else is read: all of them bear on whether and how it may be shot.
    yield Box(
        "caution", "⚠", lang.text("cautions"), lang.all_said(dict.fromkeys(f.fitness.cautions))
    )
    yield Heading(2, lang.text("looked_at"))
    seen = lang.all_said(looked_at(f))
    yield Paragraph((_joined(seen) or plain(lang.text("nothing")), *_not_measured(report, lang)))
    yield Heading(2, lang.text("found"))
    yield from bullets(_weightiest(found_sentences(f), MOST_FOUND, lang))
    score = [plain(lang.text("score_stopped"))] if f.condition.stops else _score(f.bow_score, lang)
    yield Paragraph(tuple(score), label=f"{lang.text('score')}:")
    yield Heading(2, lang.text("fault"))
    yield from bullets(_weightiest(cause_sentences(f), MOST_CAUSES, lang))
    yield Heading(2, lang.text("proposed"))
    yield from bullets(lang.all_said(proposal_sentences(f)))
    yield from _will_change(report, lang)
    if f.rework.out_of_reach:
        yield Heading(2, lang.text("beyond"))
        yield from bullets(lang.all_said(f"{o.what} {o.why}" for o in f.rework.out_of_reach))
    if f.fitness.missing:
        yield Heading(2, lang.text("not_looked_at"))
        yield from bullets([capital_said(one) for one in lang.all_said(f.fitness.missing)])
    inspector = report.shop.inspector
    yield Signature(
        (
            lang.text("signature_named", name=plain(inspector).text)
            if inspector
            else lang.text("signature"),
        )
    )


def _not_measured(report: Report, lang: Language) -> Iterable[Said]:
    found = report.findings.measurements
    count = sum(one is None or one.refused is not None for one in found)
    if count:
        yield plain(lang.text("photos_not_measured", count=count, all=len(found)))


def _weightiest(sentences: tuple[str, ...], most: int, lang: Language) -> list[Said]:
    """The first so many, and how many more stand in full in the part for the bench."""
    shown = list(lang.all_said(sentences[:most]))
    if len(sentences) > most:
        shown.append(plain(lang.text("more_at_bench", count=len(sentences) - most)))
    return shown


def in_full(report: Report, lang: Language) -> Iterable[Block]:
    """Return what the customer's page had to leave to the part for the bench."""
    f = report.findings
    long = [row for row in _given(report, lang) if len(row[1]) > MOST_LETTERS]
    if long:
        yield Heading(2, lang.text("given_in_full"))
        yield Facts(tuple((name, _in_full(value, lang)) for name, value in long))
    for key, sentences, most in (
        ("found", found_sentences(f), MOST_FOUND),
        ("fault", cause_sentences(f), MOST_CAUSES),
    ):
        if len(sentences) > most:
            yield Heading(2, lang.text(f"{key}_in_full"))
            yield from bullets(lang.all_said(sentences))


def title_of(report: Report, lang: Language) -> str:
    """Return the title; a long name of a bow is cut there, and stands in full further down."""
    name = plain(report.findings.inspection.bow.name).text
    if len(name) > MOST_OF_TITLE:
        name = f"{name[:MOST_OF_TITLE]}…"
    return lang.text("title_bow", bow=name) if name else lang.text("title")


def _facts(report: Report, lang: Language, most: int) -> Iterable[tuple[str, tuple[Said, ...]]]:
    """What was said of the bow; of a long text the beginning, and where the rest stands."""
    for name, value in _given(report, lang):
        if len(value) > most:
            yield name, (plain(f"{value[:most]}…"), plain(lang.text("see_in_full")))
        else:
            yield name, (plain(value),)


def _in_full(value: str, lang: Language) -> tuple[Said, ...]:
    said = [plain(value)]
    if len(value) > LONGEST_TEXT:  # plain() cuts there
        said.append(plain(lang.text("cut", count=len(value) - LONGEST_TEXT)))
    return tuple(said)


def _given(report: Report, lang: Language) -> Iterable[tuple[str, str]]:
    inspection = report.findings.inspection
    bow = inspection.bow
    known = [
        bow.name,
        lang.text("maker", maker=bow.maker) if bow.maker else "",
        lang.text("serial", serial=bow.serial) if bow.serial else "",
        _as_read(bow.length, lang) if bow.length else "",
        bow.marked_weight.typed if bow.marked_weight else "",
    ]
    yield lang.text("bow"), ", ".join(filter(None, known)) or "–"
    stage = lang.word(f"stage_{inspection.stage.replace(' ', '_')}", inspection.stage)
    for key, value in (
        ("customer", inspection.customer),
        ("reference", inspection.reference),
        (
            "inspected",
            lang.text("inspected_stage", date=inspection.date, stage=stage)
            if inspection.date
            else stage,
        ),
        ("complaint", inspection.complaint),
        ("note", inspection.note),
        ("inspector", report.shop.inspector),
    ):
        if value:
            yield lang.text(key), value


def _as_read(read: Quantity, lang: Language) -> str:
    """A length as it was written, with the other unit."""
    typed = read.typed.strip()
    inches = "in" in typed or '"' in typed
    return lang.in_words(
        lang.amounts.number(lang.amounts.text(both_units(read.value) if inches else typed))
    )


def capital_said(said: Said) -> Said:
    """Begin a text with a capital."""
    return Said(capital(said.text), said.translated)


def _joined(parts: Sequence[Said]) -> Said | None:
    if not parts:
        return None
    text = "; ".join(one.text for one in parts)
    return Said(f"{capital(text)}.", all(one.translated for one in parts))


def _score(score: Score | None, lang: Language) -> Iterable[Said]:
    if score is None or not score.out_of:
        yield plain(lang.text("score_none"))
        return
    where = end_name(lang, score.seat.end)
    if score.seat.limb:
        where = f"{where}, {lang.text('limb', limb=score.seat.limb)}"
    yield plain(lang.text("score_text", **score_numbers(score, lang), where=where))
    if score.missing:
        missing = [lang.said(one) for one in score.missing]
        words = "; ".join(one.text for one in missing)
        yield Said(
            plain(lang.text("score_missing", missing=words)).text,
            all(one.translated for one in missing),
        )


def score_numbers(score: Score, lang: Language) -> dict[str, str]:
    """The score's numbers as texts."""
    number = lang.amounts.number
    return {
        "points": number(f"{score.points:.1f}"),
        "out_of": str(score.out_of),
        "low": number(f"{score.low:.1f}"),
        "high": number(f"{score.high:.1f}"),
    }


def _will_change(report: Report, lang: Language) -> Iterable[Block]:
    """What the seats are now and are expected to be, where the work moves anything."""
    f = report.findings
    if not f.rework.works_on_fit or f.fitness.use == "do not shoot, reject":
        return
    rows = []
    for end in ENDS:
        now, then = f.seats["as received"].get(end), f.rework.seats_after.get(end)
        if now is None or then is None:
            continue
        for name in SHOWN:
            a, b = now.values.get(name), then.values.get(name)
            if a is None or b is None or abs(a.value - b.value) <= WORTH_SHOWING * a.expanded:
                continue
            rows.append(
                (
                    cell(f"{measure_name(lang, name)}, {end_name(lang, end)}"),
                    cell(lang.plainly(a.value, a.standard_uncertainty, a.unit)),
                    cell(lang.plainly(b.value, b.standard_uncertainty, b.unit)),
                )
            )
    if rows:
        yield Heading(2, lang.text("will_change"))
        yield Table(
            lang.text("will_change_caption"),
            (lang.text("measure"), lang.text("now"), lang.text("expected")),
            tuple(rows),
            (2.0, 1.7, 1.7),
        )
