"""A component of the page: marks the edges of a photograph by hand.

What the editor shows is set when it opens, or when its revision changes; after that the lines
are the user's, and come back as they are moved. So the picture is sent once, not at every run.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from typing import Any

import streamlit as st

from fitcheck.measurement import Point
from fitcheck.page.drawings import edge_colour
from fitcheck.page.inspection import Line, PhotoFile
from fitcheck.page.measuring import frame_picture
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.page.picture_routes import frame_address, routes_are_served
from fitcheck.wording import EDGE_NAMES

SAME_PX = 0.01

_HTML = """
<div class="editor">
  <div class="edges" role="group" aria-label="Edge to move"></div>
  <output aria-live="polite"></output>
  <canvas tabindex="0" role="application" aria-label="Photograph with the edges. Choose an edge
    above. With the keyboard: 1 or 2 for an end, 3 for the whole line, arrow keys to move it,
    with Shift ten times as far; plus and minus to zoom, 0 for the whole picture."></canvas>
  <div class="tools">
    <button type="button" data-do="in" aria-label="Larger">+</button>
    <button type="button" data-do="out" aria-label="Smaller">&minus;</button>
    <button type="button" data-do="all">Whole picture</button>
    <button type="button" data-do="undo">Undo</button>
  </div>
</div>
"""


def _shipped(name: str) -> str:
    return files("fitcheck.page").joinpath(name).read_text(encoding="utf-8")


_mount = st.components.v2.component(
    "fitcheck_edge_editor",
    html=_HTML,
    css=_shipped("edge_editor.css"),
    js=_shipped("edge_editor.js"),
)


def edge_editor(
    key: str,
    photo: PhotoFile,
    frame: PictureFrame,
    lines: Mapping[str, Line],
    by_hand: Mapping[str, Line],
    measured: Mapping[str, Line],
    revision: str,
    on_change: Callable[[], None],
) -> None:
    """Show the editor.

    Parameters
    ----------
    key
        Of the widget; its state is read with :func:`edited_lines`.
    photo
        The photograph. The browser fetches what the frame shows of it once, and for the
        magnifier pieces at full resolution.
    frame
        The part that is shown.
    lines
        Edge to the line to begin with, pixels of the photograph.
    by_hand
        Those of them that the user has set before.
    measured
        The edges as they are measured now: drawn beneath the user's lines.
    revision
        Another one makes the editor take the lines anew.
    on_change
        Called when the user has moved a line.
    """
    width, height = frame.size_px
    data: dict[str, Any] = {
        "source": _source(photo, frame),
        "scale": frame.scale,
        "full": [frame.height, frame.width] if frame.quarters % 2 else [frame.width, frame.height],
        "pieces": routes_are_served(),
        "measured": [
            {"colour": edge_colour(edge), "ends": [frame.from_photo(end) for end in ends]}
            for edge, ends in measured.items()
        ],
        "width": width,
        "height": height,
        "revision": revision,
        "lines": [
            {
                "id": edge,
                "label": EDGE_NAMES.get(edge, edge),
                "colour": edge_colour(edge),
                "ends": [frame.from_photo(end) for end in ends],
                "byHand": edge in by_hand,
            }
            for edge, ends in lines.items()
        ],
    }
    _mount(key=key, data=data, default={"edit": None}, on_edit_change=on_change)


def _source(photo: PhotoFile, frame: PictureFrame) -> str:
    if routes_are_served():
        return frame_address(st.session_state["visit"].identity, photo.sha256, frame)
    encoded = base64.b64encode(frame_picture(photo, frame)).decode("ascii")
    return f"data:image/jpeg;base64,{encoded}"


def edited_lines(
    state: Mapping[str, Any] | None, frame: PictureFrame, revision: str, known: tuple[str, ...]
) -> dict[str, Line] | None:
    """Read the lines that the user has set out of the editor's state.

    Parameters
    ----------
    state
        What the browser sent: not to be trusted.
    frame, revision
        As the editor was shown.
    known
        Names of the edges there are.

    Returns
    -------
    Edge to line, pixels of the photograph; None if the state is of another revision or is
    not such a state.
    """
    edit = None if state is None else state.get("edit")
    if not isinstance(edit, Mapping) or edit.get("revision") != revision:
        return None
    lines: dict[str, Line] = {}
    try:
        for line in edit["lines"]:
            (x0, y0), (x1, y1) = line["ends"]
            ends = [(float(x0), float(y0)), (float(x1), float(y1))]
            if line["id"] in known:
                lines[line["id"]] = (frame.to_photo(ends[0]), frame.to_photo(ends[1]))
    except (KeyError, TypeError, ValueError):
        return None
    return lines if all(_sound(line) for line in lines.values()) else None


def with_edit_taken(
    now: Mapping[str, Line], before: Mapping[str, Line], lines: Mapping[str, Line]
) -> dict[str, Line]:
    """Return the lines of a photograph after an edit; what another window set meanwhile stays.

    Parameters
    ----------
    now
        As they stand.
    before, lines
        What this editor held before the edit and holds after it.
    """
    kept = {edge: line for edge, line in now.items() if edge in lines or edge not in before}
    moved = {edge: line for edge, line in lines.items() if not _same(line, before.get(edge))}
    return {**kept, **moved}


def _same(line: Line, other: Line | None) -> bool:
    """Whether two lines are one; the browser's way there and back rounds."""
    if other is None:
        return False
    apart = (
        abs(a - b) for e, o in zip(line, other, strict=True) for a, b in zip(e, o, strict=True)
    )
    return max(apart) < SAME_PX


# Where a line begins that was neither found nor set, as shares of the frame.
_GUESS: dict[str, tuple[Point, Point]] = {
    "limb_left": ((0.42, 0.2), (0.42, 0.47)),
    "limb_right": ((0.58, 0.2), (0.58, 0.47)),
    "riser_left": ((0.43, 0.53), (0.43, 0.8)),
    "riser_right": ((0.57, 0.53), (0.57, 0.8)),
    "butt_line": ((0.44, 0.5), (0.56, 0.5)),
    "pad_line": ((0.3, 0.52), (0.7, 0.52)),
    "limb_line": ((0.3, 0.48), (0.7, 0.48)),
}


def lines_to_begin_with(
    edges: Sequence[str],
    found: Mapping[str, Line],
    by_hand: Mapping[str, Line],
    frame: PictureFrame,
    from_the_tip: bool = False,
) -> dict[str, Line]:
    """Lines for the editor: the user's, else those found, else a guess in the middle.

    Where the riser is seen ``from_the_tip``, its left side is on the picture's right.
    """
    width, height = frame.size_px
    lines: dict[str, Line] = {}
    for edge in edges:
        start, end = _GUESS.get(edge, ((0.4, 0.5), (0.6, 0.5)))
        if from_the_tip:
            start, end = (1 - start[0], start[1]), (1 - end[0], end[1])
        known = by_hand.get(edge) or found.get(edge)
        lines[edge] = known or (
            frame.to_photo((start[0] * width, start[1] * height)),
            frame.to_photo((end[0] * width, end[1] * height)),
        )
    return lines


def _sound(line: Line) -> bool:
    """Whether a line is of finite length above that of a point."""
    apart = sum((a - b) ** 2 for a, b in zip(*line, strict=True))
    return 4.0 < apart < float("inf")
