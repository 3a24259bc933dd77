"""A lot's report as a document: what becomes of the parts, then how that was found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from fitcheck.lots.analysis import FEW_POINTS, CharacteristicFindings
from fitcheck.lots.control_charts import OF_SUBGROUPS, Kind
from fitcheck.lots.drift import Change
from fitcheck.lots.figures import (
    CHART_NAMES,
    Picture,
    chart_picture,
    parts_picture,
    readings_picture,
)
from fitcheck.lots.plan import count
from fitcheck.lots.report_tables import (
    budget_table,
    capability_row,
    estimate_text,
    operators_table,
    small_text,
    study_table,
    unit_sign,
)
from fitcheck.lots.run_rules import RULE_WORDS
from fitcheck.lots.whole import LotFindings
from fitcheck.lots.words import (
    TAKEN_CARE,
    lot_sentence,
    number_text,
    percent_text,
    photographs_sentence,
    tolerance_text,
    truth_sentence,
    verdict_words,
)
from fitcheck.measurement import Note
from fitcheck.plain_text import visible_text
from fitcheck.reporting.as_pdf import report_pdf
from fitcheck.reporting.blocks import (
    Block,
    Box,
    Bullets,
    Document,
    Facts,
    Figure,
    Figures,
    Heading,
    Level,
    Paragraph,
    Table,
    cell,
    plain,
)
from fitcheck.reporting.language import Said
from fitcheck.reporting.shop import Shop
from fitcheck.units import quantity_text
from fitcheck.wording import wording

MOST_ROWS = 200  # of a table; the rest is in the CSV
MOST_PARTS_FIRST = 24  # on the first page


def lot_pdf(
    lot: LotFindings, changes: Iterable[Change] = (), shop: Shop | None = None, paper: str = "a4"
) -> bytes:
    """Set the report of a lot as a tagged PDF with vector charts.

    Parameters
    ----------
    lot
        What was found.
    changes
        What has changed of cards and lens since earlier lots.
    shop
        Who writes it.
    paper
        ``"a4"`` or ``"letter"``.
    """
    writer = _Writer(lot, tuple(changes))
    blocks = tuple(writer.blocks())
    shop = shop or Shop()
    sender = [shop.name, *shop.address.splitlines(), *shop.contact.splitlines()]
    name = visible_text(lot.name)
    document = Document(
        language="en",
        title=f"Lot of parts: {name}",
        foot=f"Lot {name} · {visible_text(lot.date)} · {lot.program}",
        sender=tuple(visible_text(line.strip()) for line in sender if line.strip()),
        logo=shop.logo,
        logo_alt=f"Logo of {visible_text(shop.name)}" if shop.name else "Logo of the shop",
        badge=(f"Lot {name}", visible_text(lot.date)),
        blocks=blocks,
        page_words="Page {page} of {pages}",
    )
    return report_pdf(document, {k: p.svg for k, p in writer.pictures.items()}, paper)


class _Writer:
    """Writes the blocks and gathers their pictures."""

    def __init__(self, lot: LotFindings, changes: Sequence[Change]) -> None:
        self.lot = lot
        self.changes = changes
        self.pictures: dict[str, Picture] = {}

    def blocks(self) -> Iterator[Block]:
        yield from self._first_page()
        yield Heading(1, "In full", part=True)
        for one in self.lot.characteristics:
            if one.tolerance is not None:
                yield from self._judged(one)
        others = [one for one in self.lot.characteristics if one.tolerance is None]
        if others:
            yield from self._others(others)
        yield from self._drift()
        if self.lot.photos:
            yield from self._photographs()
        yield from self._how()

    # ---- first page ----------------------------------------------------------------------

    def _first_page(self) -> Iterator[Block]:
        lot = self.lot
        yield Heading(1, f"Lot of parts: {visible_text(lot.name)}")
        verdicts = lot.verdicts()
        level: Level = "good"
        sign = "✓"
        if "reject" in verdicts.values():
            level, sign = "rework", "✗"
        elif not lot.judged or set(verdicts.values()) - {"accept"}:
            level, sign = "undecided", "?"
        yield Box(level, sign, lot_sentence(lot), tuple(map(plain, self._named(verdicts))))
        yield Facts(tuple(self._facts()))
        for one in lot.judged[:1]:
            yield self._figure(f"parts-{_key(one)}", parts_picture(one))
        said = [
            s
            for one in lot.judged
            for s in (one.improvement.sentences if one.improvement else ())[:2]
        ]
        if said:
            yield Heading(2, "Does the method suit the tolerance?")
            yield Bullets(tuple(map(plain, said)))
        for one in lot.judged:
            if one.truth is not None:
                yield Paragraph((plain(truth_sentence(one)),), label="Against known truth.")
        notes: list[Note | Change] = [*lot.notes, *self.changes]
        told = [f"{c.message} {c.advice}".strip() for c in notes]
        if told:
            yield Heading(2, "To be looked at")
            yield Bullets(tuple(map(plain, told)))
        yield Box("caution", "⚠", "Take care", tuple(map(plain, TAKEN_CARE)))

    def _named(self, verdicts: Mapping[str, str]) -> Iterator[str]:
        for verdict in ("reject", "measure again", "not measured"):
            names = [part for part, v in verdicts.items() if v == verdict]
            if names and (verdict != "not measured" or self.lot.judged):
                shown = ", ".join(visible_text(n) for n in names[:MOST_PARTS_FIRST])
                more = (
                    f" and {len(names) - MOST_PARTS_FIRST} more"
                    if len(names) > MOST_PARTS_FIRST
                    else ""
                )
                yield f"{verdict_words(verdict)}: {shown}{more}."

    def _facts(self) -> Iterator[tuple[str, tuple[Said, ...]]]:
        lot = self.lot
        yield "Date", (plain(lot.date),)
        if lot.photos:
            yield "Photographs", (plain(photographs_sentence(lot)),)
            yield "View", (plain(lot.view),)
            scale = lot.inputs.get("print_scale", [1, 1])
            yield (
                "Cards",
                (
                    plain(
                        f"thickness {lot.inputs.get('card_thickness_mm'):g} mm"
                        f"{'' if lot.inputs.get('card_thickness_measured') else ' (assumed)'}, "
                        f"print {percent_text(scale[0], 2)} along and "
                        f"{percent_text(scale[1], 2)} across"
                        f"{'' if lot.inputs.get('print_scale_measured') else ' (assumed)'}"
                    ),
                ),
            )
        else:
            yield "Numbers", (plain(f"{count(len(lot.values), 'value')} from a table"),)
        for one in lot.judged:
            yield f"{wording(one.name).name}", (plain(tolerance_text(one)),)

    # ---- one characteristic --------------------------------------------------------------

    def _judged(self, one: CharacteristicFindings) -> Iterator[Block]:
        name = wording(one.name).name
        yield Heading(2, f"{name}: parts")
        yield Paragraph(
            (
                plain(
                    "A part is accepted where it lies within the tolerance with at least 95 %, "
                    "rejected where it lies outside with at least 95 %, and measured again in "
                    "between: guard bands of 1.65 standard uncertainties (ISO 14253-1, JCGM 106)."
                ),
            ),
            soft=True,
        )
        yield from self._parts_table(one)
        yield from self._charts(one)
        yield from self._capability(one)
        yield from self._study(one)

    def _parts_table(self, one: CharacteristicFindings) -> Iterator[Block]:
        parts = one.worst_first
        rows = []
        for p in parts[:MOST_ROWS]:
            decided = one.decisions.get(p.part)
            remark = []
            if p.warned:
                remark.append("only photographs with a warning")
            if p.disagree:
                remark.append("its photographs disagree")
            size = _size(p.value, p.standard_uncertainty, one.unit)
            risk = (
                ""
                if decided is None
                else _risk_text(decided.consumers_risk, decided.producers_risk)
            )
            rows.append(
                (
                    cell(visible_text(p.part)),
                    cell(size),
                    cell(f"{p.count}"),
                    cell(decided.verdict.capitalize() if decided else "", strong=True),
                    cell(percent_text(decided.probability_within, 1) if decided else ""),
                    cell(risk, *remark),
                )
            )
        cut = (
            f" The first {MOST_ROWS} of {len(parts)}; all are in lot-parts.csv."
            if len(parts) > MOST_ROWS
            else ""
        )
        yield Table(
            f"Parts against {tolerance_text(one)}, those that are not accepted first.{cut}",
            (
                "Part",
                "Value ± U (95 %)",
                "Photos",
                "Verdict",
                "Within",
                "Risk of that being wrong",
            ),
            tuple(rows),
            (1.1, 1.6, 0.6, 1.2, 0.8, 1.9),
        )

    def _charts(self, one: CharacteristicFindings) -> Iterator[Block]:
        if not one.charts:
            return
        yield Heading(2, f"{wording(one.name).name}: control charts")
        by_kind = {chart.kind: chart for chart in one.charts}
        pairs = [
            ("individuals", "moving range"),
            ("ewma",),
            ("means", "ranges"),
            ("means", "deviations"),
        ]
        for kinds in pairs:
            charts = [by_kind[k] for k in kinds if k in by_kind]
            if len(charts) == len(kinds):
                key = f"{kinds[-1].replace(' ', '-')}-{_key(one)}"
                yield self._figure(key, chart_picture(one, charts))
        signals = [
            plain(
                f"{CHART_NAMES[chart.kind]}, {_where(one, chart.kind, at)}: "
                f"{'; '.join(RULE_WORDS[s.rule] for s in chart.signals if s.at == at)}."
            )
            for chart in one.charts
            for at in chart.out
        ]
        if signals:
            more = [plain(f"… and {len(signals) - 12} more.")] if len(signals) > 12 else []
            yield Bullets(tuple(signals[:12] + more))
        said = [
            "Rules: " + "; ".join(RULE_WORDS.values()) + ". Ranges, deviations and weighted "
            "averages are held against their limits only."
        ]
        if len(one.parts) < FEW_POINTS:
            said.append(
                f"Limits from {count(len(one.parts), 'part')} are provisional: from {FEW_POINTS} "
                "on they stand still."
            )
        yield Paragraph(tuple(map(plain, said)), soft=True)

    def _capability(self, one: CharacteristicFindings) -> Iterator[Block]:
        yield Heading(2, f"{wording(one.name).name}: capability")
        if one.capability is None:
            yield Paragraph((plain("Not told: one part only, or all parts alike."),), soft=True)
            return
        rows = [capability_row("as measured, the spread of measuring is in", one.capability)]
        if one.own_capability is not None:
            rows.append(capability_row("spread of measuring taken out", one.own_capability))
        yield Table(
            f"Capability of {count(one.capability.count, 'part')}, with 95 % intervals.",
            ("Spread", "Mean", "Std. dev.", "Cp", "Cpk", "Cpm"),
            tuple(rows),
            (1.7, 0.8, 0.8, 1.2, 1.2, 1.2),
        )
        said = []
        if one.own_capability is None:
            said.append(
                "The spread of measuring could not be taken out: it is not stated, or is all the "
                "spread there is."
            )
        else:
            said.append(
                "Taken out is what is new in every photograph; what all photographs share shifts "
                "the mean and not the spread."
            )
        test = one.normality
        if test is None:
            said.append("Too few parts, or too like one another, to look at normality.")
        elif test.doubtful:
            said.append(
                f"The parts are hardly from one normal distribution (Anderson–Darling, "
                f"probability {percent_text(test.probability, 1)}): read the ratios with care, "
                "and look for parts of another kind."
            )
        else:
            said.append(
                f"Nothing speaks against a normal distribution (Anderson–Darling, probability "
                f"{percent_text(test.probability)})"
                + (", though few parts could hardly tell." if len(one.parts) < FEW_POINTS else ".")
            )
        if one.risk is not None:
            r = one.risk
            said.append(
                f"A process that makes such parts has {percent_text(r.outside, 1)} outside the "
                f"tolerance. Decided so, {percent_text(r.consumers, 2)} of all parts are accepted "
                f"though outside (consumer’s risk), {percent_text(r.producers, 2)} rejected "
                f"though within (producer’s risk), and {percent_text(r.again, 1)} come back to be "
                "measured again."
            )
        yield Paragraph(tuple(map(plain, said)))

    # ---- gauge study ---------------------------------------------------------------------

    def _study(self, one: CharacteristicFindings) -> Iterator[Block]:
        yield Heading(2, f"{wording(one.name).name}: gauge study")
        if one.study is None:
            yield Paragraph((plain(one.no_study),), soft=True)
            return
        if one.improvement is not None:
            yield Bullets(tuple(map(plain, one.improvement.sentences)))
        yield self._figure(f"readings-{_key(one)}", readings_picture(one, self.lot.values))
        yield study_table(one.study, one.unit, "All photographs")
        if one.study_clean is not None:
            yield study_table(one.study_clean, one.unit, "Only photographs without a warning")
        elif any(v.warnings for v in self.lot.values):
            yield Paragraph(
                (plain("Without the photographs that carry a warning too few are left."),),
                soft=True,
            )
        if len(one.study.by_operator) > 1:
            yield operators_table(one)
        if one.budget:
            yield budget_table(one)

    def _others(self, others: Sequence[CharacteristicFindings]) -> Iterator[Block]:
        yield Heading(2, "Measured and not judged")
        rows = []
        for one in others:
            values = [p.value for p in one.parts]
            study = one.study
            rows.append(
                (
                    cell(wording(one.name).name),
                    cell(
                        f"{number_text(min(values))} to "
                        f"{number_text(max(values))}{unit_sign(one.unit)}"
                    ),
                    cell(estimate_text(study.repeatability, one.unit) if study else ""),
                    cell(
                        estimate_text(study.reproducibility, one.unit)
                        if study and study.reproducibility
                        else ""
                    ),
                )
            )
        yield Table(
            "No limit is known for these; --limits NAME LOW HIGH gives one.",
            ("Characteristic", "Parts from … to", "Repeatability", "Reproducibility"),
            tuple(rows),
            (1.3, 1.2, 1.4, 1.4),
        )

    # ---- the rest ------------------------------------------------------------------------

    def _drift(self) -> Iterator[Block]:
        occasion = self.lot.occasion
        if occasion is None:
            return
        yield Heading(2, "Cards and lens")
        rows = [
            (
                cell(f"Card {card}"),
                cell(
                    f"{math.exp(s.mean):.3f} px typical residual in {count(s.count, 'photograph')}"
                ),
                cell(f"bent or not flat in {percent_text(occasion.bent.get(card, 0.0))}"),
            )
            for card, s in occasion.residuals.items()
        ]
        rows += [
            (
                cell(visible_text(lens)),
                cell(f"focal length {s.mean:.1f} px, standard deviation {s.sd:.1f} px"),
                cell(f"k1 {occasion.k1[lens].mean:+.4f}" if lens in occasion.k1 else ""),
            )
            for lens, s in occasion.focal.items()
        ]
        if rows:
            yield Table(
                "What this lot tells of them.",
                ("Card or lens", "Found", "Remark"),
                tuple(rows),
                (1.4, 1.8, 1),
            )
        said = [f"{c.message} {c.advice}" for c in self.changes] or [
            "Nothing has changed beyond chance against earlier lots and inspections, as far as "
            "there are any."
        ]
        yield Bullets(tuple(map(plain, said)))

    def _photographs(self) -> Iterator[Block]:
        lot = self.lot
        yield Heading(2, "Photographs that were refused or carry a warning")
        yield Paragraph((plain(photographs_sentence(lot)),))
        rows = []
        for line in [*lot.refused, *lot.warned][:MOST_ROWS]:
            notes = [line.refused] if line.refused else list(line.warnings)
            rows.append(
                (
                    cell(visible_text(line.planned.file)),
                    cell("refused" if line.refused else "warned", strong=bool(line.refused)),
                    cell(" ".join(f"{n.message} {n.advice}".strip() for n in notes)),
                )
            )
        if rows:
            total = len(lot.refused) + len(lot.warned)
            cut = (
                f" The first {MOST_ROWS} of {total}; all are in lot-photos.csv."
                if total > MOST_ROWS
                else ""
            )
            yield Table(
                "A photograph with a warning counts for a part only where it has none without; "
                f"in the gauge study all count.{cut}",
                ("Photograph", "", "Why"),
                tuple(rows),
                (1.2, 0.6, 3.6),
            )

    def _how(self) -> Iterator[Block]:
        yield Heading(2, "How it is reckoned")
        yield Bullets(
            tuple(
                map(
                    plain,
                    (
                        "Charts and capability: NIST/SEMATECH e-Handbook of Statistical Methods, "
                        "6.1.6 and 6.3.2; intervals by the chi-square distribution, Bissell "
                        "(1990) and Boyles (1991); constants by integration.",
                        "Decisions and risks: JCGM 106:2012, ISO 14253-1:2017.",
                        "Gauge study: analysis of variance with random effects, intervals by "
                        "generalised pivotal quantities; the bounds of 10 and 30 % of the "
                        "tolerance and the rule for pooling are those of AIAG, “Measurement "
                        "Systems Analysis” (from memory).",
                        "A gauge study shows what varies. What is the same in all photographs, "
                        "such as the print or how a card was folded, is in the stated "
                        "uncertainty of each part and not in it.",
                    ),
                )
            )
        )

    def _figure(self, name: str, picture: Picture) -> Figures:
        key = f"{name}.svg"
        self.pictures[key] = picture
        return Figures((Figure(key, picture.width, picture.height, picture.alt, picture.caption),))


def _where(one: CharacteristicFindings, kind: Kind, at: int) -> str:
    what = "subgroup" if kind in OF_SUBGROUPS else "part"
    return f"{what} {visible_text(one.points_of(kind)[at])}"


def _risk_text(consumers: float | None, producers: float | None) -> str:
    if consumers is not None:
        return f"outside: {small_text(consumers)}"
    return "" if producers is None else f"within: {small_text(producers)}"


def _size(value: float, u: float | None, unit: str) -> str:
    if u is None:
        return f"{number_text(value)}{unit_sign(unit)}"
    return quantity_text(value, 1.96 * u, unit)


def _key(one: CharacteristicFindings) -> str:
    """A name for files: that of a table may be anything."""
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in one.name)[:40]
