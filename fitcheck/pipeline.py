"""The whole way from a photograph to its measurement: the one module that knows the order.

photo → cards → lens and poses → edges → characteristics with uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import (
    FEWEST_OBSERVATIONS,
    Adjustment,
    adjust,
    bend_signs,
    lens_prior,
)
from fitcheck.bundle import Observations
from fitcheck.card_edges import CardEdges, measure_card_edges, printed_points
from fitcheck.cards import CARDS
from fitcheck.corners import CardCorners, find_cards
from fitcheck.errors import BadInput, Refused
from fitcheck.lens_profile import LensKey, LensProfile
from fitcheck.measurement import (
    CardSeen,
    Characteristic,
    Edge,
    LensFound,
    Measurement,
    Note,
    Point,
)
from fitcheck.missing_card import explain_missing_card
from fitcheck.photo import Photo, load_photo
from fitcheck.quality import photo_warnings, refuse_unread_card
from fitcheck.setup import Setup
from fitcheck.strips import Surface
from fitcheck.uncertainty import propagate
from fitcheck.views import VIEWS, Scene, View

Hints = Mapping[str, Sequence[Point]]

SEED = 20070  # any fixed number: the same photo gives the same digits
TYPICAL_BLUR_PX = 1.2
STANDING = frozenset("CD")  # cards that stand on a fold; the others lie flat
STAND_IT = (
    "Stand each card on its fold, whole in the picture, evenly lit and in focus, and retake."
)
LAY_IT = (
    "Lay each card flat, whole in the picture, evenly lit and in focus, and retake from about "
    "40 cm."
)
BENT_FROM_SIGMAS = 5.0  # of bow or warp; a flat card shows up to 3
EDGE_ROUNDS = 2  # poses and chequer edges improve each other; a third round changes nothing


@dataclass(frozen=True, eq=False)
class Shot:
    """A photograph, the view it shows, and rough edges that the user marked in it.

    ``as_given`` names those of the edges that are taken as they were marked; the others are
    measured near their marks.
    """

    photo: Photo
    view: str
    hints: Hints = field(default_factory=dict)
    as_given: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class _Seen:
    """The cards of one photograph, before the lens is solved."""

    photo: Photo
    cards: list[CardCorners]
    doubts: tuple[Note, ...] = ()  # whether it is a photograph of this kind at all


def measure(
    path: Path | str, view: str, setup: Setup | None = None, hints: Hints | None = None
) -> Measurement:
    """Measure one photograph file.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF, WebP or HEIC.
    view
        Name of the view, for instance ``"seat"``.
    setup
        Card thickness, print scale, face step; stated defaults without.
    hints
        Edge name to two rough points, pixels of the upright picture, within ± 2 mm.

    Returns
    -------
    The measurement. A photograph that cannot be measured has ``refused`` set and no
    characteristics.

    Raises
    ------
    BadInput
        If the file cannot be read, or view, setup or hints are not valid.
    """
    return measure_photo(load_photo(path), view, setup, hints)


def measure_photo(
    photo: Photo, view: str, setup: Setup | None = None, hints: Hints | None = None
) -> Measurement:
    """Measure a photograph that is already loaded; see :func:`measure`."""
    return measure_photos([photo], view, setup, hints)[0]


def measure_photos(
    photos: Sequence[Photo],
    view: str,
    setup: Setup | None = None,
    hints: Hints | None = None,
    together: bool = False,
    profiles: Mapping[LensKey, LensProfile] | None = None,
) -> list[Measurement]:
    """Measure several photographs of the same view; see :func:`measure_shots`."""
    shots = [Shot(photo, view, hints or {}) for photo in photos]
    return measure_shots(shots, setup, together, profiles)


def measure_shots(
    shots: Sequence[Shot],
    setup: Setup | None = None,
    together: bool = False,
    profiles: Mapping[LensKey, LensProfile] | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> list[Measurement]:
    """Measure several photographs, of one view or of several.

    Parameters
    ----------
    shots
        The photographs, each with its view and hints.
    setup
        As for :func:`measure`; the same cards were used for all.
    together
        Solve one lens for all photographs of the same phone and size. That is a free
        calibration: each photograph tells something of the lens.
    profiles
        What earlier photographs told of lenses; a phone without a profile gets the wide
        prior of :func:`fitcheck.adjustment.lens_prior`.
    progress
        Is told of each half of a photograph that is done: 0.5 once its cards are found, 0.5
        once it is measured.

    Returns
    -------
    One measurement per shot, in order.

    Raises
    ------
    BadInput
        If a view, setup or hints are not valid.
    """
    views = [_view(shot.view) for shot in shots]
    setup = setup or Setup()
    checked = [_checked_hints(s.hints, v, s.photo) for s, v in zip(shots, views, strict=True)]
    results: list[Measurement | None] = [None] * len(shots)
    seen: dict[int, _Seen] = {}
    for i, shot in enumerate(shots):
        try:
            seen[i] = _find(shot.photo, views[i], setup)
        except Refused as refusal:
            results[i] = _refused(shot.photo, views[i], setup, refusal)
            progress(0.5)
        progress(0.5)
    for members in _by_phone(seen) if together else [[i] for i in seen]:
        try:
            solution, edges = _solve([seen[i] for i in members], setup, profiles or {})
        except Refused as refusal:
            if len(members) == 1:
                (i,) = members
                results[i] = _refused(shots[i].photo, views[i], setup, refusal)
                progress(0.5)
                continue
            # One bad photograph must not spoil the others: solve each alone.
            for i in members:
                results[i] = measure_shots([shots[i]], setup, profiles=profiles)[0]
                progress(0.5)
            continue
        place = 0
        for i in members:
            n = len(seen[i].cards)
            own = edges[place : place + n]
            places = {c.card.name: place + k for k, c in enumerate(seen[i].cards)}
            given = shots[i].as_given & checked[i].keys()
            found = _look(seen[i], views[i], setup, checked[i], given, solution, places, own)
            if found.lens is not None:
                found = replace(found, lens=replace(found.lens, photographs=len(members)))
            results[i] = found
            progress(0.5)
            place += n
    return [result for result in results if result is not None]


def lens_key(photo: Photo) -> LensKey:
    """Return the key under which the profile of a photograph's lens is kept."""
    long_side, short_side = max(photo.size_px), min(photo.size_px)
    return LensKey(photo.make, photo.model, round(photo.focal_prior_px), long_side, short_side)


