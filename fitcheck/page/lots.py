"""Lots on the page: start one, see how far it is, look at earlier ones; the two-minute study."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any

import streamlit as st

from fitcheck.access.photograph_routes import THIS_COMPUTER
from fitcheck.errors import BadInput, FitcheckError
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.plan import PICTURES, LotPlan
from fitcheck.lots.plan_file import LOT_FILE, read_plan
from fitcheck.lots.repeated import repeated_text, study_repeats
from fitcheck.lots.tolerances import own_tolerance
from fitcheck.measurement import Measurement, Note
from fitcheck.page import words
from fitcheck.page.background import MEASUREMENTS, Progress
from fitcheck.page.document import with_unit
from fitcheck.page.keeping import store
from fitcheck.page.lot_runs import (
    LOTS_FOLDER,
    LotRun,
    folder_for,
    present_run,
    start_run,
)
from fitcheck.page.lot_view import lot_page
from fitcheck.page.units_shown import unit
from fitcheck.quantities import quantity
from fitcheck.setup import Setup, setup_from
from fitcheck.views import VIEWS
from fitcheck.wording import wording

PLAN_ENDINGS = (".csv", ".json")
MOST_REPEATS = 20
UNIT_NAMES = {"mm": "mm", "in": "inch", "deg": "degrees"}
CARD_FIELDS = {
    "thickness": "Card’s thickness",
    "along": "Check bar along",
    "across": "Check bar across",
}
FAILED = "failed"  # shown by the page at the end of the run


def lots(asked: str, who: str) -> None:
    """Show the list of lots, or the one that the page's address asks for."""
    if asked != "all":
        lot_page(asked)
        st.button("To the lots", key="to-lots", on_click=open_lots)
        return
    st.header("Lots of parts", anchor=False)
    words.show(
        "<p>For a shop that cuts parts in series: every part of a lot photographed, once or "
        "several times, measured in one go, judged with guard bands, and the method judged with "
        "it.</p>"
    )
    _progress()
    _start(who)
    _two_minutes()
    _list()


def open_lots() -> None:
    """Have the next run show the list of lots."""
    open_lot("all")


def open_lot(identity: str) -> None:
    """Have the next run show a lot."""
    st.query_params.clear()
    st.query_params["lot"] = identity


@st.fragment(run_every=1.5)
def _progress() -> None:
    run = present_run()
    if run is None:
        return
    if not run.ended:
        share = run.done / max(1, run.total)
        st.progress(share, f"{run.name[:60]}: {run.done} of {run.total} photographs are done.")
        st.button("Stop", key="stop-lot", on_click=run.stop)
        st.session_state["watching"] = True
        return
    if run.error is not None:
        words.show(words.refusal(run.error))
    elif run.identity:
        words.show(
            words.box(
                "say",
                f"<strong>{words.text(run.name)}: all {run.total} photographs are done.</strong>",
                f"{run.fresh} were measured now, the others before.",
            )
        )
        st.button(
            "See the lot", key="see-lot", type="primary", on_click=open_lot, args=(run.identity,)
        )
    if st.session_state.pop("watching", False):
        st.rerun()  # the list below has one more


def _start(who: str) -> None:
    with st.expander("Measure a lot", expanded=present_run() is None):
        words.show(
            "<p>Name the photographs PART-OPERATOR-REPEAT, such as <code>P01-ines-1.jpg</code>, "
            "or PART-REPEAT, or PART; or put a CSV file with the columns photo, part, operator, "
            "repeat, subgroup beside them.</p>"
        )
        here = who == THIS_COMPUTER
        folder = ""
        if here:
            folder = st.text_input(
                "Folder on this computer", key="lot-folder", placeholder="/path/to/the/lot"
            )
        uploaded = st.file_uploader(
            "Or send the photographs (and the CSV)" if here else "Photographs (and the CSV)",
            [ending.removeprefix(".") for ending in (*PICTURES, *PLAN_ENDINGS)],
            accept_multiple_files=True,
            key="lot-files",
        )
        name = st.text_input("Name of the lot", key="lot-name", max_chars=80)
        view, thickness, bars = _cards("lot")
        tolerances = _limits(view)
        if st.button("Measure the lot", key="start-lot", type="primary"):
            try:
                run = _begin(folder.strip(), uploaded, name, view, thickness, bars, tolerances())
                st.session_state["watching"] = True
                words.show(words.box("say", f"{words.text(run.name)} is being measured."))
                st.rerun()
            except FitcheckError as error:
                words.show(words.refusal(error))


