"""Finding the cards in a photograph.

Markers are found once, on a reduced picture, for all cards together. Each card's chequer
corners are then predicted from its markers and refined at full resolution with
``cv2.cornerSubPix``, in a window that ends before the markers beside a corner, because a
window that reaches into them biases the corner.

These corners start the solution and are what the report counts. The final accuracy comes
from the chequer's edges, see :mod:`fitcheck.card_edges`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck.cards import CARDS, DICTIONARY, Card

MARKER_SEARCH_SIDE_PX = 2016  # longest side of the reduced picture, about: half a 12 MP photo
# Side of the window of OpenCV's adaptive threshold: nearly every good photograph needs only this
# one of the three, and each costs as much as decoding the picture.
THRESHOLD_WINDOW_PX = 13
# OpenCV's default of 0.03 misses the far card in a 12-megapixel photo.
SMALLEST_MARKER_PERIMETER = 0.01
LARGEST_SEARCH_SIDE_PX = 6000
SHARPENED_PX, SHARPENING = 1.5, 3.0  # radius and strength of the unsharp mask
TIMES_READ = 3
CARD_MARKER_PX = 40.0  # side of a marker in the picture of one card: six pixels a cell
FEWEST_MARKERS = 4
HALF_SEEN = 0.8  # of a card's markers; with fewer read, more are looked for on that card
# With fewer than this share the photograph is poor: another card may not have been seen at all.
WELL_READ = 0.4
LEAST_AGREEING = 0.8  # of the markers found; a bent or half-hidden card keeps nearly all
# A marker corner this far from its card's plane is another object: in pixels of the picture, and
# at least of the reduced one in which most markers are found, to a part of its pixels.
OUTLIER_PX, OUTLIER_REDUCED_PX = 4.0, 2.0


@dataclass(frozen=True, eq=False)
class CardCorners:
    """The chequer corners of one card in one photograph.

    Attributes
    ----------
    card
        The card.
    markers
        How many of its markers were read.
    corners_mm
        Corners in the card frame, shape (n, 3).
    corners_px
        The same corners in the picture, shape (n, 2).
    cut_off
        True if part of the card lies outside the picture.
    """

    card: Card
    markers: int
    corners_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    cut_off: bool


def find_cards(
    grey: NDArray[np.uint8],
    cards: Iterable[Card] = CARDS.values(),
    needed: Collection[str] = (),
) -> list[CardCorners]:
    """Find all cards of which at least four markers can be read.

    Parameters
    ----------
    grey
        Picture, shape (height, width), dtype uint8.
    cards
        The cards to look for; all four by default.
    needed
        Names of cards that should be there: the search goes on while one of them is missing,
        or a card shows few of its markers.

    Returns
    -------
    One entry per card found, in the order of ``cards``. A card that is not there is
    simply missing: whether that matters is the view's business.
    """
    placed: dict[str, CardCorners] = {}
    for markers_px in _looks_for_markers(grey):
        for card in cards:
            known = placed[card.name].markers if card.name in placed else FEWEST_MARKERS - 1
            if _markers_of(card, markers_px) > known:
                corners = _corners_of(card, markers_px, grey)
                if corners is not None:
                    placed[card.name] = corners
        well_read = all(c.markers >= WELL_READ * len(c.card.marker_ids) for c in placed.values())
        if placed and placed.keys() >= set(needed) and well_read:
            break
    return [placed[card.name] for card in cards if card.name in placed]


def card_shows(grey: NDArray[np.uint8]) -> bool:
    """Tell whether some card's markers can be read, by one quick look at a reduced picture.

    Parameters
    ----------
    grey
        Picture, shape (height, width), dtype uint8.
    """
    tried, scale, one_threshold = next(_pictures_to_search(grey))
    read = _detect_markers(tried, _smallest_px(grey) * scale, one_threshold)
    return any(_markers_of(card, read) >= FEWEST_MARKERS for card in CARDS.values())


def _looks_for_markers(
    grey: NDArray[np.uint8],
) -> Iterator[dict[int, NDArray[np.float64]]]:
    """What more and more costly looks find: marker id to its four corners, px, shape (4, 2).

    A reduced picture with a single threshold is enough for a good photograph. Of a card that
    shows only some of its markers the others are read in pictures of that card alone. After that
    the whole picture is searched with all of OpenCV's thresholds, the full one too; then a
    sharpened and enlarged one, for cards that are small or soft; an enlarged and smoothed one, for
    cards that are small and noisy; then one with its white areas shrunk, because over-exposed
    white swells and closes the markers' cells.
    """
    found: dict[int, NDArray[np.float64]] = {}
    read_with: dict[str, int] = {}  # card to how many markers it showed when it was read last
    for tried, scale, one_threshold in _pictures_to_search(grey):
        read = _detect_markers(tried, _smallest_px(grey) * scale, one_threshold)
        for i, quad in read.items():
            # Pixel centres are at whole numbers in both pictures, hence the half pixels.
            found.setdefault(i, (quad + 0.5) / scale - 0.5)
        for card in CARDS.values():
            if _markers_of(card, found) > read_with.get(card.name, 0):
                _read_the_rest(grey, card, found)
                read_with[card.name] = _markers_of(card, found)
        yield found


def _pictures_to_search(
    grey: NDArray[np.uint8],
) -> Iterator[tuple[NDArray[np.uint8], float, bool]]:
    """Forms of the picture, how much each is enlarged, and whether one threshold is enough."""
    scale = 1 / _reduction(grey)
    reduced = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.asarray(reduced, dtype=np.uint8)
    yield small, scale, True
    yield small, scale, False
    if scale < 1:
        yield grey, 1.0, False
    for tried, enlarged in _other_pictures(grey):
        yield tried, enlarged, False


def _smallest_px(grey: NDArray[np.uint8]) -> float:
    return SMALLEST_MARKER_PERIMETER * int(max(grey.shape))


def _markers_of(card: Card, found: dict[int, NDArray[np.float64]]) -> int:
    return sum(i in found for i in card.marker_ids)


def _read_the_rest(
    grey: NDArray[np.uint8], card: Card, found: dict[int, NDArray[np.float64]]
) -> None:
    """Read a half-seen card's other markers in a small picture of that card, seen square on.

    The markers found tell where the card lies, the better the more of them there are; so this
    goes on while it finds any, up to a few times.
    """
    enough = HALF_SEEN * len(card.marker_ids)
    before = 0
    for _ in range(TIMES_READ):
        if not before < (count := _markers_of(card, found)) < enough:
            return
        before = count
        square_on = _square_on(grey, card, found)
        if square_on is None:
            return
        upright2px, upright = square_on
        for tried, one_threshold in (
            (upright, True),
            (upright, False),
            *((other, False) for other, _ in _other_pictures(upright, (1.0,))),
        ):
            read = _detect_markers(tried, CARD_MARKER_PX, one_threshold)
            for i in set(read).intersection(card.marker_ids).difference(found):
                found[i] = _apply(upright2px, read[i])
            if _markers_of(card, found) >= enough:
                return


def _square_on(
    grey: NDArray[np.uint8], card: Card, found: dict[int, NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.uint8]] | None:
    """What takes the pixels of a picture of one card, as its markers place it, back; and it.

    None where they lie on one line.
    """
    object_mm, image_px = _corners_of_markers(card, found)
    px_per_mm = CARD_MARKER_PX / card.marker_mm
    upright_px = (object_mm + card.square_mm) * px_per_mm  # a square of room on all sides
    size = [round((side + 2 * card.square_mm) * px_per_mm) for side in card.board_mm]
    upright2px, _ = cv2.findHomography(upright_px, image_px)
    if upright2px is None:
        return None
    upright = cv2.warpPerspective(
        grey,
        upright2px,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(upright2px, dtype=np.float64), np.asarray(upright, dtype=np.uint8)


def _corners_of_markers(
    card: Card, found: dict[int, NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of a card's markers that were found, one under the other, (n, 2): mm, and px."""
    mine = [i for i in card.marker_ids if i in found]
    object_mm = np.vstack([card.marker_corners_mm[i][:, :2] for i in mine])
    return object_mm, np.vstack([found[i] for i in mine])


