"""One lot on the page: what becomes of its parts, charts, gauge study, downloads."""

from __future__ import annotations

import streamlit as st

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.course import Course, courses_of_newest
from fitcheck.lots.drift import Change, drift
from fitcheck.lots.figures import CHART_NAMES, course_title
from fitcheck.lots.gauge_study import GaugeStudy
from fitcheck.lots.history import earlier_occasions
from fitcheck.lots.lot_report import LotWishes, lot_pdf
from fitcheck.lots.part_values import PartValue
from fitcheck.lots.reopened import reopened_lot
from fitcheck.lots.report_tables import (
    estimate_text,
    interval_text,
    left_out_text,
    mean_lines,
    ratio_interval,
    study_rows,
    study_sentence,
)
from fitcheck.lots.scale import Scale, scale_of
from fitcheck.lots.tables import lot_json, parts_csv, photos_csv, photos_parquet
from fitcheck.lots.telling import Telling
from fitcheck.lots.whole import LotFindings
from fitcheck.lots.words import (
    TAKEN_CARE,
    capability_sentences,
    from_to_text,
    lot_sentence,
    photographs_sentence,
    room_sentence,
    share_text,
    signals_text,
    tolerance_text,
    truth_text,
    typical_expanded,
)
from fitcheck.lots.written import PARQUET, PARTS, PHOTOS, REPORT, RESULTS
from fitcheck.page import words
from fitcheck.page.document import inspection_of
from fitcheck.page.keeping import store
from fitcheck.page.lot_charts import control_chart, course_chart, parts_chart, readings_chart
from fitcheck.page.report_view import LANGUAGE_NAMES, report_language
from fitcheck.page.shop_view import shop_details
from fitcheck.page.units_shown import in_unit_shown, unit
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.naming import is_signed
from fitcheck.units import quantity_text
from fitcheck.wording import wording

MOST_ROWS = 100
SIGNS = {"accept": "✓", "reject": "✗", "measure again": "?"}


def lot_page(identity: str) -> None:
    """Show a lot of the store."""
    lot, changes, over_time = _opened(identity)
    st.header(f"Lot: {words.text(lot.name)}", anchor=False)
    verdicts = set(lot.verdicts().values())
    kind = "error" if "reject" in verdicts else "say" if verdicts == {"accept"} else "warning"
    words.show(
        words.box(
            kind,
            f"<strong>{words.text(lot_sentence(lot))}.</strong>",
            words.text(photographs_sentence(lot)),
        )
    )
    for note in lot.notes:
        words.show(words.box("warning", words.text(f"{note.message} {note.advice}".strip())))
    for one in lot.judged:
        _judged(lot, one)
    _not_judged(lot)
    _photographs(lot)
    _cards_and_lens(changes, over_time)
    words.show(words.box("caution", *map(words.text, TAKEN_CARE)))
    _downloads(lot, changes, over_time)


@st.cache_data(max_entries=4, show_spinner="Reading the lot …")
def _opened(identity: str) -> tuple[LotFindings, tuple[Change, ...], tuple[Course, ...]]:
    lot = reopened_lot(store(), identity)
    if lot.occasion is None or lot.trial:
        return lot, (), ()
    earlier = earlier_occasions(store(), inspection_of, lot.name, lot.date)
    occasions = [*earlier, lot.occasion]
    return lot, drift(occasions), courses_of_newest(occasions)


def _scale(one: CharacteristicFindings) -> Scale:
    return scale_of(one.unit, unit())


def _telling() -> Telling:
    """The page's language, with lengths in the unit that is shown."""
    return Telling("en", "in" if unit() == "in" else "mm")


