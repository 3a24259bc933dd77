"""The shop on the report: its name, address, logo and who signs, for every report to come."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.page import words
from fitcheck.reporting.shop import LONGEST, Shop, logo_png, shop_in, write_shop
from fitcheck.store.location import default_folder

LABELS = {
    "name": "Name of the shop",
    "address": "Address",
    "contact": "Telephone, e-mail, web",
    "inspector": "Who signs",
}


def shop_details() -> Shop:
    """Show what the report says of the shop, to be changed; return what stands.

    It is the same settings file that the command line reads. One that cannot be read is said to
    be so, and the report goes without.
    """
    folder = default_folder()
    try:
        shop = shop_in(folder)
    except FitcheckError as error:
        words.show(words.refusal(error))
        return Shop()
    title = f"The shop on the report: {shop.name}" if shop.name else "The shop on the report"
    with st.expander(title):
        words.show("<p>At the head of every report, and kept for the next one.</p>")
        with st.form("shop", border=False):
            texts = {
                name: (st.text_area if name == "address" else st.text_input)(
                    label, getattr(shop, name), key=f"shop-{name}", max_chars=LONGEST[name]
                )
                for name, label in LABELS.items()
            }
            picture = st.file_uploader(
                "Logo, PNG or JPEG", ["png", "jpg", "jpeg"], key="shop-logo"
            )
            bare = st.checkbox("No logo", value=False, key="shop-bare") if shop.logo else False
            if not st.form_submit_button("Keep it", key="shop-keep"):
                return shop
        try:
            logo = b"" if bare else shop.logo
            if picture is not None and not bare:
                logo = logo_png(picture.getvalue(), Path(picture.name).name)
            shop = replace(shop, **texts, logo=logo)
            write_shop(folder, shop)
        except FitcheckError as error:
            words.show(words.refusal(error))
            return shop_in(folder)
        words.show(words.box("say", "Kept. The report below has it."))
    return shop