def _cards(key: str) -> tuple[str, str, tuple[str, str]]:
    view = st.selectbox(
        "What the photographs show",
        list(VIEWS),
        index=list(VIEWS).index("pad"),
        format_func=lambda v: VIEWS[v].title,
        key=f"{key}-view",
    )
    places = st.columns(3)
    thickness, along, across = (
        place.text_input(
            f"{label}, {UNIT_NAMES[unit()]}", key=f"{key}-{name}", placeholder="not measured"
        )
        for place, (name, label) in zip(places, CARD_FIELDS.items(), strict=True)
    )
    return str(view), thickness, (along, across)


def _limits(view: str) -> Callable[[], dict[str, Tolerance]]:
    """Fields for limits of one's own; returns what reads them."""
    units = VIEWS[view].units
    shown_in = {name: unit() if units[name] == "mm" else units[name] for name in units}
    labels = {name: f"{wording(name).name} ({UNIT_NAMES[u]})" for name, u in shown_in.items()}
    with st.popover("Limits of your own"):
        name = str(
            st.selectbox(
                "Characteristic",
                list(units),
                format_func=labels.__getitem__,
                key="lot-limit-name",
            )
        )
        low = st.text_input("From", key="lot-limit-low")
        high = st.text_input("To", key="lot-limit-high")
        words.show(
            '<p class="soft">One of them empty: no limit on that side. Both empty: the rework '
            "limit, both ways.</p>"
        )

    def read() -> dict[str, Tolerance]:
        ends = (
            _amount(low, units[name], "The lower limit"),
            _amount(high, units[name], "The upper limit"),
        )
        if ends == (None, None):
            return {}
        try:
            return {
                name: own_tolerance(
                    float("-inf") if ends[0] is None else ends[0],
                    float("inf") if ends[1] is None else ends[1],
                )
            }
        except ValueError as error:
            raise BadInput(
                "bad_limits", "The lower limit is not below the upper one.", "Correct them."
            ) from error

    return read


def _setup(thickness: str, bars: tuple[str, str]) -> Setup | None:
    """The cards as they were typed; None where nothing was."""
    thick = _amount(thickness, "mm", "The card’s thickness")
    along, across = (_amount(bar, "mm", "The check bar") for bar in bars)
    if thick is None and along is None and across is None:
        return None
    if (along is None) != (across is None):
        raise BadInput(
            "one_bar_only", "Only one of the two check bars is given.", "Measure both, or none."
        )
    scale = None if along is None or across is None else (along, across)
    return setup_from(thick, scale)


def _amount(text: str, kind: str, what: str) -> float | None:
    """What was typed in a field, in millimetres or degrees; None where nothing was.

    A bare number is meant in the unit that is shown.
    """
    if not text.strip():
        return None
    bare = unit() if kind == "mm" else kind
    return quantity(with_unit(text, bare), kind, what).value


def _begin(
    folder: str,
    uploaded: list[Any],
    name: str,
    view: str,
    thickness: str,
    bars: tuple[str, str],
    tolerances: dict[str, Tolerance],
) -> LotRun:
    setup = _setup(thickness, bars)
    if folder and uploaded:
        raise BadInput(
            "two_sources", "A folder is given and photographs are sent.", "Choose one of the two."
        )
    if not folder and not uploaded:
        raise BadInput(
            "no_source", "There is no photograph yet.", "Give a folder, or send the photographs."
        )
    if folder:
        photographs = Path(folder).expanduser()
        out = folder_for(store(), photographs)
    else:
        out = store().folder / LOTS_FOLDER / secrets.token_hex(8)
        photographs = out / "photographs"
        _save(uploaded, photographs)
    plan = _plan(photographs, view, setup)
    if name.strip():
        plan = _named(plan, name.strip())
    return start_run(store(), plan, out, tolerances)