def _judged(lot: LotFindings, one: CharacteristicFindings) -> None:
    scale = _scale(one)
    st.subheader(wording(one.name).name, anchor=False)
    words.show_as_is(f'<p class="soft">Tolerance: {words.text(tolerance_text(one, scale))}.</p>')
    st.altair_chart(parts_chart(one, _telling()), width="stretch", theme=None)
    for warning in filter(None, (room_sentence(one), signals_text(one))):
        words.show(words.box("warning", words.text(warning)))
    if one.truth is not None:
        words.show(words.box("say", words.text(truth_text(one))))
    with st.expander("Each part in numbers"):
        words.show_as_is(_parts_table(one))
    if one.charts:
        with st.expander("Control charts", expanded=True):
            for chart in one.charts:
                words.show(f"<p><strong>{CHART_NAMES[chart.kind]}</strong></p>")
                st.altair_chart(control_chart(one, chart, _telling()), width="stretch", theme=None)
    with st.expander("Capability"):
        words.show_as_is(_capability(one))
    st.subheader("How well this measures", anchor=False)
    if one.study is None:
        words.show(f"<p>{words.text(one.no_study)}</p>")
        return
    if one.improvement is not None:
        words.show(words.listed(one.improvement.sentences))
    st.altair_chart(readings_chart(one, lot.values, _telling()), width="stretch", theme=None)
    words.show_as_is(_study_table(one.study, scale, "All photographs"))
    if one.study_clean is not None:
        words.show_as_is(
            _study_table(one.study_clean, scale, "Only photographs without a warning")
        )


def _parts_table(one: CharacteristicFindings) -> str:
    parts = one.worst_first
    rows = []
    for p in parts[:MOST_ROWS]:
        decided = one.decisions.get(p.part)
        verdict = (
            "–" if decided is None else f"{SIGNS[decided.verdict]} {decided.verdict.capitalize()}"
        )
        within = "" if decided is None else f", inside: {share_text(decided.probability_within)}"
        rows.append(
            f'<tr><th scope="row">{words.text(p.part)}</th>'
            f'<td><span class="number">{words.text(_value(p))}</span></td>'
            f"<td>{words.text(verdict)}{within}</td></tr>"
        )
    more = len(parts) - MOST_ROWS
    rest = f"<p>{more} more are in the table to download.</p>" if more > 0 else ""
    head = ("Part", "Value", "Verdict, and probability of lying inside")
    return _table(head, rows, stacked=True) + rest


def _value(p: PartValue) -> str:
    if p.standard_uncertainty is None:
        return f"{scale_of(p.unit, unit()).with_unit(p.value)} (uncertainty not stated)"
    return in_unit_shown(
        quantity_text(
            p.value, 1.96 * p.standard_uncertainty, p.unit, signed=is_signed(p.characteristic)
        )
    )


def _capability(one: CharacteristicFindings) -> str:
    c = one.capability
    if c is None:
        return "<p>Not told: one part only, or all parts alike.</p>"
    scale = _scale(one)
    rows = []
    for name, found in (("as measured", c), ("measuring taken out", one.own_capability)):
        if found is None:
            continue
        cells = "".join(
            "<td>–</td>" if r is None else f"<td>{r.value:.2f} ({ratio_interval(r)})</td>"
            for r in (found.cp, found.cpk, found.cpm)
        )
        _, spread = mean_lines(found, scale)
        rows.append(f'<tr><th scope="row">{name}</th><td>{spread}</td>{cells}</tr>')
    mean, _ = mean_lines(c, scale, is_signed(one.name))
    said = "".join(f"<p>{words.text(s)}</p>" for s in capability_sentences(one))
    caption = f"Mean {mean}; all with 95 % intervals."
    table = _table(("Spread", "Std. dev.", "Cp", "Cpk", "Cpm"), rows)
    return (
        f"<p><strong>{caption}</strong></p>"
        '<div class="fc-scroll" tabindex="0" role="region" aria-label="Capability">'
        f"{table}</div>{said}"
    )


def _study_table(study: GaugeStudy, scale: Scale, title: str) -> str:
    lines = study_rows(study, scale)
    lines += [
        (f"Repeatability of {operator}", scale.spread(e.value), interval_text(e, scale))
        for operator, e in study.by_operator.items()
        if operator
    ]
    rows = [
        f'<tr><th scope="row">{words.text(name)}</th><td>{value}</td><td>{interval}</td></tr>'
        for name, value, interval in lines
    ]
    caption = f"{title}: {words.text(study_sentence(study))}"
    left_out = left_out_text(study)
    if left_out:
        caption += f" Left out, not measured by everyone: {words.text(left_out)}."
    return _table(("Standard deviation of", "Estimate", "95 % interval"), rows, caption)


