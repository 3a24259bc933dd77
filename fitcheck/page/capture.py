"""A component of the page: takes photographs and sends the files themselves, with retries.

Telephones drop the page's connection while their camera is open; what is sent over it then is
lost. This component sends each file with a request of its own, again and again until it has
arrived, and keeps it in the browser until then.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files

import streamlit as st

from fitcheck.access.photograph_routes import PATH
from fitcheck.access.upload_tokens import upload_token

_HTML = """
<div class="capture">
  <p class="as"></p>
  <div class="ways">
    <label class="camera main"><input type="file" accept="image/*" capture="environment">
      <span>Take the photograph</span></label>
    <label class="main"><input type="file" accept="image/*,.heic,.heif" multiple>
      <span>Choose photographs</span></label>
  </div>
  <output aria-live="polite"></output>
</div>
"""
_CSS = """
.ways { display: flex; flex-wrap: wrap; gap: 0.6rem; }
label { position: relative; display: inline-flex; align-items: center; justify-content: center;
  flex: 1 1 12rem; min-height: 56px; padding: 0 1.2rem; border-radius: 0.35rem; cursor: pointer;
  background: #8a3600; color: #fff; font: 600 1.05rem var(--st-font); }
label[hidden] { display: none; }
label:focus-within { outline: 3px solid #1d2730; outline-offset: 2px; }
input { position: absolute; inset: 0; width: 100%; height: 100%; opacity: 0; cursor: pointer; }
.as { margin: 0 0 0.5rem; color: #4a5661; font: 0.95rem var(--st-font); }
output { display: block; overflow-wrap: anywhere; color: #1d2730; font: 1rem var(--st-font); }
output p { margin: 0.6rem 0 0; }
output .refused { background: #fde6e2; color: #4d0e08; padding: 0.6rem 0.8rem;
  border-left: 0.4rem solid #a3190d; }
progress { display: block; width: 100%; height: 0.8rem; accent-color: #8a3600; }
button { min-height: 44px; padding: 0 1rem; font: inherit; }
"""

_mount = st.components.v2.component(
    "fitcheck_capture",
    html=_HTML,
    css=_CSS,
    js=files("fitcheck.page").joinpath("capture.js").read_text(encoding="utf-8"),
)


def capture(identity: str, shows: Mapping[str, object], words: str) -> None:
    """Show the component.

    Parameters
    ----------
    identity
        Of the inspection that the photographs belong to; it must be in the store.
    shows
        What the photographs will show, as fields of the document.
    words
        The same for people.
    """
    query = {name: "yes" if said is True else str(said) for name, said in shows.items()}
    data: dict[str, object] = {
        "path": f"{PATH}/{identity}",
        "token": upload_token(identity),
        "query": query,
    }
    data["words"] = f"It will be kept as: {words}."
    _mount(key="capture", data=data, on_arrived_change=lambda: None)