def profile_after(
    photo: Photo, measurement: Measurement, before: LensProfile | None = None
) -> LensProfile | None:
    """Return what is known of a photograph's lens once it is measured.

    Parameters
    ----------
    photo, measurement
        A photograph and what it gave; of several solved together, any one of them.
    before
        The profile that went into the measurement.

    Returns
    -------
    The new profile; None if the phone is not known, nothing was measured, or the lens came out
    quite unlike what was known of it.
    """
    key = lens_key(photo)
    lens = measurement.lens
    if lens is None or not key.known or measurement.refused is not None:
        return None
    if any(note.code == "lens_unusual" for note in measurement.warnings):
        return None
    return LensProfile(
        key,
        np.array([lens.focal_px, lens.k1, lens.k2]),
        np.array(lens.covariance),
        lens.photographs + (0 if before is None else before.photographs),
    )


def _view(name: str) -> View:
    try:
        return VIEWS[name]
    except KeyError:
        raise BadInput(
            "unknown_view",
            f"There is no view called {name!r}.",
            f"Choose one of: {', '.join(VIEWS)}.",
        ) from None


def _checked_hints(hints: Hints, view: View, photo: Photo) -> dict[str, NDArray[np.float64]]:
    width, height = photo.size_px
    checked = {}
    for name, points in hints.items():
        if name not in view.edges:
            raise BadInput(
                "unknown_edge",
                f"The view {view.name} has no edge called {name!r}.",
                f"Its edges are: {', '.join(view.edges)}.",
            )
        try:
            array = np.array(points, dtype=np.float64)
        except (TypeError, ValueError):
            array = np.empty(0)
        if (
            array.ndim != 2
            or array.shape[1] != 2
            or len(array) < 2
            or not np.isfinite(array).all()
        ):
            raise BadInput(
                "bad_hint",
                f"The hint for {name} is not two points of two numbers.",
                'Write it as {"limb_left": [[x, y], [x, y]]}, in pixels.',
            )
        if np.any(array < -0.5) or np.any(array > [width - 0.5, height - 0.5]):
            raise BadInput(
                "hint_outside",
                f"The hint for {name} lies outside the {width} × {height} px photograph.",
                "Give pixels of the upright photograph.",
            )
        if np.max(np.linalg.norm(array - array[0], axis=1)) < 2:
            raise BadInput(
                "bad_hint",
                f"The points of the hint for {name} lie on one spot.",
                "Put them some way apart along the edge.",
            )
        checked[name] = array
    return checked


