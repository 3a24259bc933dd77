"""Photographs as they stand small on the page, with their measured edges over them.

Where this program serves the page, the browser fetches each picture by an address that never
changes and keeps it: a new run of the page sends none of it again. Else, under
``streamlit run``, the picture is part of the page's text.
"""

from __future__ import annotations

import base64

import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.measurement import Measurement
from fitcheck.page.drawings import edges_svg
from fitcheck.page.inspection import PhotoFile
from fitcheck.page.picture_routes import routes_are_served, small_address
from fitcheck.page.pictures import SMALL_PX, small_of
from fitcheck.page.words import text

THUMBNAIL_PX, OVERLAY_PX = SMALL_PX


def thumbnail(photo: PhotoFile) -> str:
    """Where the browser finds a photograph, very small; empty if its file is gone or none."""
    return _source(photo, THUMBNAIL_PX)


def large(photo: PhotoFile) -> str:
    """HTML of a photograph of which nothing is measured yet; empty if its file is gone."""
    source = _source(photo, OVERLAY_PX)
    return f'<span class="fc-over"><img src="{source}" alt=""></span>' if source else ""


def with_edges(photo: PhotoFile, measurement: Measurement, title: str) -> str:
    """HTML of a photograph with its measured edges over it; empty if its file is gone."""
    source = _source(photo, OVERLAY_PX)
    if not source:
        return ""
    width, height = measurement.size_px
    lines = base64.b64encode(edges_svg(measurement).encode("utf-8")).decode("ascii")
    return (
        f'<span class="fc-over"><img src="{source}" width="{width}" height="{height}" alt="">'
        f'<img src="data:image/svg+xml;base64,{lines}" '
        f'alt="{text(title)}, with its measured edges"></span>'
    )


def _source(photo: PhotoFile, longest_px: int) -> str:
    if routes_are_served():
        return small_address(st.session_state["visit"].identity, photo.sha256, longest_px)
    try:
        data = small_of(photo.sha256, photo.read, photo.name, longest_px)
    except FitcheckError:
        return ""
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}"
