"""What one photograph shows, as the user says it, and what became of it."""

from __future__ import annotations

import streamlit as st

from fitcheck.measurement import Measurement
from fitcheck.page import words
from fitcheck.page.fields import kept_quantity
from fitcheck.page.inspection import Inspection, PhotoFile
from fitcheck.page.shots import all_shots, shot_of
from fitcheck.units import quantity_text
from fitcheck.wording import wording

# What a view is for: the characteristics whose uncertainty a photograph is judged by. Of a
# further view all of them are.
MAIN = {
    "seat": ("overhang_left", "overhang_right"),
    "pad": ("pad_squareness",),
    "sight": ("twist",),
    "joint": ("gap_butt", "gap_end"),
}
# Refusals that are no fault of the photograph, but of lines that were set in it by hand.
LINES_AT_FAULT = frozenset(
    {"hint_on_card", "line_unfit", "line_elsewhere", "line_without_edge", "lines_crossed"}
)
# Warnings of a line that may be another: they move results further than all the others.
OF_AN_EDGE = frozenset({"edge_ambiguous", "seam_ambiguous", "butt_line_ambiguous"})


def say_what_it_shows(inspection: Inspection, photo: PhotoFile) -> None:
    """Show a choice of all that a photograph of this inspection can show."""
    shots = {shot.key: shot for shot in all_shots(inspection.document)}
    key = f"shows-{photo.sha256}"
    now = shot_of(photo.fields).key
    nothing = "nothing"
    options = list(shots) if now in shots else [nothing, *shots]
    st.session_state[key] = now if now in shots else nothing

    def say() -> None:
        chosen = st.session_state[key]
        if chosen in shots:
            cleared = dict.fromkeys(
                ("view", "end", "limb", "side", "near_card_on", "cards_exchanged")
            )
            inspection.change_photo(photo.sha256, **{**cleared, **shots[chosen].fields})

    st.selectbox(
        "It shows",
        options,
        format_func=lambda k: shots[k].words if k in shots else "choose …",
        key=key,
        on_change=say,
    )
    if photo.view == "seat":
        with st.expander(
            "Card B cannot lie on the riser?", expanded=bool(photo.fields.get("face_step"))
        ):
            words.show(
                "<p>Some risers have no flat face beyond the limb’s butt. Then use card A alone, "
                "and measure how much higher the riser’s outer face stands than the limb’s, at "
                "the butt line, with the caliper’s depth rod. Lower is minus.</p>"
            )
            kept_quantity(
                st.container(),
                "Face step: riser above limb",
                f"step-{photo.sha256}",
                str(photo.fields.get("face_step") or ""),
                lambda text: inspection.change_photo(photo.sha256, face_step=text),
                "mm",
                empty="Not measured: card B has to lie on the riser.",
            )


def _another_kind(measurement: Measurement) -> str:
    """Why it may be a photograph of another kind; empty where nothing speaks for it."""
    notes = [note for note in measurement.warnings if note.code == "another_view"]
    return "".join(
        f"<p>{words.text(note.message)} <strong>{words.text(note.advice)}</strong></p>"
        for note in notes
    )


def verdict(measurement: Measurement, reasons: bool = True) -> str:
    """Say of a photograph: used, used with a warning, or to be taken again.

    Parameters
    ----------
    measurement
        What it gave.
    reasons
        Whether to say why, too.
    """
    if measurement.refused is not None:
        note = measurement.refused
        told = "Look at your lines" if note.code in LINES_AT_FAULT else "Take it again"
        return (
            '<p><strong class="fc-badge fc-rework"><span aria-hidden="true">✗</span> '
            f"{told}</strong></p>{_another_kind(measurement)}<p>{words.text(note.message)} "
            f"<strong>{words.text(note.advice)}</strong></p>"
        )
    main_names = MAIN.get(measurement.view)
    main = [c for c in measurement.characteristics if main_names is None or c.name in main_names]
    said = "; ".join(
        f"{wording(c.name).name} "
        f"{quantity_text(c.value, c.expanded_uncertainty, c.unit, signed=wording(c.name).signed)}"
        for c in main
    )
    numbers = f"<p>{words.text(said)}</p>" if said else ""
    if measurement.warnings:
        # First what the user can settle by a hand on the edge.
        first, *others = sorted(measurement.warnings, key=lambda note: note.code not in OF_AN_EDGE)
        more = f" And {len(others)} more." if others else ""
        return (
            '<p><strong class="fc-badge fc-acceptable"><span aria-hidden="true">⚠</span> '
            f"Used, with a warning</strong></p>{numbers}"
            + (
                f"<p>{words.text(first.message)} <strong>{words.text(first.advice)}</strong>"
                f"{more}</p>"
                if reasons
                else ""
            )
        )
    return (
        '<p><strong class="fc-badge fc-good"><span aria-hidden="true">✓</span> Used</strong></p>'
        f"{numbers}"
    )