def _plan(folder: Path, view: str, setup: Setup | None) -> LotPlan:
    """The plan of a folder: its own file says more than the fields of the page."""
    own = (folder / LOT_FILE).is_file()
    return read_plan(folder, None, "" if own else view, setup)


def _named(plan: LotPlan, name: str) -> LotPlan:
    from dataclasses import replace

    return replace(plan, name=name)


def _save(uploaded: list[Any], folder: Path) -> None:
    try:
        folder.mkdir(parents=True)
        for file in uploaded:
            name = Path(str(file.name).replace("\\", "/")).name.lstrip(".") or "unnamed"
            if (folder / name).exists():
                raise BadInput(
                    "photo_twice", f"Two files are called {name[:80]}.", "Rename one of them."
                )
            (folder / name).write_bytes(file.getvalue())
    except OSError as error:
        raise BadInput(
            "lot_not_saved",
            f"The photographs could not be saved: {error.strerror or error}.",
            "Make room, or give a folder instead.",
        ) from error


def _two_minutes() -> None:
    with st.expander("How well do my photographs repeat? Two minutes, five photographs"):
        words.show(
            "<p>Photograph one seat or pad five times. Take telephone and cards away each time, "
            "as if it were another one. Their scatter tells how good your telephone, cards and "
            "hands are.</p>"
        )
        uploaded = st.file_uploader(
            "Photographs of the same thing",
            [ending.removeprefix(".") for ending in PICTURES],
            accept_multiple_files=True,
            key="repeat-files",
        )
        view, thickness, bars = _cards("repeat")
        if not uploaded or not st.button("Tell me", key="repeat", type="primary"):
            return
        try:
            if len(uploaded) > MOST_REPEATS:
                raise BadInput(
                    "too_many", f"More than {MOST_REPEATS} photographs.", "Send five of them."
                )
            setup = _setup(thickness, bars) or Setup()
            bar = st.empty()
            found = []
            for i, file in enumerate(uploaded):
                bar.progress(i / len(uploaded), f"Measuring {i + 1} of {len(uploaded)} …")
                found.append(_measured(file.getvalue(), str(file.name), view, setup))
            bar.empty()
            lines = repeated_text(study_repeats(found))
            words.show("".join(f"<p>{words.text(line)}</p>" for line in lines))
        except FitcheckError as error:
            words.show(words.refusal(error))


def _measured(data: bytes, name: str, view: str, setup: Setup) -> Measurement:
    from fitcheck.photo import read_photo
    from fitcheck.pipeline import measure_photos

    def work(_: Progress) -> Measurement:
        try:
            return measure_photos([read_photo(data, name)], view, setup)[0]
        except BadInput as error:
            return Measurement(name, view, refused=Note(error.code, error.message, error.advice))

    key = ("repeat", hashlib.sha256(data).hexdigest(), name, view, setup)
    return MEASUREMENTS.job(key, work, wanted=True).result()


def _list() -> None:
    st.subheader("Measured lots", anchor=False)
    listed = store().lots.listed()
    if not listed:
        words.show("<p>None yet.</p>")
    for lot in listed[:50]:
        with st.container(border=True):
            words.show(
                f"<p><strong>{words.text(lot.date)} · {words.text(lot.name)}</strong></p>"
                f'<p class="soft">{lot.photographs} photograph{"s" * (lot.photographs != 1)}</p>'
            )
            with st.container(horizontal=True):
                st.button(
                    "Open", key=f"lot-{lot.identity}", on_click=open_lot, args=(lot.identity,)
                )
                with st.popover("Remove"):
                    words.show("<p>Its numbers are then gone; the photographs stay.</p>")
                    st.button(
                        "Remove for good",
                        key=f"remove-{lot.identity}",
                        on_click=_failing_in_words,
                        args=(store().lots.remove, lot.identity),
                    )


def _failing_in_words(work: Callable[..., object], *arguments: object) -> None:
    try:
        work(*arguments)
    except FitcheckError as error:
        st.session_state[FAILED] = error
