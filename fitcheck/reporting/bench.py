"""The part for the bench: every number with its uncertainty, limit, decision and tool."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

from fitcheck.findings.condition import ITEMS
from fitcheck.findings.draw import Curve
from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.limits import MARKS, Tolerance
from fitcheck.findings.score import Score
from fitcheck.findings.seat import Value
from fitcheck.findings.steps import Step
from fitcheck.findings.string_line import StringLine
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import part_words
from fitcheck.inspection import ARRANGEMENTS
from fitcheck.reporting.blocks import (
    Block,
    Box,
    Cell,
    Heading,
    Paragraph,
    Plot,
    Table,
    bullets,
    cell,
    plain,
)
from fitcheck.reporting.customer import capital_said, in_full, score_numbers
from fitcheck.reporting.language import Language, Said
from fitcheck.reporting.model import Line, Report
from fitcheck.reporting.naming import (
    capital,
    chance,
    end_name,
    is_signed,
    measure_name,
    place_name,
    tool_name,
)

WORTH_NAMING = 0.02  # parts less likely at fault are left out of the table of shares
# A change smaller than this share of its uncertainty is not worth a line.
WORTH_A_LINE = 0.1
TICKS = 5  # on an axis, about
LIMIT_WORDS = {"up to": "good_up", "from": "rework_from"}


def bench_blocks(report: Report, lang: Language) -> Iterable[Block]:
    """Return the blocks for the bench, up to the photographs."""
    f = report.findings
    yield Heading(1, lang.text("bench"), part=True)
    sides = [plain(lang.text("sides"))]
    if f.inspection.bow.mount == "back":
        sides.append(plain(lang.text("sides_back")))
    yield Paragraph(tuple(sides), soft=True)
    notes = [
        *(f"{note.message} {note.advice}".strip() for note in f.evidence.notes),
        *(n for seats in f.seats.values() for seat in seats.values() for n in seat.notes),
    ]
    if notes:
        yield Box("note", "!", lang.text("notes"), lang.all_said(dict.fromkeys(notes)))
    yield from in_full(report, lang)
    if f.fitness.reasons:
        yield Heading(2, lang.text("why"))
        yield from bullets(lang.all_said(f.fitness.reasons))
    yield from _decisions(report, lang)
    yield from _steps(f, lang)
    yield from _scores(f, lang)
    yield from _shares(f, lang)
    yield from _exchange(f.faults, lang)
    for arrangement in ARRANGEMENTS:
        line = f.string[arrangement]
        if line is not None:
            yield from _string(line, arrangement, lang)
    yield from _readings(f, lang)
    yield from _limits(f, lang)
    yield from _condition(f, lang)


def _decisions(report: Report, lang: Language) -> Iterable[Block]:
    head = ("where", "measure", "value", "limits", "decision", "photo")
    for key, arrangement in (("received", "as received"), ("exchanged", "exchanged")):
        lines = [n for n in report.lines if n.limit and n.arrangement == arrangement]
        if lines:
            yield Heading(2, lang.text(f"decisions_{key}"))
            yield Table(
                lang.text("decisions_caption"),
                tuple(lang.text(one) for one in head),
                tuple(_decided(report, one, lang) for one in lines),
                (1.4, 1.4, 2.05, 1.75, 2.1, 0.65),
            )
    others = [n for n in report.lines if not n.limit]
    if others:
        yield Heading(2, lang.text("other_values"))
        yield Table(
            lang.text("other_caption"),
            tuple(lang.text(one) for one in ("where", "measure", "value", "tool", "photo")),
            tuple(
                (
                    cell(capital(place_name(lang, one))),
                    cell(measure_name(lang, one.name)),
                    _value(one, lang),
                    cell(tool_name(lang, one.tool)),
                    _photos(one),
                )
                for one in others
            ),
            (2.4, 1.8, 2.0, 1.1, 0.9),
        )


def _decided(report: Report, line: Line, lang: Language) -> tuple[Cell, ...]:
    limit = report.findings.limits[line.limit]
    p, q = chance(line.p_good or 0.0), chance(line.p_rework_free or 0.0)
    return (
        cell(capital(place_name(lang, line))),
        cell(measure_name(lang, line.name), tool_name(lang, line.tool)),
        _value(line, lang),
        cell(*_limit_texts(limit, lang)),
        Cell(
            (
                plain(lang.text(f"verdict_{line.verdict}")),
                plain(lang.text("good_with", p=p, q=q)),
                *([lang.said(line.what_decides)] if line.what_decides else []),
            ),
            strong=True,
        ),
        _photos(line),
    )


def _value(line: Line, lang: Language) -> Cell:
    first, second = lang.pair(
        line.value, line.standard_uncertainty, line.unit, signed=is_signed(line.name)
    )
    lines = [first, second] if second else [first]
    if line.seating_range is not None:
        spread = (
            lang.amounts.number(f"{line.seating_range:.2f}°")
            if line.unit == "deg"
            else lang.in_words(lang.amounts.length(line.seating_range, 2))
        )
        lines.append(lang.text("seatings", count=line.seatings, range=spread))
    return cell(*lines, strong=True)


def _photos(line: Line) -> Cell:
    return cell(", ".join(str(n) for n in line.photos))


def _limit_texts(limit: Tolerance, lang: Language) -> Iterable[Said]:
    mark = "own" if limit.edited else limit.mark
    good, rework = lang.said(limit.good_text), lang.said(limit.rework_text)
    yield Said(lang.text("good_up", good=good.text), good.translated)
    words = lang.text("rework_from", rework=rework.text)
    shown = lang.text("mark_own") if mark == "own" else mark
    yield Said(f"{words} [{shown}]" if shown else words, rework.translated)


def _steps(f: Findings, lang: Language) -> Iterable[Block]:
    rework = f.rework
    if rework.steps:
        yield Heading(2, lang.text("steps"))
        if rework.arrangement == "exchanged":
            yield Paragraph((plain(lang.text("steps_for_exchanged")),), soft=True)
        for number, step in enumerate(rework.steps, start=1):
            yield from _step(number, step, lang)
    if rework.out_of_reach:
        yield Heading(3, lang.text("beyond"))
        yield from bullets(lang.all_said(f"{o.what} {o.why}" for o in rework.out_of_reach))
    if rework.left_alone:
        yield Heading(3, lang.text("left_alone"))
        yield from bullets(lang.all_said(item.text for item in rework.left_alone))


def _step(number: int, step: Step, lang: Language) -> Iterable[Block]:
    title = lang.said(step.title)
    yield Heading(3, lang.text("step", number=number, title=title.text))
    yield Paragraph((lang.said(step.text),))
    if step.depth_mm is not None:
        yield Paragraph((_how_much(step, step.depth_mm, lang),), label=lang.text("how_much"))
    if step.bound:
        yield Paragraph((lang.said(step.bound),), label=lang.text("bound"))
    if step.stop:
        yield Paragraph((lang.said(step.stop),), label=lang.text("stop"))
    moved = [
        p
        for p in step.predicted
        if abs(p.after.value - p.before.value) > WORTH_A_LINE * p.before.expanded
    ]
    if moved:
        rows = [
            (
                cell(_predicted_name(p.name, lang)),
                cell(_quantity(p.before, lang)),
                cell(_quantity(p.after, lang)),
            )
            for p in moved
        ]
        if step.score_after is not None and step.score_after.out_of:
            after = lang.text("score_short", **score_numbers(step.score_after, lang))
            rows.append((cell(lang.text("step_score")), cell(""), cell(after)))
        yield Table(
            lang.text("step_does"),
            (lang.text("measure"), lang.text("before"), lang.text("after")),
            tuple(rows),
            (1.6, 2.0, 2.0),
        )
    if step.cautions:
        yield Paragraph(lang.all_said(step.cautions), label=f"⚠ {lang.text('care')}")


def _how_much(step: Step, depth_mm: float, lang: Language) -> Said:
    """The depth with its uncertainty, and where; without one, to a hundredth of a millimetre."""
    if step.depth_sd_mm:
        depth = lang.quantity(depth_mm, step.depth_sd_mm, "mm", signed=False)
    else:
        depth = lang.said(f"{depth_mm:.2f} mm").text
    if not step.edge or not step.part:
        return plain(depth)
    edge, part = lang.said(step.edge), lang.said(step.part)
    words = lang.text("how_much_text", depth=depth, edge=edge.text, part=part.text)
    return Said(plain(words).text, edge.translated and part.translated)


def _predicted_name(name: str, lang: Language) -> str:
    key = name.replace(" at the ", " ").replace(" ", "_")
    return measure_name(lang, key)


def _quantity(value: Value, lang: Language) -> str:
    return lang.quantity(value.value, value.standard_uncertainty, value.unit)


def _scores(f: Findings, lang: Language) -> Iterable[Block]:
    rows: list[tuple[Cell, ...]] = []
    for arrangement in ARRANGEMENTS:
        for score in f.scores[arrangement].values():
            if score.out_of:
                rows += _score_rows(score, arrangement, lang)
    if rows:
        yield Heading(2, lang.text("score_arithmetic"))
        yield Table(
            lang.text("score_arithmetic_caption"),
            (lang.text("where"), lang.text("arithmetic"), lang.text("points")),
            tuple(rows),
            (1.6, 4.6, 0.9),
        )


def _score_rows(score: Score, arrangement: str, lang: Language) -> Iterable[tuple[Cell, ...]]:
    seat = score.seat
    where = capital(end_name(lang, seat.end))
    limb = lang.text("limb", limb=seat.limb) if seat.limb else lang.text("bare_pad")
    more = lang.text("exchange").lower() if arrangement == "exchanged" else ""
    first = cell(f"{where}, {limb}", more, strong=True)
    for part in score.parts:
        words = lang.said(part.arithmetic, reckoning=True)
        points = lang.amounts.number(f"{part.points:.2f} / {part.full}")
        yield first, cell(capital_said(words)), cell(points)
        first = cell(" ")
    if score.missing:
        missing = [lang.said(one) for one in score.missing]
        names = "; ".join(one.text for one in missing)
        yield first, cell(capital(f"{lang.text('left_out')}: {names}")), cell("")
    total = lang.text("score_short", **score_numbers(score, lang))
    yield (
        cell(" "),
        cell(f"{capital(lang.text('together'))}: {total}", strong=True),
        cell(lang.amounts.number(f"{score.points:.2f} / {score.out_of}"), strong=True),
    )


def _shares(f: Findings, lang: Language) -> Iterable[Block]:
    read = len(f.faults.roll.readings.values) + len(f.faults.sideways.readings.values)
    if not read and not f.evidence.values:
        # What is left is what was assumed before: no table of it, or it would pass for found.
        yield Heading(2, lang.text("shares"))
        yield Paragraph((plain(lang.text("shares_none")),))
        return
    unread = _unread(f.faults)
    causes = [c for c in f.faults.causes if c.probability >= WORTH_NAMING and c.part not in unread]
    if not causes:
        return
    yield Heading(2, lang.text("shares"))
    yield Table(
        lang.text("shares_caption"),
        tuple(lang.text(k) for k in ("part", "share", "at_fault", "past_good", "basis")),
        tuple(_share_row(cause, lang) for cause in causes),
        (2.2, 2.2, 0.9, 1.1, 1.7),
    )


def _unread(faults: Faults) -> set[Hashable]:
    """Parts that no reading bears on: of them there is only what was assumed before."""
    unread = set()
    for group in (faults.roll.readings, faults.sideways.readings):
        wide = group.components
        for i, part in enumerate(group.parts):
            if not group.design[:, wide * i : wide * (i + 1)].any():
                unread.add(part)
    return unread


def _share_row(cause: Cause, lang: Language) -> tuple[Cell, ...]:
    texts = [lang.quantity(cause.value, cause.standard_uncertainty, cause.unit)]
    if cause.angle is not None:
        texts.append(lang.quantity(*cause.angle, "deg"))
    basis = "basis_alone" if cause.determined else "basis_weighed"
    return (
        cell(capital_said(lang.said(part_words(cause.part)))),
        cell(*texts),
        cell(chance(cause.probability)),
        cell(chance(cause.p_past_good)),
        cell(lang.text(basis)),
    )


def _exchange(faults: Faults, lang: Language) -> Iterable[Block]:
    p = faults.exchange.probability
    yield Heading(2, lang.text("exchange"))
    said = [
        plain(lang.text("exchange_open"))
        if p is None
        else plain(lang.text("exchange_p", p=chance(p)))
    ]
    if not faults.closures and p is None:
        said = [plain(lang.text("exchange_none"))]
    if faults.closures:
        said.append(plain(lang.text("closure_means")))
    yield Paragraph(tuple(said))
    yield from bullets(
        [
            plain(
                lang.text(
                    "closure",
                    name=measure_name(lang, check.characteristic),
                    value=lang.quantity(
                        check.result.value, check.result.standard_uncertainty, check.unit
                    ),
                    holds=lang.text("closure_holds" if check.holds else "closure_fails"),
                )
            )
            for check in faults.closures
        ]
    )


def _string(line: StringLine, arrangement: str, lang: Language) -> Iterable[Block]:
    key = "received" if arrangement == "as received" else "exchanged"
    yield Heading(2, lang.text(f"string_{key}"))
    rows = []
    for place in line.places:
        seen = ""
        if place.seen is not None:
            agrees = lang.text("agrees" if place.agrees else "disagrees")
            seen = f"{lang.quantity(*place.seen, 'mm')}; {agrees}"
        rows.append(
            (
                cell(_predicted_name(f"string_{place.at.replace(' ', '_')}", lang)),
                cell(lang.quantity(place.value, place.standard_uncertainty, "mm")),
                cell(lang.said(place.judged.sentence)),
                cell(seen),
            )
        )
    yield Table(
        lang.text("string_caption"),
        tuple(lang.text(k) for k in ("at", "reckoned", "decision", "read_with_rule")),
        tuple(rows),
        (1.3, 1.7, 3.0, 1.6),
    )
    said = []
    if line.assumed:
        assumed = [lang.said(one) for one in line.assumed]
        words = "; ".join(one.text for one in assumed)
        translated = all(one.translated for one in assumed)
        said.append(Said(lang.text("assumed", what=words), translated))
    if not line.mount_known:
        said.append(plain(lang.text("mount_unknown")))
    strung = {True: "strung_yes", False: "strung_no", None: "strung_mixed"}
    said.append(plain(lang.text(strung[line.photographed_strung])))
    yield Paragraph(tuple(said), soft=True)


def _readings(f: Findings, lang: Language) -> Iterable[Block]:
    yield Heading(2, lang.text("bench_readings"))
    if not f.bench:
        yield Paragraph((plain(lang.text("no_bench")),))
    else:
        yield Table(
            "",
            tuple(lang.text(k) for k in ("reading", "read_as", "means")),
            tuple(
                (
                    cell(lang.said(one.title)),
                    cell(lang.said(one.reading)),
                    cell(_meaning(lang.said(one.meaning), one.level, one.mark)),
                )
                for one in f.bench
            ),
            (1.5, 1.6, 4.0),
        )
    if f.curve is not None and len(f.curve.draw_in) > 1:
        yield _plot(f.curve, lang)


def _meaning(said: Said, level: str, mark: str) -> Said:
    sign = "⚠ " if level == "caution" else ""
    return Said(f"{sign}{said.text}{f' [{mark}]' if mark else ''}", said.translated)


def _plot(curve: Curve, lang: Language) -> Plot:
    def number(value: float) -> str:
        return lang.amounts.number(f"{value:.4g}")

    points = tuple(zip(curve.draw_in, curve.force_lb, strict=True))
    words = "; ".join(
        lang.text("plot_point", force=number(force), draw=number(draw)) for draw, force in points
    )
    top = max(points, key=lambda p: p[1])
    marked = dict.fromkeys((points[0], top))
    return Plot(
        points,
        tuple((v, number(v)) for v in _ticks(points[0][0], points[-1][0])),
        tuple((v, number(v)) for v in _ticks(0.0, top[1])),
        tuple((x, y, lang.text("plot_point", force=number(y), draw=number(x))) for x, y in marked),
        lang.text("plot_x"),
        lang.text("plot_y"),
        lang.text("plot_alt", points=words),
        lang.text("plot_caption", points=words),
    )


def _ticks(low: float, high: float) -> Sequence[float]:
    """Round numbers from ``low`` to ``high``, about five of them."""
    span = high - low
    if span <= 0:
        return (low,)
    step = next((s for s in (0.5, 1, 2, 5, 10, 20, 50, 100) if span / s <= TICKS), span)
    first = -(-low // step) * step
    count = int((high - first) / step + 1e-9) + 1
    return tuple(round(first + i * step, 6) for i in range(max(count, 0))) or (low,)


def _limits(f: Findings, lang: Language) -> Iterable[Block]:
    yield Heading(2, lang.text("limits_in_force"))
    rows = []
    for name, limit in f.limits.items():
        mark = lang.text("mark_own") if limit.edited else limit.mark
        rows.append(
            (
                cell(measure_name(lang, name)),
                cell(lang.said(limit.good_text)),
                cell(lang.said(limit.rework_text)),
                cell(mark),
                cell(lang.said(limit.note or MARKS[limit.mark])),
            )
        )
    yield Table(
        lang.text("limits_caption"),
        tuple(lang.text(k) for k in ("measure", "good", "rework", "mark", "source")),
        tuple(rows),
        (1.5, 1.6, 1.8, 0.7, 2.6),
    )


def _condition(f: Findings, lang: Language) -> Iterable[Block]:
    found = f.condition
    yield Heading(2, lang.text("condition"))
    if found.found:
        yield Table(
            lang.text("condition_found"),
            tuple(lang.text(k) for k in ("condition_what", "where", "condition_follows")),
            tuple(
                (
                    cell(capital_said(lang.said(one.item.words))),
                    cell(lang.said(one.where)) if one.where else cell(""),
                    cell(lang.said(one.item.why), one.note),
                )
                for one in found.found
            ),
            (1.5, 1.0, 3.5),
        )
    for key, words in (("condition_clear", found.clear), ("condition_not", found.not_looked)):
        if words:
            if len(words) == len(ITEMS) and key == "condition_not":
                yield Paragraph((plain(lang.text("condition_none")),))
                continue
            said = [lang.said(one) for one in words]
            text = "; ".join(one.text for one in said)
            yield Paragraph(
                (Said(f"{text}.", all(one.translated for one in said)),), label=lang.text(key)
            )
