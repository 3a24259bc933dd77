"""Pieces of the page as HTML. All text from outside passes :func:`text` on its way in."""

from __future__ import annotations

import base64
import datetime
import html
from collections.abc import Iterable, Mapping, Sequence

import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.judgement import Decision, Verdict
from fitcheck.measurement import Characteristic, Edge, Measurement, Note
from fitcheck.page.units_shown import in_unit_shown, unit
from fitcheck.plain_text import visible_text
from fitcheck.store.changes import Clash
from fitcheck.store.fields import ABSENT
from fitcheck.units import MM_PER_INCH, limit_inch_text, limit_text, uncertainty_text, value_text
from fitcheck.wording import (
    EDGE_NAMES,
    LEVELS,
    SOURCES,
    inches,
    says,
    wording,
)

# Who found an edge.
ORIGINS = {
    "search": "found by the program",
    "hint": "measured from your line",
    "given": "your line as it lies, not measured",
}


def text(words: object) -> str:
    """Any text, made safe to stand in HTML."""
    return html.escape(visible_text(str(words)))


def show(*pieces: str) -> None:
    """Put pieces of HTML on the page, under one another; lengths in the unit that is shown."""
    show_as_is(*map(in_unit_shown, pieces))


def show_as_is(*pieces: str) -> None:
    """Put pieces of HTML on the page that give lengths in both units, or as they were typed."""
    st.html(f'<div class="fc">{"".join(pieces)}</div>')


def box(kind: str, *paragraphs: str, role: str = "note") -> str:
    """A coloured box of HTML paragraphs; ``kind`` is error, warning, caution or say."""
    inside = "".join(f"<p>{p}</p>" for p in paragraphs if p)
    return f'<div class="fc-box fc-{kind}" role="{role}">{inside}</div>'


def refusal(note: Note | FitcheckError) -> str:
    """What is wrong and what to do about it."""
    return box(
        "error",
        f'<strong><span aria-hidden="true">✗</span> {text(note.message)}</strong>',
        text(note.advice),
        role="alert",
    )


def warnings(notes: Sequence[Note]) -> str:
    """All warnings of a photograph, to stand right above its numbers; empty without any."""
    if not notes:
        return ""
    head = "A warning belongs" if len(notes) == 1 else "Warnings belong"
    said = "".join(
        f"<li>{text(note.message)} <strong>{text(note.advice)}</strong></li>" for note in notes
    )
    return (
        '<div class="fc-box fc-warning" role="note"><p><strong><span aria-hidden="true">⚠</span> '
        f"{head} to these numbers. They may be further off than their ± says.</strong></p>"
        f"<ul>{said}</ul></div>"
    )


def badge(verdict: Verdict) -> str:
    """The verdict's level as sign, words and colour."""
    sign, words = LEVELS[verdict.level]
    kind = verdict.level.replace(" ", "-")
    return (
        f'<strong class="fc-badge fc-{kind}"><span aria-hidden="true">{sign}</span> '
        f"{text(words)}</strong>"
    )


def steps(lines: Iterable[str]) -> str:
    """A numbered list."""
    return "<ol>" + "".join(f"<li>{line}</li>" for line in lines) + "</ol>"


FIELDS = {
    "/cards/thickness": "The card’s thickness",
    "/cards/check_bars": "The check bars",
    "/bow/name": "The bow",
    "/customer": "The customer",
    "/shop": "The shop",
    "/reference": "The order or job number",
    "/note": "The note",
    "/complaint": "The complaint",
    "/purpose": "The purpose",
    "/stage": "Before or after the work",
    "/date": "The date",
}
# Of longer paths, by how they begin.
PARTS = {
    "/photos": "A photograph",
    "/limbs": "A limb",
    "/as_received": "Which limb sat where",
    "/readings": "A bench reading",
    "/condition": "The condition",
    "/bow": "The bow",
    "/done": "The rework list",
}


