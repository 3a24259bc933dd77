"""A component of the page: brings its top into view when another step is shown."""

from __future__ import annotations

import streamlit as st

_JS = """
const SHOWN = new WeakMap();
export default function ({ data, parentElement }) {
  const before = SHOWN.get(parentElement);
  SHOWN.set(parentElement, data.step);
  if (before === undefined || before === data.step) return;
  for (let e = parentElement.host ?? parentElement; e; e = e.parentElement) e.scrollTop = 0;
}
"""

_mount = st.components.v2.component("fitcheck_scroll", js=_JS)


def scroll_to_top(place: str) -> None:
    """Scroll up if ``place`` is another one than at the last run."""
    _mount(key="scroll", data={"step": place})