def _find(photo: Photo, view: View, setup: Setup) -> _Seen:
    wanted = [CARDS[name] for name in (*view.cards, *view.optional_cards)]
    # An optional card is searched for as long, unless what it tells was measured beforehand.
    known = setup.face_step_mm is not None
    needed = view.cards if known else tuple(card.name for card in wanted)
    everything = find_cards(photo.grey, needed=needed)
    cards = [c for c in everything if c.card in wanted]
    missing = [name for name in view.cards if name not in {c.card.name for c in cards}]
    if missing:
        others = [c.card.name for c in everything if c.card not in wanted]
        if others:
            raise Refused(
                "wrong_card",
                f"Missing in the picture: {'cards' if len(missing) > 1 else 'card'} "
                f"{' and '.join(missing)}. Found instead: "
                f"{'cards' if len(others) > 1 else 'card'} {' and '.join(others)}.",
                "Put the cards as the guide shows and retake; or, if it is another kind of "
                "photograph, say so.",
            )
        explain_missing_card(photo.grey)
        raise Refused(
            "no_card",
            f"Cards {' and '.join(missing)} were not found in the photograph."
            if len(missing) > 1
            else f"Card {missing[0]} was not found in the photograph.",
            STAND_IT if STANDING.issuperset(missing) else LAY_IT,
        )
    return _Seen(photo, cards, _another_view(view, everything))


def _another_view(view: View, found: list[CardCorners]) -> tuple[Note, ...]:
    """Warn where the picture shows all cards of another view that needs these and more."""
    names = {c.card.name for c in found}
    for other in VIEWS.values():
        all_of_it = {*other.cards, *other.optional_cards}
        if {*view.cards, *view.optional_cards} < all_of_it <= names:
            beside = sorted(all_of_it - {*view.cards, *view.optional_cards})
            return (
                Note(
                    "another_view",
                    f"Cards {' and '.join(beside)} are in the picture, too, as in a photograph of "
                    "another kind."
                    if len(beside) > 1
                    else f"Card {beside[0]} is in the picture, too, as in a photograph of another "
                    "kind.",
                    "If it shows something else, say so; else leave what is not needed out of the "
                    "picture.",
                ),
            )
    return ()


def _by_phone(seen: Mapping[int, _Seen]) -> list[list[int]]:
    """Group photographs that one lens can have taken: same phone, focal length and size."""
    groups: dict[object, list[int]] = {}
    for i, one in seen.items():
        # An upright and a turned photograph share a lens but not a principal point.
        groups.setdefault((lens_key(one.photo), one.photo.size_px), []).append(i)
    return list(groups.values())