def clash(met: Clash) -> str:
    """Say that a change was not taken, what stands there, and what to do."""
    named = FIELDS.get(met.path) or PARTS.get("/" + met.path.split("/")[1], "A field")
    if "/hints" in met.path:
        named = "An edge set by hand"
    return box(
        "warning",
        f"<strong>{named} was changed meanwhile ({text(met.who)}).</strong> "
        f"It stands as {_clash_value(met.stands)}; {_clash_value(met.wanted)} was not taken.",
        "Make your change once more if it is the right one.",
        role="alert",
    )


def _clash_value(value: object) -> str:
    if value is ABSENT or value == "":
        return "empty"
    values = value if isinstance(value, list) else [value]
    if not all(isinstance(one, str) for one in values):
        return "it was marked there"
    return f"“{text(' and '.join(map(str, values)))}”"


def when(at: str) -> str:
    """A time of the store as the clock of this program's machine shows it; ISO 8601 in."""
    try:
        return datetime.datetime.fromisoformat(at).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return at


def markdown(words: object) -> str:
    """Any text, made safe to stand in Markdown."""
    shown = visible_text(str(words))
    return "".join(f"\\{c}" if c in r"\`*_{}[]()#+-.!|<>$:~^" else c for c in shown)


def listed(lines: Iterable[str]) -> str:
    """Sentences as a list; empty without any."""
    items = "".join(f"<li>{text(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


def meanings(of: Mapping[str, str]) -> str:
    """What words mean, as a list."""
    items = "".join(f"<li><strong>{text(w)}</strong>: {text(m)}</li>" for w, m in of.items())
    return f'<p><strong>What the words mean</strong></p><ul class="soft">{items}</ul>'


def drawing(svg: str, alt: str) -> None:
    """Put a drawing on the page, as wide as its place up to its own size."""
    said = svg.partition("<title>")[2].partition("</title>")[0]
    show_as_is(picture(svg.encode("utf-8"), "svg+xml", f"{alt}. {html.unescape(said)}"))


def picture(data: bytes, kind: str, alt: str) -> str:
    """A picture that is part of the page's text; ``kind`` is jpeg or svg+xml."""
    encoded = base64.b64encode(data).decode("ascii")
    return f'<img src="data:image/{kind};base64,{encoded}" alt="{text(in_unit_shown(alt))}">'


def figure(jpeg: bytes, alt: str, caption: str) -> str:
    """A large picture with words below it."""
    return (
        f'<figure>{picture(jpeg, "jpeg", alt)}<figcaption class="soft">{text(caption)}'
        "</figcaption></figure>"
    )


def photo_row(name: str, source: str, body: str) -> str:
    """A photograph in the list: its small picture, its name, and HTML about it."""
    small = f'<img src="{source}" alt="" loading="lazy">' if source else ""
    return f'<div class="fc-photo">{small}<div><p class="name">{text(name)}</p>{body}</div></div>'


def numbers_table(characteristics: Sequence[Characteristic]) -> str:
    """The characteristics of a photograph, in the unit that is shown."""
    rows = "".join(
        f'<tr><th scope="row">{text(wording(c.name).name)}'
        f'<span class="meaning">{text(wording(c.name).meaning)}</span></th>'
        f'<td><span class="number">{text(" ".join(_value(c)))}</span>'
        f'<span class="plain">{text(says(c))}</span>'
        + "".join(f'<span class="meaning">{text(t)}</span>' for t in _fraction(c))
        + "</td></tr>"
        for c in characteristics
    )
    return (
        '<table class="fc-table fc-stack"><thead><tr><th scope="col">Measure</th>'
        '<th scope="col">Value</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _fraction(found: Characteristic) -> tuple[str, ...]:
    """The nearest fraction of an inch, for those who see inches."""
    return inches(found)[:-1] if unit() == "in" else ()


def budget_table(characteristics: Sequence[Characteristic]) -> str:
    """Standard uncertainty of each number by source, the largest one marked."""
    sources = list(dict.fromkeys(source for c in characteristics for source in c.budget))
    head = "".join(f'<th scope="col">{text(_budget_name(c))}</th>' for c in characteristics)
    rows = "".join(
        _budget_row(
            _source_name(s), [_budget_share(c, s) for c in characteristics], characteristics
        )
        for s in sources
    )
    rows += _budget_row(
        "all together",
        [_standard(c.standard_uncertainty, c.unit) for c in characteristics],
        characteristics,
    )
    rows += _budget_row(
        "expanded, 95 %",
        [uncertainty_text(c.expanded_uncertainty, c.unit) for c in characteristics],
        characteristics,
    )
    return (
        '<p class="soft">By how much each source alone would move the number, typically (its '
        "standard uncertainty), and all of them together. ▲ marks the largest. They combine as "
        "squares do, so they do not add up. The last is the ± of the number: about twice that, "
        "and right in 95 of 100 cases.</p>"
        '<div class="fc-scroll" tabindex="0" role="region" aria-label="Sources of uncertainty">'
        '<table class="fc-table fc-stack fc-labelled fc-budget"><thead><tr>'
        f'<th scope="col">Source</th>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
    )


def _source_name(source: str) -> str:
    return SOURCES.get(source, source.replace("_", " "))


def _budget_name(found: Characteristic) -> str:
    return f"{wording(found.name).name} ({'°' if found.unit == 'deg' else unit()})"


def _budget_row(name: str, cells: Sequence[str], characteristics: Sequence[Characteristic]) -> str:
    """One source's share of every number; an empty cell where it has none."""
    shares = "".join(
        f'<td data-label="{text(_budget_name(c))}"'
        + (f">{text(x)}" if x else ' class="none">–')
        + "</td>"
        for c, x in zip(characteristics, cells, strict=True)
    )
    return f'<tr><th scope="row">{text(name)}</th>{shares}</tr>'


def _budget_share(found: Characteristic, source: str) -> str:
    """What a source alone does to a number; empty if it has no part in it."""
    if source not in found.budget:
        return ""
    share = found.budget[source]
    mark = " ▲" if share == max(found.budget.values()) > 0 else ""
    return f"{_standard(share, found.unit)}{mark}"


def _standard(value: float, of_unit: str) -> str:
    if of_unit == "mm" and unit() == "in":
        return f"{value / MM_PER_INCH:.4f}"
    return f"{value:.3f}"


def cards_found(measurement: Measurement) -> str:
    """Cards in the photograph and how well their corners fit."""
    if not measurement.cards:
        return "<p>No card was found.</p>"
    said = "".join(
        f"<li><strong>Card {text(c.card)}</strong>: {c.corners} corners, "
        f"which lie {c.residual_px:.2f} pixels off a true card on average.</li>"
        for c in measurement.cards
    )
    return f"<ul>{said}</ul>"


def edges_found(edges: Sequence[Edge], colours: dict[str, str]) -> str:
    """Edges, where each came from, and how straight it is."""
    rows = "".join(
        '<tr><th scope="row"><span class="fc-swatch" style="background:'
        f'{colours.get(e.edge, "#fff")}"></span>{text(edge_name(e.edge))}</th>'
        f"<td>{origin(e)}</td><td>{_scatter(e)}</td></tr>"
        for e in edges
    )
    return f'<table class="fc-table fc-stack"><tbody>{rows}</tbody></table>' if rows else ""


def edge_name(edge: str) -> str:
    """Name of an edge for people."""
    return EDGE_NAMES.get(edge, edge.replace("_", " ").capitalize())


def origin(edge: Edge) -> str:
    """Who found an edge."""
    return ORIGINS.get(edge.origin, ORIGINS["search"])


def _scatter(edge: Edge) -> str:
    if edge.origin == "given":
        return ""
    return f"its places lie {edge.scatter_mm:.3f} mm beside a straight line"


def _value(found: Characteristic) -> tuple[str, str]:
    spread = found.expanded_uncertainty
    signed = wording(found.name).signed
    return (
        value_text(found.value, spread, found.unit, signed=signed),
        uncertainty_text(spread, found.unit),
    )


def _limit(decision: Decision, limit: float) -> str:
    unit = decision.limit.unit
    return limit_text(limit, unit) + (f" ({limit_inch_text(limit)})" if unit == "mm" else "")
