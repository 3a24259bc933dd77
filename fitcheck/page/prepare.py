"""Steps before the numbers: the cards, the readings, the photograph."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from fitcheck.access.gate import DEVICE_HEADER
from fitcheck.errors import FitcheckError
from fitcheck.guide import seat_guide_svg
from fitcheck.judgement import judge, overall
from fitcheck.page import measuring, words
from fitcheck.page.fields import kept_text
from fitcheck.page.inspection import Inspection, PhotoFile
from fitcheck.page.launch import PHOTO_ENDINGS
from fitcheck.page.lengths import length_mm
from fitcheck.page.navigation import EDGES_STEP, go
from fitcheck.page.opening import add_samples
from fitcheck.photo import FORMATS
from fitcheck.setup import DEFAULT_THICKNESS_MM, PRINT_ASSUMED_SD, THICKNESS_ASSUMED_SD_MM
from fitcheck.units import MINUS, MM_PER_INCH
from fitcheck.views import VIEWS

CAUTION = words.box(
    "caution",
    "<strong>Before a bolt is touched: unstring the bow with a stringer.</strong> "
    "Never loosen a limb bolt on a strung bow, and never draw or shoot a bow to test its fit.",
)


def cards(inspection: Inspection) -> None:
    """Step 1: the printable sheet."""
    words.show(
        "<p>The cards are the ruler in the picture. Print them once and keep them.</p>",
        words.steps(
            [
                "Print the sheet on matte paper at <strong>100 %</strong> (“actual size”). "
                "Never “fit to page”.",
                "Measure both check bars on the sheet with a caliper before you cut.",
                "Glue cards <strong>A</strong> and <strong>B</strong> flat on stiff card, about "
                "1 mm thick, and cut along the grey lines.",
                "Measure the thickness of a finished card.",
            ]
        ),
        '<p class="soft">For how a limb sits in its pocket you need A and B. Keep C and D for '
        "other measurements.</p>",
    )
    a4, letter = st.columns(2)
    for place, paper, name in ((a4, "a4", "A4"), (letter, "letter", "US Letter")):
        place.download_button(
            f"Card sheet, {name} (PDF)",
            measuring.card_sheet(paper),
            f"fitcheck-cards-{paper}.pdf",
            "application/pdf",
            key=f"sheet-{paper}",
            on_click="ignore",
            width="stretch",
        )
    if not inspection.photos:
        words.show("<p>Rather see first what comes out?</p>")
        _sample_button(inspection, "sample-first")


def readings(inspection: Inspection) -> None:
    """Step 2: what the user measured with a caliper."""
    words.show(
        "<p>Three caliper readings make every number sharper. Leave a field empty if you have "
        "not measured it: a stated default stands in, and the ± of the numbers grows.</p>"
        '<p class="soft">In millimetres (1.02), or in inches with their unit '
        "(0.040 in, 3/64 in).</p>",
    )
    _reading(
        inspection,
        "thickness",
        "Thickness of a finished card",
        "The card’s thickness",
        "Print and board together. The printed face lies this far above the wood, and what "
        "lies nearer to the phone looks larger.",
        f"Not measured: taken as {DEFAULT_THICKNESS_MM:g} mm, give or take "
        f"{2 * THICKNESS_ASSUMED_SD_MM:g} mm.",
    )
    along, across = st.columns(2)
    default = f"Not measured: taken as true to size, give or take {200 * PRINT_ASSUMED_SD:g} %."
    for place, name, way in (
        (along, "bar_along", "along"),
        (across, "bar_across", "across"),
    ):
        with place:
            _reading(
                inspection,
                name,
                f"Check bar “{way}”",
                f"The check bar {way} the cards",
                "Should be 100 mm, from the middle of one end line to the middle of the other. "
                "Printers are often a little off, and not by the same both ways.",
                default,
            )
    with st.expander(
        "Card B cannot lie on the riser?", expanded=bool(inspection.readings.face_step)
    ):
        words.show(
            "<p>Some risers have no flat face beyond the limb’s butt. Then use card A alone, and "
            "measure how much higher the riser’s outer face stands than the limb’s, at the butt "
            "line, with the caliper’s depth rod. Lower is minus.</p>"
        )
        _reading(
            inspection,
            "face_step",
            "Face step: riser above limb",
            "The face step",
            "Only needed where card B is not in the photograph.",
            "Not measured: card B has to lie on the riser.",
        )
    inspection.readings.setup()  # raises what all of them together may not be


def _reading(
    inspection: Inspection, name: str, label: str, what: str, why: str, default: str
) -> None:
    """One field, and below it how it was understood."""
    place = st.container(gap=None)
    typed = kept_text(
        place,
        label,
        f"reading-{name}",
        getattr(inspection.readings, name),
        lambda text: setattr(inspection.readings, name, text),
        example="not measured",
        why=why,
        most=40,
    )
    with place:
        try:
            length = length_mm(typed, what)
        except FitcheckError:
            return  # said once, below all fields
        if length is None:
            words.show(f'<p class="soft">{words.text(default)}</p>')
        else:
            read = f"{length:.5g} mm, {length / MM_PER_INCH:.4f} in".replace("-", MINUS)
            words.show(f'<p class="soft">Read as {read}.</p>')


def photograph(inspection: Inspection) -> None:
    """Step 3: how to take it, and handing it over."""
    words.show(CAUTION)
    with st.expander("How to take the photograph", expanded=not inspection.photos):
        how, drawing = st.columns(2)
        with how:
            words.show(words.steps(words.text(line) for line in VIEWS["seat"].how_to))
            words.show(
                '<p class="soft">If a limb’s face is not flat where card A lies, mount the card '
                "on stiffer board. A bent card is noticed and said.</p>"
            )
        with drawing:
            words.show(
                words.picture(
                    seat_guide_svg().encode("utf-8"),
                    "svg+xml",
                    "Drawing: card A on the limb, on the tip side of the bolt, and card B on the "
                    "riser beyond the butt line, both arrows toward the limb’s tip; the phone "
                    "straight above the seam, about 40 cm away.",
                )
            )
    count = st.session_state.setdefault("uploads", 0)
    uploaded = st.file_uploader(
        f"Photographs from this phone or computer ({FORMATS})",
        type=[ending.lstrip(".") for ending in PHOTO_ENDINGS],
        accept_multiple_files=True,
        key=f"upload-{count}",
        help="As the phone saved them, not sent through a messenger: those shrink photographs.",
    )
    if uploaded:
        # An emptied field: from here on the photographs are listed below, wherever one goes.
        st.session_state["uploads"] = count + 1
        try:
            added = [inspection.add(file.name, file.getvalue()) for file in uploaded]
            inspection.chosen = added[0]
        except FitcheckError as error:
            st.session_state["failed"] = error
        st.rerun()
    if st.context.headers.get(DEVICE_HEADER):  # the page is offered to other devices
        st.session_state["visit"].begin()
        name = words.text(st.query_params.get("inspection", ""))
        words.show(
            f'<p><a href="/pair/code?inspection={name}" target="_blank">Pair another device</a> '
            "and go on with this inspection there.</p>"
        )
    if not inspection.photos:
        _sample_button(inspection, "sample")
    photos = list(inspection.photos.values())
    for photo in photos:
        inspection.setup_of(photo)  # raises now, above the list, what would spoil all of it
    for number, photo in enumerate(photos, start=1):
        with st.container(border=True):
            _photo_in_list(inspection, photo, number, len(photos))


def _photo_in_list(inspection: Inspection, photo: PhotoFile, number: int, of: int) -> None:
    with st.spinner(f"Measuring photograph {number} of {of} …"):
        result = measuring.result_of(inspection, photo)
    if result.measurement.refused is not None:
        body = f"<p>{words.not_measured_badge()}</p>"
    else:
        body = words.said_of(overall(judge(result.measurement)))
    own = photo.setup
    if own is not None:
        body += (
            f'<p class="soft">A sample, with readings of its own: card '
            f"{own.card_thickness_mm:g} mm thick, check bars true.</p>"
        )
    words.show(words.photo_row(photo.name, result.thumbnail_jpeg, body))
    if result.measurement.refused is not None:
        words.show(words.refusal(result.measurement.refused))
    st.button(
        f"Remove photograph {number}",
        key=f"remove-{photo.sha256}",
        on_click=inspection.remove,
        args=(photo.sha256,),
    )


def _sample_button(inspection: Inspection, key: str) -> None:
    st.button(
        "Use the sample photograph",
        key=key,
        on_click=_failing_in_words(lambda: _use_samples(inspection)),
    )


def _use_samples(inspection: Inspection) -> None:
    add_samples(inspection)
    go(EDGES_STEP)


def _failing_in_words(act: Callable[[], None]) -> Callable[[], None]:
    """A callback runs outside the page's script: its error is kept for the run that follows."""

    def acted() -> None:
        try:
            act()
        except FitcheckError as error:
            st.session_state["failed"] = error

    return acted