def _solve(
    group: list[_Seen], setup: Setup, profiles: Mapping[LensKey, LensProfile]
) -> tuple[Adjustment, list[CardEdges]]:
    """One lens for a group of photographs, a pose for each card in each."""
    photo = group[0].photo
    prior = lens_prior(
        photo.size_px,
        photo.focal_prior_px,
        photo.focal_prior_relative_sd,
        profiles.get(lens_key(photo)),
    )
    cards = [(one.photo.grey, corners) for one in group for corners in one.cards]
    solution = adjust(
        [
            Observations.of_corners(
                printed_points(c.corners_mm[:, :2], setup.print_scale), c.corners_px
            )
            for _, c in cards
        ],
        prior,
    )
    edges: list[CardEdges] = []
    blurs = [TYPICAL_BLUR_PX] * len(cards)
    for _ in range(EDGE_ROUNDS):
        edges = [
            measure_card_edges(
                grey, c.card, solution.lens, solution.pose(i), setup.print_scale, blurs[i]
            )
            for i, (grey, c) in enumerate(cards)
        ]
        for edge, (grey, c) in zip(edges, cards, strict=True):
            if len(edge.observations.points_mm) < FEWEST_OBSERVATIONS:
                refuse_unread_card(grey, c)
        blurs = [e.blur_px if e.blur_px > 0 else TYPICAL_BLUR_PX for e in edges]
        solution = adjust([e.observations for e in edges], prior, solution)
    observations = [e.observations for e in edges]
    if max(bend_signs(observations, solution)) > BENT_FROM_SIGMAS:
        # Far from straight sides are outliers to a flat card; a bent one explains them.
        solution = adjust(observations, prior, solution, may_bend=True)
    return solution, edges


def _look(
    seen: _Seen,
    view: View,
    setup: Setup,
    hints: dict[str, NDArray[np.float64]],
    as_given: frozenset[str],
    solution: Adjustment,
    places: dict[str, int],
    edges: list[CardEdges],
) -> Measurement:
    photo = seen.photo
    found = [_card_seen(c, solution, places[c.card.name]) for c in seen.cards]
    lens = LensFound(
        float(solution.lens.focal_px),
        float(solution.lens.k1),
        float(solution.lens.k2),
        tuple(tuple(float(v) for v in row) for row in solution.covariance[:3, :3]),
    )
    base = Measurement(
        photo=photo.name,
        view=view.name,
        cards=tuple(found),
        lens=lens,
        size_px=photo.size_px,
        inputs=setup.to_json(),
    )
    warnings = list(seen.doubts)
    try:
        warnings += photo_warnings(seen.cards, edges, solution, places)
        rng = np.random.default_rng(SEED)
        blur = {c.card.name: e.blur_px for c, e in zip(seen.cards, edges, strict=True)}
        white = min(1.0, max(e.white for e in edges))
        scene = Scene(photo.picture, solution, places, blur, white, setup, hints, as_given)
        result = view.look(scene, rng)
    except Refused as refusal:
        return replace(base, warnings=tuple(warnings), refused=_note(refusal))
    distributions = propagate(result.model, result.best, result.sources)
    characteristics = tuple(
        Characteristic(
            name,
            distributions[name].value,
            unit,
            distributions[name].standard_uncertainty,
            distributions[name].interval95,
            distributions[name].budget,
        )
        for name, unit in view.units.items()
        if name in distributions
    )
    measured = tuple(
        Edge(
            name,
            (
                (float(e.end_pixels[0, 0]), float(e.end_pixels[0, 1])),
                (float(e.end_pixels[1, 0]), float(e.end_pixels[1, 1])),
            ),
            e.scatter_mm,
            "given" if name in as_given else "hint" if name in result.hinted else "search",
        )
        for name, e in result.edges.items()
    )
    return replace(
        base,
        edges=measured,
        characteristics=characteristics,
        warnings=tuple(warnings + result.warnings),
        observed=dict(result.observed),
    )


def _card_seen(found: CardCorners, solution: Adjustment, place: int) -> CardSeen:
    length, height = found.card.board_mm
    board = np.array([[0.0, 0.0], [length, 0.0], [length, height], [0.0, height]])
    outline = Surface(solution.lens, solution.pose(place), 0.0).to_pixels(board)
    return CardSeen(
        found.card.name,
        len(found.corners_px),
        solution.residual_px[place],
        tuple((float(x), float(y)) for x, y in outline),
    )


def _refused(photo: Photo, view: View, setup: Setup, refusal: Refused) -> Measurement:
    return Measurement(
        photo=photo.name,
        view=view.name,
        size_px=photo.size_px,
        inputs=setup.to_json(),
        refused=_note(refusal),
    )


def _note(refusal: Refused) -> Note:
    return Note(refusal.code, refusal.message, refusal.advice)
