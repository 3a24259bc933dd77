"""One lot on the page: what becomes of its parts, charts, gauge study, downloads."""

from __future__ import annotations

import streamlit as st

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.drift import Change, drift
from fitcheck.lots.figures import CHART_NAMES
from fitcheck.lots.gauge_study import GaugeStudy
from fitcheck.lots.history import occasions_in
from fitcheck.lots.lot_report import lot_pdf
from fitcheck.lots.reopened import reopened_lot
from fitcheck.lots.report_tables import (
    interval_text,
    ratio_interval,
    study_rows,
    study_sentence,
    uncertainty_or_zero,
)
from fitcheck.lots.tables import lot_json, parts_csv, photos_csv, photos_parquet
from fitcheck.lots.whole import LotFindings
from fitcheck.lots.words import (
    TAKEN_CARE,
    lot_sentence,
    percent_text,
    photographs_sentence,
    tolerance_text,
    truth_sentence,
)
from fitcheck.lots.written import PARQUET, PARTS, PHOTOS, REPORT, RESULTS
from fitcheck.page import words
from fitcheck.page.document import inspection_of
from fitcheck.page.keeping import store
from fitcheck.page.lot_charts import control_chart, parts_chart, readings_chart
from fitcheck.units import quantity_text
from fitcheck.wording import wording

MOST_ROWS = 100
SIGNS = {"accept": "✓", "reject": "✗", "measure again": "?"}


def lot_page(identity: str) -> None:
    """Show a lot of the store."""
    lot, changes = _opened(identity)
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
    for one in lot.judged:
        _judged(lot, one)
    _photographs(lot)
    _changes(changes)
    words.show(words.box("caution", *map(words.text, TAKEN_CARE)))
    _downloads(lot, changes)


@st.cache_data(max_entries=4, show_spinner="Reading the lot …")
def _opened(identity: str) -> tuple[LotFindings, tuple[Change, ...]]:
    lot = reopened_lot(store(), identity)
    earlier = [
        o
        for o in occasions_in(store(), inspection_of)
        if (o.name, o.date) != (lot.name, lot.date) and o.date <= lot.date
    ]
    told = () if lot.occasion is None or lot.trial else drift([*earlier, lot.occasion])
    return lot, told


def _judged(lot: LotFindings, one: CharacteristicFindings) -> None:
    st.subheader(wording(one.name).name, anchor=False)
    words.show(f'<p class="soft">Tolerance: {words.text(tolerance_text(one))}.</p>')
    st.altair_chart(parts_chart(one), width="stretch", theme=None)
    if one.truth is not None:
        words.show(words.box("say", words.text(truth_sentence(one))))
    with st.expander("Each part in numbers"):
        words.show_as_is(_parts_table(one))
    if one.charts:
        with st.expander("Control charts", expanded=True):
            for chart in one.charts:
                words.show(f"<p><strong>{CHART_NAMES[chart.kind]}</strong></p>")
                st.altair_chart(control_chart(one, chart), width="stretch", theme=None)
    with st.expander("Capability"):
        words.show_as_is(_capability(one))
    st.subheader("How well this measures", anchor=False)
    if one.study is None:
        words.show(f"<p>{words.text(one.no_study)}</p>")
        return
    if one.improvement is not None:
        said = "".join(f"<li>{words.text(s)}</li>" for s in one.improvement.sentences)
        words.show_as_is(f"<ul>{said}</ul>")
    st.altair_chart(readings_chart(one, lot.values), width="stretch", theme=None)
    words.show_as_is(_study_table(one.study, one.unit, "All photographs"))
    if one.study_clean is not None:
        words.show_as_is(
            _study_table(one.study_clean, one.unit, "Only photographs without a warning")
        )