def _reduction(grey: NDArray[np.uint8]) -> int:
    """How many pixels of a picture become one of the reduced picture, along either side.

    A whole number is averaged many times as fast as any other share.
    """
    return max(1, round(int(max(grey.shape)) / MARKER_SEARCH_SIDE_PX))


def _other_pictures(
    grey: NDArray[np.uint8], scales: tuple[float, ...] = (1.0, 2.0)
) -> Iterator[tuple[NDArray[np.uint8], float]]:
    """The picture in forms in which more markers may be read, and how much each is enlarged."""
    for enlarged in scales:
        if enlarged * max(grey.shape) <= LARGEST_SEARCH_SIDE_PX:
            large = cv2.resize(grey, None, fx=enlarged, fy=enlarged, interpolation=cv2.INTER_CUBIC)
            soft = cv2.GaussianBlur(large, (0, 0), SHARPENED_PX * enlarged)
            sharp = cv2.addWeighted(large, 1 + SHARPENING, soft, -SHARPENING, 0)
            yield np.asarray(sharp, dtype=np.uint8), enlarged
            if enlarged > 1:
                yield np.asarray(soft, dtype=np.uint8), enlarged
    for swell_px in (1, 2):
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * swell_px + 1, 2 * swell_px + 1))
        yield np.asarray(cv2.erode(grey, disc), dtype=np.uint8), 1.0


