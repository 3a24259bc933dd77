"""How the page looks, beyond what the theme sets: the colours of the written report."""

from __future__ import annotations

from importlib.resources import files

import streamlit as st
from PIL import Image, ImageDraw

from fitcheck.overlay import LIMB_COLOUR, RISER_COLOUR

_LEFTOVER = """
[data-stale="true"],
[data-testid="stExpander"]:has([data-stale="true"]):not(:has([data-stale="false"])) {
  display: none;
}
"""


def page_icon() -> Image.Image:
    """Two lines of which one stands proud: drawn here, so that nothing is fetched for it."""
    icon = Image.new("RGB", (64, 64), "#fbf8f2")
    draw = ImageDraw.Draw(icon)
    draw.rectangle((12, 0, 63, 30), fill=LIMB_COLOUR)
    draw.rectangle((26, 33, 63, 63), fill=RISER_COLOUR)
    return icon


def apply_style(another_step: bool) -> None:
    """Put the page's style in place.

    Parameters
    ----------
    another_step
        Whether another step is shown than at the last run. Then what is left of that one, until
        the run has ended, is hidden; otherwise it would stand, faded, below the new step.
    """
    style = files("fitcheck.page").joinpath("look.css").read_text(encoding="utf-8")
    leftover = _LEFTOVER if another_step else ""
    st.html(f"<style>{style}{leftover}</style>")
