"""Step "Cards": the printable sheet, and what was measured of it with a caliper."""

from __future__ import annotations

from functools import partial

import streamlit as st

from fitcheck.page import measuring, words
from fitcheck.page.fields import kept_quantity
from fitcheck.page.inspection import Inspection
from fitcheck.setup import DEFAULT_THICKNESS_MM, PRINT_ASSUMED_SD, THICKNESS_ASSUMED_SD_MM
from fitcheck.store.fields import value_at

CAUTION = words.box(
    "caution",
    "<strong>Before a bolt is touched: unstring the bow with a stringer.</strong> "
    "Never loosen a limb bolt on a strung bow, and never draw or shoot a bow to test its fit.",
)


def cards(inspection: Inspection) -> None:
    """Show the step."""
    measured = bool(inspection.text("/cards/thickness"))
    needed = "C" if inspection.pads_alone else "all four"
    with st.expander("Print and mount the cards", expanded=not measured):
        words.show(
            "<p>The cards are the ruler in the picture. Print them once and keep them.</p>",
            words.steps(
                [
                    "Print the sheet on matte paper at <strong>100 %</strong> (“actual size”). "
                    "Never “fit to page”.",
                    "Measure both check bars on the sheet with a caliper before you cut.",
                    "Glue the cards flat on stiff card, about 1 mm thick, and cut along the grey "
                    "lines. Fold back the tabs of C and D so that they stand.",
                    "Measure the thickness of a finished card.",
                ]
            ),
            f'<p class="soft">For this inspection you need {needed}. A and B lie flat on limb and '
            "riser; C and D stand across them.</p>",
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
    words.show(
        "<p>Three caliper readings make every number sharper. Leave a field empty if you have "
        "not measured it: a stated default stands in, and the ± of the numbers grows.</p>"
    )
    kept_quantity(
        st.container(),
        "Thickness of a finished card",
        "reading-thickness",
        inspection.text("/cards/thickness"),
        lambda text: inspection.put("/cards/thickness", text),
        "mm",
        why="Print and board together. The printed face lies this far above the wood, and what "
        "lies nearer to the phone looks larger.",
        empty=f"Not measured: taken as {DEFAULT_THICKNESS_MM:g} mm, give or take "
        f"{2 * THICKNESS_ASSUMED_SD_MM:g} mm.",
    )
    bars = _bars(inspection)
    spread = f"{200 * PRINT_ASSUMED_SD:g}"
    for number, (place, way) in enumerate(zip(st.columns(2), ("along", "across"), strict=True)):
        kept_quantity(
            place,
            f"Check bar “{way}”",
            f"reading-bar_{way}",
            bars[number],
            partial(_put_bar, inspection, number),
            "mm",
            why="Should be 100 mm, from the middle of one end line to the middle of the other. "
            "Printers are often a little off, and not by the same both ways.",
            empty=f"Not measured: taken as true to size, give or take {spread} %.",
        )
    inspection.setup()  # raises what all of them together may not be


def _bars(inspection: Inspection) -> list[str]:
    bars = value_at(inspection.document, "/cards/check_bars")
    good = isinstance(bars, list) and len(bars) == 2 and all(isinstance(b, str) for b in bars)
    return list(bars) if good else ["", ""]


def _put_bar(inspection: Inspection, number: int, text: str) -> None:
    bars = _bars(inspection)
    bars[number] = text
    inspection.put("/cards/check_bars", bars if any(bars) else [])
