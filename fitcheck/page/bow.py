"""Step "Bow": what is on the bench, and for whom."""

from __future__ import annotations

from functools import partial

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from fitcheck.inspection import ENDS, PADS_ALONE
from fitcheck.page import words
from fitcheck.page.document import limb_at, limb_names, with_limb_renamed
from fitcheck.page.fields import kept_choice, kept_quantity, kept_text
from fitcheck.page.inspection import Inspection

PURPOSES = {
    "rework": "Bow received for rework",
    PADS_ALONE: "Newly cut limb pads",
    "customer": "Before and after, for a customer",
}


def bow(inspection: Inspection) -> None:
    """Show the step: only what the purpose needs; the rest can be opened."""
    if inspection.pads_alone:
        _pads_only(inspection)
    else:
        _whole_bow(inspection, inspection.text("/purpose") or "rework")


def _pads_only(inspection: Inspection) -> None:
    words.show(
        "<p>Only the riser is on the bench: its pads are measured as they were cut, before a "
        "limb is fitted. A name is enough to find it again.</p>"
    )
    left, right = st.columns(2)
    _text(inspection, left, "Riser", "/bow/name", "pattern or name")
    _text(inspection, right, "Order or job number", "/reference")
    _text(inspection, left, "Serial number", "/bow/serial")
    _text(inspection, right, "Date", "/date", "2026-11-25", most=10)
    with st.expander("More: shop, customer, note"):
        _text(inspection, st.container(), "Shop", "/shop")
        _text(inspection, st.container(), "Customer", "/customer")
        _text(inspection, st.container(), "Note", "/note", long=True)


def _whole_bow(inspection: Inspection, purpose: str) -> None:
    left, right = st.columns(2)
    _text(inspection, left, "Customer", "/customer")
    _text(inspection, right, "Order or job number", "/reference")
    _text(inspection, left, "Bow", "/bow/name", "model or name")
    _text(inspection, right, "Date", "/date", "2026-11-25", most=10)
    if purpose == "customer":
        _choice(
            inspection,
            st.container(),
            "When is this?",
            "/stage",
            {"as received": "Before the work", "after rework": "After the work"},
        )
    else:
        _text(
            inspection,
            st.container(),
            "What the customer complains of",
            "/complaint",
            long=True,
        )
    st.subheader("The limbs", anchor=False)
    words.show(
        "<p>Give each limb the name that is marked on it; with no mark, write 1 and 2 on tape. "
        "Say which limb sat at which end when the bow came in: limbs on the wrong ends are a "
        "common fault.</p>"
    )
    for end, place in zip(ENDS, st.columns(2), strict=True):
        _limb(inspection, place, end)
    if len(limb_names(inspection.document)) == 2:
        st.button(
            "Exchange the two names",
            key="exchange-names",
            on_click=_exchange,
            args=(inspection,),
            help="If the limbs turn out to have sat the other way round.",
        )
    more = ("/bow/maker", "/bow/kind", "/bow/mount", "/bow/marked_weight")
    opened = purpose == "rework" and not any(inspection.text(path) for path in more)
    with st.expander("More about the bow", expanded=opened):
        left, right = st.columns(2)
        _text(inspection, left, "Maker", "/bow/maker")
        _text(inspection, right, "Serial number", "/bow/serial")
        _choice(
            inspection,
            left,
            "Kind",
            "/bow/kind",
            {"": "not said", "recurve": "recurve", "longbow": "longbow"},
        )
        _choice(
            inspection,
            right,
            "The limbs lie on the riser’s",
            "/bow/mount",
            {"": "not said", "belly": "belly", "back": "back"},
            why="Belly: the side that faces the archer. Back: the side that faces the target. "
            "It decides to which side a roll of the pad moves the limb’s tip.",
        )
        _choice(
            inspection,
            left,
            "Shot by a",
            "/bow/hand",
            {"": "not said", "right": "right-handed archer", "left": "left-handed archer"},
        )
        _quantity(inspection, right, "Length, as marked", "/bow/length", "mm", "60 in")
        _quantity(inspection, left, "Draw weight at 28 in, as marked", "/bow/marked_weight", "lb")
        _quantity(
            inspection,
            right,
            "Lightest arrow the maker allows",
            "/bow/lightest_arrow",
            "gr/lb",
            why="In grains of arrow for each pound of draw weight.",
        )
        _text(inspection, st.container(), "Shop", "/shop")
        _text(inspection, st.container(), "Note", "/note", long=True)


def _limb(inspection: Inspection, place: DeltaGenerator, end: str) -> None:
    name = limb_at(inspection.document, end)
    with place.container(border=True):
        words.show(f"<h4>Sat at the {end} end</h4>")
        if not name:
            words.show("<p>No limb is named there.</p>")
            return
        here = st.container()

        def rename(new: str) -> None:
            inspection.document = with_limb_renamed(inspection.document, name, new)

        kept_text(here, "Its name", f"limb-{end}", name, rename, most=60)

        def put(field: str, value: object) -> None:
            inspection.put_record("/limbs", {"name": name}, {field: value})

        record = inspection.record("/limbs", {"name": name})
        kept_choice(
            here,
            "Its own mark says",
            f"marked-{end}",
            str(record.get("marked_for") or ""),
            partial(put, "marked_for"),
            {"": "nothing", "upper": "upper", "lower": "lower"},
        )
        if inspection.text("/purpose") == "rework":
            kept_choice(
                here,
                "Sacrificial overlay on the butt",
                f"overlay-{end}",
                str(record.get("butt_overlay") or "unknown"),
                partial(put, "butt_overlay"),
                {"unknown": "not known", "none": "none", "present": "there is one"},
                why="A thin layer that the maker put there to be lapped. Without one, the butt’s "
                "own glass must not be touched.",
            )


def _exchange(inspection: Inspection) -> None:
    at = {end: limb_at(inspection.document, end) for end in ENDS}
    inspection.put("/as_received", {"upper": at["lower"], "lower": at["upper"]})


def _text(
    inspection: Inspection,
    place: DeltaGenerator,
    label: str,
    path: str,
    example: str = "",
    *,
    most: int = 200,
    long: bool = False,
) -> None:
    kept_text(
        place,
        label,
        f"field-{path}",
        inspection.text(path),
        lambda text: inspection.put(path, text.strip()),
        example=example,
        most=2000 if long else most,
        long=long,
    )


def _quantity(
    inspection: Inspection,
    place: DeltaGenerator,
    label: str,
    path: str,
    kind: str,
    example: str = "",
    why: str | None = None,
) -> None:
    kept_quantity(
        place,
        label,
        f"field-{path}",
        inspection.text(path),
        lambda text: inspection.put(path, text),
        kind,
        example=example,
        why=why,
    )


def _choice(
    inspection: Inspection,
    place: DeltaGenerator,
    label: str,
    path: str,
    options: dict[str, str],
    why: str | None = None,
) -> None:
    kept_choice(
        place,
        label,
        f"field-{path}",
        inspection.text(path),
        lambda text: inspection.put(path, text),
        options,
        why=why,
    )
