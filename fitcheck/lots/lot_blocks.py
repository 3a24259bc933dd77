"""What a lot's report says, block by block: what becomes of the parts, then how that was found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from fitcheck.lots.analysis import FEW_POINTS, CharacteristicFindings
from fitcheck.lots.control_charts import OF_SUBGROUPS, Kind
from fitcheck.lots.course import Course
from fitcheck.lots.drift import Change, Occasion
from fitcheck.lots.figures import (
    CHART_NAMES,
    Picture,
    chart_picture,
    course_picture,
    parts_picture,
    readings_picture,
)
from fitcheck.lots.part_values import PartValue
from fitcheck.lots.plan import count
from fitcheck.lots.report_tables import (
    budget_table,
    capability_row,
    estimate_text,
    mean_lines,
    operators_table,
    study_table,
)
from fitcheck.lots.run_rules import RULE_WORDS
from fitcheck.lots.scale import signed, significant
from fitcheck.lots.telling import Telling
from fitcheck.lots.whole import LotFindings
from fitcheck.lots.words import (
    SIGNALS,
    TAKEN_CARE,
    TO_BE_NAMED,
    capability_sentences,
    from_to_text,
    lot_sentence,
    percent_text,
    photographs_sentence,
    room_sentence,
    share_text,
    signalled,
    small_text,
    tolerance_range,
    truth_sentence,
    typical_expanded,
    verdict_words,
    wrongly_decided,
)
from fitcheck.measurement import Note
from fitcheck.plain_text import visible_text
from fitcheck.reporting.blocks import (
    Block,
    Box,
    Bullets,
    Cell,
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
from fitcheck.reporting.naming import is_signed

MOST_ROWS = 200  # of a table; the rest is in the CSV
MOST_PARTS_FIRST = 24  # on the first page
MOST_SIGNALS = 12
# What it is, the sources as they are called everywhere, and what is to be said of it.
HOW = (
    (
        "Charts and capability",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6, 6.3.2; Bissell (1990); Boyles "
        "(1991)",
        "Intervals by the chi-square distribution, constants by integration.",
    ),
    ("Decisions and risks", "JCGM 106:2012, ISO 14253-1:2017", ""),
    (
        "Gauge study",
        "AIAG, “Measurement Systems Analysis”; Hamada and Weerahandi (2000)",
        "Analysis of variance with random effects, intervals by generalised pivotal quantities; "
        "the bounds of 10 and 30 % of the tolerance and the rule for pooling are from memory. A "
        "gauge study shows what varies. What is the same in all photographs, such as the print or "
        "how a card was folded, is in the stated uncertainty of each part and not in it.",
    ),
)


class LotWriter:
    """Writes the blocks of a lot's report and gathers their pictures.

    Parameters
    ----------
    lot
        What was found.
    changes, over_time
        As for :func:`fitcheck.lots.lot_report.lot_pdf`.
    tell
        How it is told.
    """

    def __init__(
        self,
        lot: LotFindings,
        changes: Sequence[Change],
        over_time: Sequence[Course],
        tell: Telling,
    ) -> None:
        self.lot = lot
        self.changes = changes
        self.over_time = over_time
        self.tell = tell
        self.pictures: dict[str, Picture] = {}

    def blocks(self) -> Iterator[Block]:
        """Return all blocks in reading order."""
        yield from self._first_page()
        yield Heading(1, self.tell.text("In full"), part=True)
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

    def _all(self, sentences: Iterable[str]) -> tuple[Said, ...]:
        return tuple(self.tell.say(one) for one in sentences)

    def _title(self, one: CharacteristicFindings, english: str) -> Heading:
        return Heading(2, f"{self.tell.measure(one.name)}: {self.tell.text(english)}")

    def _head(self, *english: str) -> tuple[str, ...]:
        return tuple(self.tell.text(one) if one else "" for one in english)

    def _note(self, note: Note | Change) -> Said:
        """Message and advice, each for itself: a name in the one must not hide the other."""
        both = [self.tell.say(one) for one in (note.message, note.advice) if one]
        return Said(" ".join(one.text for one in both), all(one.translated for one in both))

    # ---- first page ----------------------------------------------------------------------

    def _first_page(self) -> Iterator[Block]:
        lot, tell = self.lot, self.tell
        yield Heading(1, f"{tell.text('Lot of parts')}: {visible_text(lot.name)}")
        verdicts = lot.verdicts()
        level: Level = "good"
        sign = "✓"
        if "reject" in verdicts.values():
            level, sign = "rework", "✗"
        elif not lot.judged or set(verdicts.values()) - {"accept"}:
            level, sign = "undecided", "?"
        title = tell.text(lot_sentence(lot))
        yield Box(level, sign, title, tuple(map(plain, self._named(verdicts))))
        yield Facts(tuple(self._facts()))
        for one in lot.judged[:1]:
            yield self._figure(f"parts-{_key(one)}", parts_picture(one, tell))
        said = [
            s
            for one in lot.judged
            for s in (one.improvement.sentences if one.improvement else ())[:2]
        ]
        if said:
            yield Heading(2, tell.text("Does the method suit the tolerance?"))
            yield Bullets(self._all(said))
        for one in lot.judged:
            if one.truth is not None:
                label = f"{tell.text('Against known truth')}: {tell.measure(one.name)}."
                said_of = [tell.say(truth_sentence(one))]
                names = wrongly_decided(one)
                if names:
                    said_of.append(plain(f"{tell.text('Decided wrongly')}: {names}."))
                yield Paragraph(tuple(said_of), label=label)
        notes: list[Note | Change] = [*lot.notes, *self.changes]
        told = [tell.say(room) for room in map(room_sentence, lot.judged) if room]
        for one in lot.judged:
            names = signalled(one)
            if names:
                told.append(plain(f"{tell.measure(one.name)}: {tell.text(SIGNALS)} {names}."))
        told += map(self._note, notes)
        if told:
            yield Heading(2, tell.text("To be looked at"))
            yield Bullets(tuple(told))
        yield Box("caution", "⚠", tell.text("Take care"), self._all(TAKEN_CARE))

    def _named(self, verdicts: Mapping[str, str]) -> Iterator[str]:
        for verdict in TO_BE_NAMED:
            names = [part for part, v in verdicts.items() if v == verdict]
            if names and self.lot.judged:
                shown = ", ".join(visible_text(n) for n in names[:MOST_PARTS_FIRST])
                left = len(names) - MOST_PARTS_FIRST
                more = f" {self.tell.text(f'and {left} more')}" if left > 0 else ""
                yield f"{self.tell.text(verdict_words(verdict))}: {shown}{more}."

    def _facts(self) -> Iterator[tuple[str, tuple[Said, ...]]]:
        lot, tell = self.lot, self.tell
        yield tell.text("Date"), (plain(lot.date),)
        if lot.photos:
            yield tell.text("Photographs"), (tell.say(photographs_sentence(lot)),)
            yield tell.text("View"), (plain(tell.own(f"view_{lot.view}")),)
            yield tell.text("Cards"), (plain(", ".join(self._cards())),)
        else:
            said = f"{count(len(lot.values), 'value')} from a table"
            yield tell.text("Numbers"), (tell.say(said),)
        for one in lot.judged:
            said = f"{tell.measure(one.name)}: {self._tolerance(one)}"
            yield tell.text("Tolerance"), (plain(said),)

    def _tolerance(self, one: CharacteristicFindings) -> str:
        tell = self.tell
        said = tell.number(tolerance_range(one, tell.scale(one.unit)))
        source = "" if one.tolerance is None else one.tolerance.source
        return f"{said} ({tell.text(source)})" if source else said

    def _cards(self) -> Iterator[str]:
        """Thickness and print as they were given, or that they are assumed."""
        inputs, tell = self.lot.inputs, self.tell
        assumed = f" ({tell.text('assumed')})"
        yield tell.text(f"thickness {inputs.get('card_thickness_mm'):g} mm") + (
            "" if inputs.get("card_thickness_measured") else assumed
        )
        along, across = (percent_text(s, 2) for s in inputs.get("print_scale", [1, 1]))
        yield tell.text(f"print {along} along and {across} across") + (
            "" if inputs.get("print_scale_measured") else assumed
        )

    # ---- one characteristic --------------------------------------------------------------

    def _judged(self, one: CharacteristicFindings) -> Iterator[Block]:
        yield self._title(one, "parts")
        yield Paragraph(
            self._all(
                (
                    "A part is accepted where it lies within the tolerance with at least 95 %, "
                    "rejected where it lies outside with at least 95 %, and measured again in "
                    "between: guard bands of 1.65 standard uncertainties (ISO 14253-1, JCGM 106).",
                )
            ),
            soft=True,
        )
        yield self._parts_table(one)
        yield from self._charts(one)
        yield from self._capability(one)
        yield from self._study(one)

    def _parts_table(self, one: CharacteristicFindings) -> Table:
        parts, tell = one.worst_first, self.tell
        rows = []
        for p in parts[:MOST_ROWS]:
            decided = one.decisions.get(p.part)
            remarks = []
            if p.warned:
                remarks.append("only photographs with a warning")
            if p.disagree:
                remarks.append("its photographs disagree")
            risk = (
                ""
                if decided is None
                else _risk_text(decided.consumers_risk, decided.producers_risk)
            )
            verdict = tell.text(decided.verdict.capitalize()) if decided else ""
            within = share_text(decided.probability_within) if decided else ""
            rows.append(
                (
                    cell(visible_text(p.part)),
                    self._value(p),
                    cell(f"{p.count}"),
                    cell(verdict, strong=True),
                    cell(tell.number(within)),
                    cell(tell.text(risk), *self._all(remarks)),
                )
            )
        cut = (
            f" {tell.text(f'The first {MOST_ROWS} of {len(parts)}; all are in lot-parts.csv.')}"
            if len(parts) > MOST_ROWS
            else ""
        )
        against = f"{tell.text('Tolerance')}: {self._tolerance(one)}."
        return Table(
            f"{against} {tell.text('Parts that are not accepted first.')}{cut}",
            self._head(
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

    def _value(self, p: PartValue) -> Cell:
        """A value with its expanded uncertainty in both units; alone where nobody states one."""
        if p.standard_uncertainty is None:
            return cell(self.tell.number(self.tell.scale(p.unit).with_unit(p.value)))
        return cell(*self.tell.pair(p))

    def _charts(self, one: CharacteristicFindings) -> Iterator[Block]:
        if not one.charts:
            return
        tell = self.tell
        yield self._title(one, "control charts")
        by_kind = {chart.kind: chart for chart in one.charts}
        pairs: tuple[tuple[Kind, ...], ...] = (
            ("individuals", "moving range"),
            ("ewma",),
            ("means", "ranges"),
            ("means", "deviations"),
        )
        for kinds in pairs:
            charts = [by_kind[k] for k in kinds if k in by_kind]
            if len(charts) == len(kinds):
                key = f"{kinds[-1].replace(' ', '-')}-{_key(one)}"
                yield self._figure(key, chart_picture(one, charts, tell))
        signals = [
            plain(
                f"{tell.text(CHART_NAMES[chart.kind])}, {self._where(one, chart.kind, at)}: "
                f"{'; '.join(tell.text(RULE_WORDS[s.rule]) for s in chart.signals if s.at == at)}."
            )
            for chart in one.charts
            for at in chart.out
        ]
        if signals:
            left = len(signals) - MOST_SIGNALS
            more = [tell.say(f"… and {left} more.")] if left > 0 else []
            yield Bullets((*signals[:MOST_SIGNALS], *more))
        rules = "; ".join(tell.text(words) for words in RULE_WORDS.values())
        said = [
            plain(f"{tell.text('Rules')}: {rules}."),
            tell.say(
                "Ranges, deviations and weighted averages are held against their limits only."
            ),
        ]
        if len(one.parts) < FEW_POINTS:
            said.append(
                tell.say(
                    f"Limits from {count(len(one.parts), 'part')} are provisional: from "
                    f"{FEW_POINTS} on they stand still."
                )
            )
        yield Paragraph(tuple(said), soft=True)

    def _where(self, one: CharacteristicFindings, kind: Kind, at: int) -> str:
        what = "subgroup" if kind in OF_SUBGROUPS else "part"
        return f"{self.tell.text(what)} {visible_text(one.points_of(kind)[at])}"

    def _capability(self, one: CharacteristicFindings) -> Iterator[Block]:
        yield self._title(one, "capability")
        c, tell = one.capability, self.tell
        if c is None:
            said = "Not told: one part only, or all parts alike."
            yield Paragraph((tell.say(said),), soft=True)
            return
        rows = [capability_row("as measured, the spread of measuring is in", c, tell, one.unit)]
        if one.own_capability is not None:
            taken_out = "spread of measuring taken out"
            rows.append(capability_row(taken_out, one.own_capability, tell, one.unit))
        mean, _ = mean_lines(c, tell.scale(one.unit), is_signed(one.name))
        caption = f"Capability of {count(c.count, 'part')}, with 95 % intervals."
        yield Table(
            f"{tell.text(caption)} {tell.text('Mean')}: {tell.number(mean)}.",
            self._head("Spread", "Std. dev.", "Cp", "Cpk", "Cpm"),
            tuple(rows),
            (1.7, 1.2, 1.2, 1.2, 1.2),
        )
        yield Paragraph(self._all(capability_sentences(one)))

    # ---- gauge study ---------------------------------------------------------------------

    def _study(self, one: CharacteristicFindings) -> Iterator[Block]:
        tell = self.tell
        yield self._title(one, "gauge study")
        if one.study is None:
            yield Paragraph((tell.say(one.no_study),), soft=True)
            return
        if one.improvement is not None:
            yield Bullets(self._all(one.improvement.sentences))
        yield self._figure(f"readings-{_key(one)}", readings_picture(one, self.lot.values, tell))
        yield study_table(one.study, one.unit, "All photographs", tell)
        if one.study_clean is not None:
            title = "Only photographs without a warning"
            yield study_table(one.study_clean, one.unit, title, tell)
        elif any(v.warnings for v in self.lot.values):
            said = "Without the photographs that carry a warning too few are left."
            yield Paragraph((tell.say(said),), soft=True)
        if len(one.study.by_operator) > 1:
            yield operators_table(one, tell)
        if one.budget:
            yield budget_table(one, tell)

    def _others(self, others: Sequence[CharacteristicFindings]) -> Iterator[Block]:
        tell = self.tell
        yield Heading(2, tell.text("Measured and not judged"))
        rows = []
        for one in others:
            scale = tell.scale(one.unit)
            study = one.study
            typical = typical_expanded(one)
            rows.append(
                (
                    cell(tell.measure(one.name)),
                    cell(
                        tell.number(from_to_text(one, scale)),
                        tell.number(f"± {scale.spread(typical)}") if typical else "",
                    ),
                    cell(tell.number(estimate_text(study.repeatability, scale)) if study else ""),
                    cell(
                        tell.number(estimate_text(study.reproducibility, scale))
                        if study and study.reproducibility
                        else ""
                    ),
                )
            )
        yield Table(
            tell.text("No limit is known for these; --limits NAME LOW HIGH gives one."),
            self._head(
                "Characteristic",
                "Parts from … to, ± typical U",
                "Repeatability",
                "Reproducibility",
            ),
            tuple(rows),
            (1.3, 1.2, 1.4, 1.4),
        )

    # ---- the rest ------------------------------------------------------------------------

    def _drift(self) -> Iterator[Block]:
        occasion, tell = self.lot.occasion, self.tell
        if occasion is None:
            return
        yield Heading(2, tell.text("Cards and lens"))
        rows = tuple(self._occasion(occasion))
        if rows:
            yield Table(
                tell.text("What this lot tells of them."),
                self._head("Card or lens", "Found", "Remark"),
                rows,
                (1.3, 1.6, 1.3),
            )
        nothing = (
            "Nothing has changed beyond chance against earlier lots and inspections, as far as "
            "there are any."
        )
        yield Bullets(tuple(map(self._note, self.changes)) or (tell.say(nothing),))
        for number, course in enumerate(self.over_time):
            yield self._figure(f"course-{number}", course_picture(course, tell))

    def _occasion(self, occasion: Occasion) -> Iterator[tuple[Cell, ...]]:
        tell = self.tell
        for card, s in occasion.residuals.items():
            typical = significant(math.exp(s.mean), 2)
            found = f"{typical} px typical residual in {count(s.count, 'photograph')}"
            bent = f"bent or not flat in {percent_text(occasion.bent.get(card, 0.0))}"
            yield cell(tell.text(f"Card {card}")), cell(tell.say(found)), cell(tell.say(bent))
        for lens, s in occasion.focal.items():
            found = f"focal length {s.mean:.1f} px, standard deviation {s.sd:.1f} px"
            k1 = occasion.k1.get(lens)
            bend = (
                ""
                if k1 is None
                else f"k1 {signed(k1.mean, '.4f')}, standard deviation {k1.sd:.4f}"
            )
            yield cell(visible_text(lens)), cell(tell.say(found)), cell(tell.say(bend))

    def _photographs(self) -> Iterator[Block]:
        lot, tell = self.lot, self.tell
        yield Heading(2, tell.text("Photographs that were refused or carry a warning"))
        yield Paragraph((tell.say(photographs_sentence(lot)),))
        rows = []
        for line in [*lot.refused, *lot.warned][:MOST_ROWS]:
            notes = [line.refused] if line.refused else list(line.warnings)
            state = "refused" if line.refused else "warned"
            rows.append(
                (
                    cell(visible_text(line.planned.file)),
                    cell(tell.text(state), strong=bool(line.refused)),
                    Cell(tuple(map(self._note, notes))),
                )
            )
        if rows:
            total = len(lot.refused) + len(lot.warned)
            cut = (
                f" {tell.text(f'The first {MOST_ROWS} of {total}; all are in lot-photos.csv.')}"
                if total > MOST_ROWS
                else ""
            )
            counted = (
                "A photograph with a warning counts for a part only where it has none without; "
                "in the gauge study all count."
            )
            yield Table(
                f"{tell.text(counted)}{cut}",
                self._head("Photograph", "", "Why"),
                tuple(rows),
                (1.2, 0.6, 3.6),
            )

    def _how(self) -> Iterator[Block]:
        yield Heading(2, self.tell.text("How it is reckoned"))
        tell = self.tell
        lines = []
        for what, sources, words in HOW:
            said = tell.say(words)
            text = f"{tell.text(what)}: {sources}. {said.text}".strip()
            lines.append(Said(text, said.translated))
        yield Bullets(tuple(lines))

    def _figure(self, name: str, picture: Picture) -> Figures:
        key = f"{name}.svg"
        self.pictures[key] = picture
        return Figures((Figure(key, picture.width, picture.height, picture.alt, picture.caption),))


def _risk_text(consumers: float | None, producers: float | None) -> str:
    if consumers is not None:
        return f"outside: {small_text(consumers)}"
    return "" if producers is None else f"within: {small_text(producers)}"


def _key(one: CharacteristicFindings) -> str:
    """A name for files: that of a table may be anything."""
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in one.name)[:40]
