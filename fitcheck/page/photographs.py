"""Step "Photographs": which one next, how to take it, and what became of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import streamlit as st

from fitcheck.access.gate import DEVICE_HEADER
from fitcheck.errors import FitcheckError
from fitcheck.findings.next_photo import NextPhoto
from fitcheck.guide_views import good_and_bad_svg, guide_svg, guide_words
from fitcheck.measurement import Measurement
from fitcheck.page import measuring, small_pictures, words
from fitcheck.page.capture import capture
from fitcheck.page.edges_view import edges
from fitcheck.page.inspection import Inspection, PhotoFile
from fitcheck.page.launch import PHOTO_ENDINGS
from fitcheck.page.measuring import Outcome
from fitcheck.page.navigation import asked_photo, look_at
from fitcheck.page.one_photo import say_what_it_shows, verdict
from fitcheck.page.picture_routes import routes_are_served
from fitcheck.page.prepare import CAUTION
from fitcheck.page.shots import Shot, all_shots, next_shot, shot_of, shots_for, taken, words_of
from fitcheck.page.units_shown import rough_in_unit_shown
from fitcheck.photo import FORMATS
from fitcheck.views import VIEWS

HAVE, NOT_USABLE = "✓", "•"  # before what a photograph can show
LEGEND = f"{HAVE}: already photographed. {NOT_USABLE}: photographed, but none could be used."
MOST_UNFOLDED = 3  # of the photographs that ask for nothing
_SHOT, _BY_USER = "shot", "shot-by-user"


def photographs(inspection: Inspection) -> None:
    """Show the step; or one photograph, if its address asks for one."""
    photo = inspection.photos.get(asked_photo())
    if photo is not None:
        edges(inspection, photo)
        return
    words.show(CAUTION)
    inspection.setup()  # raises now, above the list, what would spoil all of it
    known = [_known(inspection, photo) for photo in inspection.photos.values()]
    waiting = [o.photo for o in known if o.photo.placed and o.measurement is None]
    # What is wanted next is offered at once; measuring what has just come follows below.
    _offer(inspection, known, _helpful(inspection, known) if not waiting else ())
    _list(inspection)
    if any(measuring.is_measured(inspection, photo) for photo in waiting):
        st.rerun()  # what is wanted next may be another one now
    watch_arrivals()


def _known(inspection: Inspection, photo: PhotoFile) -> Outcome:
    """What is known of a photograph without measuring it now."""
    if photo.placed and measuring.is_measured(inspection, photo):
        return Outcome(photo, measuring.measured(inspection, photo))
    return Outcome(photo, None)


def _helpful(inspection: Inspection, found: Sequence[Outcome]) -> Sequence[NextPhoto]:
    """Photographs that would tell most of whose fault it is."""
    if all(o.measurement is None for o in found):
        return ()
    try:
        return measuring.findings_of(inspection, found).faults.next_photos
    except FitcheckError:  # said at the step of the findings
        return ()


@st.fragment(run_every=2.0)
def watch_arrivals() -> None:
    """Show what another device has sent, as soon as it is there."""
    visit = st.session_state.get("visit")
    try:
        if visit is not None and visit.others_were_here():
            st.rerun()
    except FitcheckError:  # the next run of the page says what is wrong with the store
        return


def _offer(inspection: Inspection, found: Sequence[Outcome], helpful: Sequence[NextPhoto]) -> None:
    document = inspection.document
    good = _good(found)
    following = next_shot(document, good, helpful)
    shots = all_shots(document, helpful)
    _progress(inspection, good)
    if following is not None:
        required = not following.optional and following in shots_for(document)
        why = (
            "Still wanted."
            if required
            else "Not needed, but it would tell most about "
            + ("the pads." if inspection.pads_alone else "whose fault it is.")
        )
        words.show(
            words.box("say", f"<strong>Next: {words.text(following.words)}.</strong> {why}")
        )
    elif found:
        words.show(
            words.box("say", "<strong>All the photographs that are wanted are here.</strong>")
        )
    keys = {shot.key: shot for shot in shots}
    count = taken(document)
    wanted = st.session_state.pop("wanted-shot", None)
    for shot in shots if wanted else ():
        if (shot.view, shot.end) == wanted[:2] and wanted[2] in ("", shot.limb):
            st.session_state[_BY_USER] = (shot.key, count.get(shot.key, 0))
            break
    # The user's own choice stands until such a photograph has come; else the next one is offered.
    by_user, had = st.session_state.get(_BY_USER, ("", 0))
    if by_user not in keys or count.get(by_user, 0) > had:
        st.session_state.pop(_BY_USER, None)
        by_user = (following or shots[0]).key
    st.session_state[_SHOT] = by_user

    def label(key: str) -> str:
        mark = f"{HAVE} " if good.get(key) else f"{NOT_USABLE} " if count.get(key) else ""
        extra = " (not needed)" if keys[key].optional and not count.get(key) else ""
        return f"{mark}{keys[key].words}{extra}"

    chosen = keys[
        st.selectbox(
            "What the photograph will show",
            list(keys),
            format_func=label,
            key=_SHOT,
            on_change=_choose,
            args=(count,),
            help="Several photographs of the same thing are combined.",
        )
    ]
    if any(count.get(key) for key in keys):
        words.show(f'<p class="soft">{LEGEND}</p>')
    _take_in(inspection, chosen)
    _guide(chosen, expanded=not any(key.startswith(f"{chosen.view}|") for key in good))


def _choose(count: Mapping[str, int]) -> None:
    chosen = st.session_state[_SHOT]
    st.session_state[_BY_USER] = (chosen, count.get(chosen, 0))


def _progress(inspection: Inspection, good: dict[str, int]) -> None:
    wanted = [shot for shot in shots_for(inspection.document) if not shot.optional]
    have = sum(1 for shot in wanted if good.get(shot.key))
    if wanted:
        st.progress(have / len(wanted), f"{have} of {len(wanted)} photographs that are wanted")


def _good(found: Sequence[Outcome]) -> dict[str, int]:
    """How many photographs of each shot were not refused; one not measured yet may be good."""
    good: dict[str, int] = {}
    for outcome in found:
        refused = outcome.measurement is not None and outcome.measurement.refused is not None
        if outcome.photo.placed and not refused:
            key = shot_of(outcome.photo.fields).key
            good[key] = good.get(key, 0) + 1
    return good


def _guide(shot: Shot, expanded: bool) -> None:
    with st.expander("How to take it", expanded=expanded):
        how, drawing = st.columns([1, 1], gap="medium")
        with how:
            steps = words.steps(words.text(line) for line in VIEWS[shot.view].how_to)
            words.show(rough_in_unit_shown(steps))
            if shot.cards_exchanged:
                words.show(
                    "<p><strong>This time with the cards exchanged:</strong> D stands where C "
                    "stood, and C where D stood.</p>"
                )
        with drawing:
            drawn = guide_svg(shot.view)
            if drawn:
                words.show(
                    words.picture(
                        rough_in_unit_shown(drawn).encode("utf-8"),
                        "svg+xml",
                        guide_words(shot.view),
                    )
                )
        words.show(
            words.picture(
                good_and_bad_svg().encode("utf-8"),
                "svg+xml",
                "Drawing: good is a picture with the cards whole, flat and sharp. Bad is a "
                "card cut off, a view from the side, or glare on a card.",
            )
        )


def _take_in(inspection: Inspection, shot: Shot) -> None:
    visit = st.session_state["visit"]
    if routes_are_served():
        visit.begin()
        capture(visit.identity, shot.fields, shot.words)
        words.show(
            f'<p class="soft">{FORMATS}, as the phone saved it: messengers shrink '
            "photographs. Nothing leaves your own network.</p>"
        )
    else:
        _uploader(inspection, shot)
    if st.context.headers.get(DEVICE_HEADER):  # the page is offered to other devices
        visit.begin()
        name = words.text(visit.identity)
        words.show(
            f'<p><a href="/pair/code?inspection={name}" target="_blank">Pair another device</a> '
            "and go on with this inspection there: what it photographs appears here.</p>"
        )


def _uploader(inspection: Inspection, shot: Shot) -> None:
    """The way in where this program does not serve the page itself (``streamlit run``)."""
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
            for file in uploaded:
                inspection.add(file.name, file.getvalue(), shot.fields)
        except FitcheckError as error:
            st.session_state["failed"] = error
        st.rerun()


def _list(inspection: Inspection) -> None:
    """All photographs, the one that came last first; each is measured as it is shown."""
    photos = list(inspection.photos.values())
    if not photos:
        return
    st.subheader(f"{len(photos)} photograph{'s' * (len(photos) > 1)}", anchor=False)
    waiting = [p for p in photos if p.placed and not measuring.is_measured(inspection, p)]
    bar = st.empty()
    done = 0

    def told(share: float) -> None:
        which = f"Photograph {done + 1} of {len(waiting)}: " if len(waiting) > 1 else ""
        bar.progress((done + share) / len(waiting), f"{which}{measuring.how_far(share)}")

    first, folded = _folded(inspection, photos[::-1])
    for photo in first:
        with st.container(border=True):
            _photo_in_list(inspection, photo, photo is photos[-1], told)
        done += photo in waiting
    bar.empty()
    if folded:
        found = [_known(inspection, photo).measurement for photo in folded]
        warned = sum(1 for one in found if one is not None and one.warnings)
        more = f", {warned} with a warning" if warned else ""
        with st.expander(f"The other {len(folded)}, all of them used{more}"):
            for photo in folded:
                with st.container(border=True):
                    _photo_in_list(inspection, photo, False, told)


def _folded(
    inspection: Inspection, photos: list[PhotoFile]
) -> tuple[list[PhotoFile], list[PhotoFile]]:
    """Those that ask for something, with the newest; and the others, if they are many."""
    asking, used = photos[:1], list[PhotoFile]()
    for photo in photos[1:]:
        found = _known(inspection, photo).measurement
        (asking if found is None or found.refused is not None else used).append(photo)
    return (photos, []) if len(used) <= MOST_UNFOLDED else (asking, used)


def _may_show_something_else(measurement: Measurement) -> bool:
    notes = (*measurement.warnings, *([measurement.refused] if measurement.refused else []))
    return any(note.code in ("wrong_card", "another_view") for note in notes)


def _photo_in_list(
    inspection: Inspection, photo: PhotoFile, newest: bool, told: Callable[[float], None]
) -> None:
    shown = st.empty()
    measurement: Measurement | None = None
    if not photo.placed:
        body = "<p><strong>Say what it shows, then it is measured.</strong></p>"
        words.show(words.photo_row(photo.name, small_pictures.thumbnail(photo), body))
        say_what_it_shows(inspection, photo)
    else:
        title = words_of(photo.fields)
        if not measuring.is_measured(inspection, photo):
            with shown.container():
                # A photograph that has just come is seen while it is measured.
                small = "" if newest else small_pictures.thumbnail(photo)
                words.show(
                    words.photo_row(title, small, "<p>It has arrived.</p>"),
                    small_pictures.large(photo) if newest else "",
                )
        measurement = measuring.measured(inspection, photo, told=told)
        with shown.container():
            body = verdict(measurement) + f'<p class="soft">{words.text(photo.name)}</p>'
            drawn = ""
            if newest and measurement.edges:
                drawn = small_pictures.with_edges(photo, measurement, title)
            words.show(
                words.photo_row(title, "" if drawn else small_pictures.thumbnail(photo), body),
                drawn,
            )
        if _may_show_something_else(measurement):
            say_what_it_shows(inspection, photo)
    with st.container(horizontal=True):
        if measurement is not None:
            st.button(
                "See the edges" if VIEWS[photo.view].edges else "See the photograph",
                key=f"look-{photo.sha256}",
                on_click=look_at,
                args=(photo.sha256,),
            )
        st.button(
            "Remove",
            key=f"remove-{photo.sha256}",
            on_click=inspection.remove,
            args=(photo.sha256,),
            help="It goes to the bin, with the inspection’s other removed photographs.",
        )