def _parts_table(one: CharacteristicFindings) -> str:
    parts = one.worst_first
    rows = []
    for p in parts[:MOST_ROWS]:
        decided = one.decisions.get(p.part)
        u = p.standard_uncertainty
        size = f"{p.value:.4g}" if u is None else quantity_text(p.value, 1.96 * u, one.unit)
        verdict = (
            "–" if decided is None else f"{SIGNS[decided.verdict]} {decided.verdict.capitalize()}"
        )
        within = "–" if decided is None else percent_text(decided.probability_within, 1)
        rows.append(
            f'<tr><th scope="row">{words.text(p.part)}</th><td>{words.text(size)}</td>'
            f"<td>{words.text(verdict)}</td><td>{within}</td></tr>"
        )
    more = len(parts) - MOST_ROWS
    rest = f"<p>{more} more are in the table to download.</p>" if more > 0 else ""
    return _table(("Part", "Value", "Verdict", "Within"), rows) + rest


def _capability(one: CharacteristicFindings) -> str:
    c = one.capability
    if c is None:
        return "<p>Not told: one part only, or all parts alike.</p>"
    rows = []
    for name, found in (("as measured", c), ("measuring taken out", one.own_capability)):
        if found is None:
            continue
        cells = "".join(
            "<td>–</td>" if r is None else f"<td>{r.value:.2f} ({ratio_interval(r)})</td>"
            for r in (found.cp, found.cpk, found.cpm)
        )
        rows.append(f'<tr><th scope="row">{name}</th>{cells}</tr>')
    said = _table(("Spread", "Cp", "Cpk", "Cpm"), rows)
    if one.normality is not None:
        p = percent_text(one.normality.probability, 1)
        doubt = "hardly from one normal distribution" if one.normality.doubtful else "not unusual"
        said += f"<p>Normality (Anderson–Darling): probability {p}, {doubt}.</p>"
    if one.risk is not None:
        r = one.risk
        said += (
            f"<p>Of such a process {percent_text(r.outside, 1)} lie outside; "
            f"{percent_text(r.consumers, 2)} would be accepted wrongly, "
            f"{percent_text(r.producers, 2)} rejected wrongly.</p>"
        )
    return said


def _study_table(study: GaugeStudy, unit: str, title: str) -> str:
    lines = study_rows(study, unit)
    lines += [
        (
            f"Repeatability of {operator}",
            uncertainty_or_zero(e.value, unit),
            interval_text(e, unit),
        )
        for operator, e in study.by_operator.items()
        if operator
    ]
    rows = [
        f'<tr><th scope="row">{words.text(name)}</th><td>{value}</td><td>{interval}</td></tr>'
        for name, value, interval in lines
    ]
    caption = f"{title}: {words.text(study_sentence(study))}"
    return _table(("Standard deviation of", "Estimate", "95 % interval"), rows, caption)


def _table(head: tuple[str, ...], rows: list[str], caption: str = "") -> str:
    columns = "".join(f'<th scope="col">{name}</th>' for name in head)
    said = f"<p><strong>{caption}</strong></p>" if caption else ""
    return (
        f'{said}<table class="fc-table"><thead><tr>{columns}</tr></thead>'
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


def _changes(changes: tuple[Change, ...]) -> None:
    if changes:
        words.show(
            words.box(
                "warning",
                "<strong>Cards and lens have changed.</strong>",
                *(words.text(f"{c.message} {c.advice}") for c in changes),
            )
        )


def _downloads(lot: LotFindings, changes: tuple[Change, ...]) -> None:
    with st.container(horizontal=True):
        for label, name, kind, make in (
            ("Report (PDF)", REPORT, "application/pdf", lambda: lot_pdf(lot, changes)),
            ("Parts (CSV)", PARTS, "text/csv", lambda: parts_csv(lot)),
            ("Values (CSV)", PHOTOS, "text/csv", lambda: photos_csv(lot)),
            ("Values (Parquet)", PARQUET, "application/octet-stream", lambda: photos_parquet(lot)),
            ("All (JSON)", RESULTS, "application/json", lambda: lot_json(lot, changes)),
        ):
            st.download_button(label, make, name, kind, key=f"download-{name}", on_click="ignore")