def _not_judged(lot: LotFindings) -> None:
    others = [one for one in lot.characteristics if one.tolerance is None]
    if not others:
        return
    with st.expander(f"Measured and not judged: {len(others)}"):
        rows = []
        for one in others:
            scale, typical = _scale(one), typical_expanded(one)
            spread = f", each ± {scale.spread(typical)}" if typical else ""
            repeats = estimate_text(one.study.repeatability, scale) if one.study else "–"
            rows.append(
                f'<tr><th scope="row">{words.text(wording(one.name).name)}</th>'
                f"<td>{from_to_text(one, scale)}{spread}"
                f"</td><td>{repeats}</td></tr>"
            )
        words.show_as_is(_table(("Characteristic", "Parts from … to", "Repeatability"), rows))
        words.show(
            '<p class="soft">No limit is known for these. Give one of your own where the lot is '
            "measured.</p>"
        )


def _table(
    head: tuple[str, ...], rows: list[str], caption: str = "", stacked: bool = False
) -> str:
    """A table; a stacked one has its cells under one another where the screen is narrow."""
    columns = "".join(f'<th scope="col">{name}</th>' for name in head)
    said = f"<p><strong>{caption}</strong></p>" if caption else ""
    more = " fc-stack" if stacked else ""
    return (
        f'{said}<table class="fc-table{more}"><thead><tr>{columns}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _photographs(lot: LotFindings) -> None:
    troubled = [*lot.refused, *lot.warned]
    if not troubled:
        return
    with st.expander(f"Photographs that were refused or carry a warning: {len(troubled)}"):
        said = ""
        for line in troubled[:MOST_ROWS]:
            notes = [line.refused] if line.refused else list(line.warnings)
            why = " ".join(f"{n.message} {n.advice}".strip() for n in notes)
            state = "refused" if line.refused else "warned"
            said += (
                f"<li><strong>{words.text(line.planned.file)}</strong>, {state}: "
                f"{words.text(why)}</li>"
            )
        words.show(f"<ul>{said}</ul>")
        words.show(
            '<p class="soft">A photograph with a warning counts for a part only where it has none '
            "without; in the gauge study all count.</p>"
        )


def _cards_and_lens(changes: tuple[Change, ...], over_time: tuple[Course, ...]) -> None:
    if changes:
        words.show(
            words.box(
                "warning",
                "<strong>Cards and lens have changed.</strong>",
                *(words.text(f"{c.message} {c.advice}") for c in changes),
            )
        )
    if not over_time:
        return
    with st.expander("Cards and lens over time", expanded=bool(changes)):
        words.show(
            "<p>Dashed: the limits past which a change would be told, from all before. Ringed: "
            "told.</p>"
        )
        for course in over_time:
            words.show(f"<p><strong>{words.text(course_title(course))}</strong></p>")
            st.altair_chart(course_chart(course), width="stretch", theme=None)


def _downloads(
    lot: LotFindings, changes: tuple[Change, ...], over_time: tuple[Course, ...]
) -> None:
    shop = shop_details()
    language = report_language(shop)
    units: Units = "in" if unit() == "in" else "mm"
    wishes = LotWishes(language, units, shop=shop)

    def report() -> bytes:
        return lot_pdf(lot, changes, over_time, wishes)

    with st.container(horizontal=True):
        for label, name, kind, make in (
            (f"Report (PDF, {LANGUAGE_NAMES[language]})", REPORT, "application/pdf", report),
            ("Parts (CSV)", PARTS, "text/csv", lambda: parts_csv(lot)),
            ("Values (CSV)", PHOTOS, "text/csv", lambda: photos_csv(lot)),
            ("Values (Parquet)", PARQUET, "application/octet-stream", lambda: photos_parquet(lot)),
            ("All (JSON)", RESULTS, "application/json", lambda: lot_json(lot, changes)),
        ):
            st.download_button(label, make, name, kind, key=f"download-{name}", on_click="ignore")