def _detect_markers(
    grey: NDArray[np.uint8], smallest_px: float, one_threshold: bool = False
) -> dict[int, NDArray[np.float64]]:
    parameters = cv2.aruco.DetectorParameters()
    if one_threshold:
        parameters.adaptiveThreshWinSizeMin = THRESHOLD_WINDOW_PX
        parameters.adaptiveThreshWinSizeMax = THRESHOLD_WINDOW_PX
    parameters.minMarkerPerimeterRate = smallest_px / max(grey.shape)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)
    quads, ids, _ = detector.detectMarkers(grey)
    if ids is None:
        return {}
    pairs = zip(np.ravel(ids), quads, strict=True)
    return {int(i): quad.reshape(4, 2).astype(np.float64) for i, quad in pairs}


def _corners_of(
    card: Card, found: dict[int, NDArray[np.float64]], grey: NDArray[np.uint8]
) -> CardCorners | None:
    object_mm, image_px = _corners_of_markers(card, found)
    outlier_px = max(OUTLIER_PX, OUTLIER_REDUCED_PX * _reduction(grey))
    homography, kept = cv2.findHomography(object_mm, image_px, cv2.RANSAC, outlier_px)
    if homography is None or np.count_nonzero(kept) < 4 * FEWEST_MARKERS:
        return None
    card2px = np.asarray(homography, dtype=np.float64)
    # On another board the same markers lie a square or more away from here.
    away_px = np.linalg.norm(_apply(card2px, object_mm) - image_px, axis=1)
    side_px = np.median(np.linalg.norm(image_px[::4] - image_px[1::4], axis=1))
    if np.mean(away_px < 0.3 * side_px) < LEAST_AGREEING:
        return None

    predicted = _apply(card2px, card.corners_mm[:, :2])
    px_per_mm = min(
        np.min(np.linalg.norm(_apply(card2px, card.corners_mm[:, :2] + step) - predicted, axis=1))
        for step in ([1.0, 0.0], [0.0, 1.0])
    )
    clear_px = (card.square_mm - card.marker_mm) / 2 * px_per_mm
    window = int(np.clip(0.8 * clear_px - 0.5, 2, max(12, 6 * _reduction(grey))))

    height, width = grey.shape
    room = window + 3
    inside = np.all((predicted >= room) & (predicted < [width - room, height - room]), axis=1)
    if np.count_nonzero(inside) < FEWEST_MARKERS or not np.ptp(card.corners_mm[inside], 0)[1]:
        return None  # a single row of corners says nothing of the card's tilt
    refined = cv2.cornerSubPix(
        grey,
        predicted[inside, None].astype(np.float32),
        (window, window),
        (-1, -1),
        (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3),
    ).reshape(-1, 2)

    length, depth = card.board_mm
    outline = _apply(card2px, np.array([[0, 0], [length, 0], [length, depth], [0, depth]]))
    cut_off = not np.all((outline >= 0) & (outline < [width, height]))
    return CardCorners(
        card,
        _markers_of(card, found),
        card.corners_mm[inside],
        refined.astype(np.float64),
        bool(cut_off),
    )


def _apply(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    moved = cv2.perspectiveTransform(points[None].astype(np.float64), homography)
    return np.asarray(moved[0], dtype=np.float64)
