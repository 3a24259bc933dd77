"""The reference cards, and the sheet they are printed from, are what they claim to be."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pypdfium2 as pdfium
import pytest
from numpy.typing import NDArray
from PIL import Image

from fitcheck.card_sheet import BAR_MM, black_outlines, sheet_pdf, write_cards
from fitcheck.cards import CARDS, DICTIONARY, MARGIN_MM, Card
from fitcheck.errors import BadInput

# squares along and down, square and marker (mm), first and last marker id, outside (mm)
TABLE = {
    "A": (15, 3, 8.0, 6.0, 0, 21, (124.0, 28.0)),
    "B": (15, 3, 8.0, 6.0, 22, 43, (124.0, 28.0)),
    "C": (10, 3, 12.0, 9.0, 44, 58, (124.0, 40.0)),
    "D": (10, 3, 12.0, 9.0, 59, 73, (124.0, 40.0)),
}
# A4 from ISO 216; US Letter from ANSI/ASME Y14.1, size A (8.5 in by 11 in); mm
PAPER_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
DPI = 600
CLEAR_MM = 0.35  # white that must stay between squares and any mark in the margin


@dataclass
class Page:
    """A sheet as it would be printed: grey image, and pixels per millimetre in x and y."""

    paper: str
    pdf: bytes
    grey: NDArray[np.uint8]
    px_per_mm: NDArray[np.float64]
    size_mm: tuple[float, float]

    def to_mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        return (points_px + 0.5) / self.px_per_mm  # pixel centres are at whole numbers

    def cut(self, x: float, y: float, width: float, height: float) -> NDArray[np.uint8]:
        """The rectangle of the page with its upper left corner at (x, y), all in mm."""
        left, top = np.round(np.array([x, y]) * self.px_per_mm).astype(int)
        right, bottom = np.round(np.array([x + width, y + height]) * self.px_per_mm).astype(int)
        return self.grey[top:bottom, left:right]


@pytest.fixture(scope="module", params=["a4", "letter"])
def page(request: pytest.FixtureRequest) -> Page:
    pdf = sheet_pdf(request.param)
    document = pdfium.PdfDocument(pdf)
    assert len(document) == 1
    sheet = document[0]
    size_mm = tuple(v / 72 * 25.4 for v in sheet.get_size())
    grey = np.squeeze(sheet.render(scale=DPI / 72, grayscale=True).to_numpy()).copy()
    document.close()
    # The page is stretched to whole pixels: x and y each have their own exact scale.
    return Page(request.param, pdf, grey, np.array(grey.shape[::-1]) / size_mm, size_mm)


@pytest.fixture(scope="module")
def markers(page: Page) -> dict[int, NDArray[np.float64]]:
    """Marker id to its four corners on the page, mm."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY))
    found, ids, _ = detector.detectMarkers(page.grey)
    assert ids is not None
    pairs = zip(ids.ravel(), found, strict=True)
    return {int(i): page.to_mm(c.reshape(4, 2).astype(float)) for i, c in pairs}


def placed(card: Card, markers: dict[int, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Affine transform, shape (2, 3), from a card's frame to the page, both in mm."""
    there = np.vstack([markers[i] for i in card.marker_ids])
    here = np.vstack([card.marker_corners_mm[i][:, :2] for i in card.marker_ids])
    with_one = np.column_stack([here, np.ones(len(here))])
    return np.linalg.lstsq(with_one, there, rcond=None)[0].T


def origin(card: Card, markers: dict[int, NDArray[np.float64]]) -> tuple[float, float]:
    """Where the card's outside corner, margin included, lies on the page, mm."""
    x, y = placed(card, markers)[:, 2] - MARGIN_MM
    return float(x), float(y)


@pytest.mark.parametrize("name", TABLE)
def test_card_has_the_dimensions_of_the_table(name: str) -> None:
    along, down, square, marker, first, last, outside = TABLE[name]
    card = CARDS[name]
    assert (card.squares_x, card.squares_y) == (along, down)
    assert (card.square_mm, card.marker_mm) == (square, marker)
    assert (card.marker_ids[0], card.marker_ids[-1]) == (first, last)
    assert card.outside_mm == outside
    assert card.stands == (name in "CD")
    assert not card.board.getLegacyPattern()
    assert tuple(card.board.getIds().ravel()) == tuple(card.marker_ids)


def test_no_marker_is_on_two_cards() -> None:
    ids = [i for card in CARDS.values() for i in card.marker_ids]
    assert sorted(ids) == list(range(74))


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_corners_run_row_by_row_from_the_first_square(card: Card) -> None:
    s = card.square_mm
    expected = [
        (column * s, row * s, 0.0)
        for row in range(1, card.squares_y)
        for column in range(1, card.squares_x)
    ]
    np.testing.assert_allclose(card.corners_mm, expected, atol=1e-5)


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_markers_sit_in_the_middle_of_their_squares(card: Card) -> None:
    gap = (card.square_mm - card.marker_mm) / 2
    for corners in card.marker_corners_mm.values():
        upper_left = corners[0, :2] - gap
        np.testing.assert_allclose(upper_left % card.square_mm, 0, atol=1e-5)
        np.testing.assert_allclose(corners[2] - corners[0], (card.marker_mm, card.marker_mm, 0))


def test_a_picture_needs_a_pixel_per_millimetre() -> None:
    with pytest.raises(ValueError, match="px_per_mm must be at least 1, got 0"):
        CARDS["A"].picture(0)


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_outlines_hold_exactly_the_black_modules(card: Card) -> None:
    area = 0.0
    for loop in black_outlines(card):
        x, y = np.array(loop).T
        # Shoelace: an outline counts up, the outline of a white island counts down.
        area += float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    black = sum(
        int((cv2.aruco.generateImageMarker(dictionary, i, 7) == 0).sum()) for i in card.marker_ids
    )
    squares = card.squares_x * card.squares_y - len(card.marker_ids)
    expected = black * (card.marker_mm / 7) ** 2 + squares * card.square_mm**2
    assert area == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_write_cards_writes_the_sheet_and_four_pictures(tmp_path, paper: str) -> None:
    out = tmp_path / "new" / "folder"
    written = write_cards(out, paper)
    assert [p.name for p in written] == [
        f"card-sheet-{paper}.pdf",
        *(f"card-{name}.png" for name in "ABCD"),
    ]
    assert sorted(out.iterdir()) == sorted(written)
    assert written[0].read_bytes() == sheet_pdf(paper)
    assert write_cards(out, paper) == written  # replaces an older sheet


def test_pictures_are_found_and_true_to_size(tmp_path) -> None:
    for path, card in zip(write_cards(tmp_path)[1:], CARDS.values(), strict=True):
        with Image.open(path) as picture:
            assert picture.info["dpi"] == pytest.approx((508, 508), abs=0.01)
            grey = np.asarray(picture.convert("L"))
        length, height = card.outside_mm
        assert grey.shape == (height * 20, length * 20)
        corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(card.board).detectBoard(grey)
        assert sorted(marker_ids.ravel()) == list(card.marker_ids)
        assert list(ids.ravel()) == list(range(len(card.corners_mm)))
        found_mm = (corners.reshape(-1, 2) + 0.5) / 20 - MARGIN_MM
        np.testing.assert_allclose(found_mm, card.corners_mm[:, :2], atol=0.01)


def test_paper_that_is_not_known() -> None:
    with pytest.raises(BadInput, match="a4 or letter") as caught:
        sheet_pdf("a5")
    assert caught.value.code == "unknown_paper"
    assert "a5" in caught.value.message


def test_unknown_paper_writes_nothing(tmp_path) -> None:
    with pytest.raises(BadInput):
        write_cards(tmp_path / "out", "foolscap")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("below", ["", "folder"])
def test_output_folder_that_cannot_be_written(tmp_path, below: str) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(BadInput, match="cannot be written") as caught:
        write_cards(tmp_path / "taken" / below)
    assert caught.value.code == "folder_not_writable"
    assert "taken" in caught.value.message
    assert "Choose a folder" in caught.value.advice


def test_page_has_the_paper_s_size(page: Page) -> None:
    assert page.size_mm == pytest.approx(PAPER_MM[page.paper], abs=0.01)


def test_sheet_is_a_tagged_vector_pdf_and_repeatable(page: Page) -> None:
    document = pdfium.PdfDocument(page.pdf)
    assert document.get_metadata_value("Title").startswith("fitcheck reference cards")
    assert pdfium.raw.FPDFCatalog_IsTagged(document)
    images = [o for o in document[0].get_objects() if o.type == pdfium.raw.FPDF_PAGEOBJ_IMAGE]
    assert images == []
    text = document[0].get_textpage().get_text_bounded()
    document.close()
    assert "fitcheck reference cards, sheet version 1" in text
    assert "actual size" in text
    assert "fold back" in text
    assert sheet_pdf(page.paper) == page.pdf


def test_nothing_is_printed_within_8_mm_of_the_edge(page: Page) -> None:
    ink = np.argwhere(page.grey < 250)
    (top, left), (bottom, right) = ink.min(axis=0), ink.max(axis=0) + 1
    height, width = page.grey.shape
    x, y = page.px_per_mm
    assert min(left / x, (width - right) / x, top / y, (height - bottom) / y) >= 8


@pytest.mark.parametrize("direction", ["along", "across"])
def test_check_bars_are_100_mm(page: Page, direction: str) -> None:
    assert BAR_MM == 100
    if direction == "along":
        grey, (along, across) = page.grey, page.px_per_mm
    else:
        grey, (across, along) = page.grey.T, page.px_per_mm
    # Only a check bar is an unbroken dark line of between 98 and 102 mm.
    dark = (grey < 70).astype(np.uint8)
    lines = cv2.morphologyEx(dark, cv2.MORPH_OPEN, np.ones((1, int(98 * along)), np.uint8))
    rows, columns = np.nonzero(lines)
    assert np.ptp(columns) < 102 * along
    assert np.ptp(rows) < 0.3 * across
    # End lines: their middles, from a stretch of each well off the bar itself.
    above, near = int(rows.min() - 1.5 * across), int(0.6 * along)
    ends = []
    for end in (columns.min(), columns.max()):
        window = 255.0 - grey[above - 10 : above, end - near : end + near]
        ends.append(end - near + np.average(np.arange(2 * near), weights=window.sum(axis=0)))
    assert (ends[1] - ends[0]) / along == pytest.approx(BAR_MM, abs=0.05)


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_every_corner_lies_on_a_true_scale_grid(
    page: Page, markers: dict[int, NDArray[np.float64]], card: Card
) -> None:
    assert set(card.marker_ids) <= set(markers)
    near = card.corners_mm[:, :2] @ placed(card, markers)[:, :2].T + placed(card, markers)[:, 2]
    start = (near * page.px_per_mm - 0.5).astype(np.float32).reshape(-1, 1, 2)
    half = int(0.6 * page.px_per_mm[0])  # clear of the markers beside a corner
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    refined = cv2.cornerSubPix(page.grey, start.copy(), (half, half), (-1, -1), stop)
    found_mm = page.to_mm(refined.reshape(-1, 2).astype(float))

    # Rigid fit: rotation and shift only, mirroring allowed so that it would be noticed.
    true, seen = card.corners_mm[:, :2], found_mm
    true, seen = true - true.mean(axis=0), seen - seen.mean(axis=0)
    u, spread, vt = np.linalg.svd(seen.T @ true)
    turn = u @ vt
    assert np.linalg.det(turn) == pytest.approx(1)  # not mirrored
    np.testing.assert_allclose(turn, np.eye(2), atol=1e-4)  # its length along the page's x
    assert spread.sum() / (true**2).sum() == pytest.approx(1, abs=1e-4)
    # So small that length and height each have the right scale too.
    assert np.abs(seen - true @ turn.T).max() < 0.01


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_printed_card_is_the_picture_without_gaps(
    page: Page, markers: dict[int, NDArray[np.float64]], card: Card
) -> None:
    x, y = origin(card, markers)
    length, height = card.board_mm
    printed = page.cut(x + MARGIN_MM, y + MARGIN_MM, length, height)
    rim = round(MARGIN_MM * 20)
    board = card.picture(20)[rim:-rim, rim:-rim]
    shape = printed.shape[1], printed.shape[0]
    expected = cv2.resize(board, shape, interpolation=cv2.INTER_NEAREST)
    edge = cv2.morphologyEx(expected, cv2.MORPH_GRADIENT, np.ones((7, 7), np.uint8)) > 0
    edge[:2], edge[-2:], edge[:, :2], edge[:, -2:] = True, True, True, True
    wrong = np.abs(printed.astype(int) - expected)
    assert wrong[~edge].max() <= 2  # a hairline between two black modules would show here


@pytest.mark.parametrize("card", CARDS.values(), ids=CARDS)
def test_white_margin_stays_white(
    page: Page, markers: dict[int, NDArray[np.float64]], card: Card
) -> None:
    x, y = origin(card, markers)
    length, height = card.outside_mm
    m, pixel = MARGIN_MM, 0.05
    fold = 0.15 if card.stands else pixel  # the fold line is drawn on the card's lower edge
    # Marks keep to the upper margin over the first three squares and to the middle of
    # a standing card's fold; even there a white strip is left beside the squares.
    strips = {
        "left": (x + pixel, y + pixel, m - 2 * pixel, height - pixel - fold),
        "right": (x + length - m + pixel, y + pixel, m - 2 * pixel, height - pixel - fold),
        "upper": (x + 40, y + pixel, length - 40 - pixel, m - 2 * pixel),
        "over the squares": (x + m, y + m - CLEAR_MM, length - 2 * m, CLEAR_MM - pixel),
        "under the squares": (x + m, y + height - m + pixel, length - 2 * m, CLEAR_MM),
    }
    for half in ("lower left", "lower right"):
        start = x + pixel if half == "lower left" else x + length / 2 + 1
        strips[half] = (start, y + height - m + pixel, length / 2 - 1 - pixel, m - pixel - fold)
    for where, strip in strips.items():
        assert page.cut(*strip).min() > 250, where


@pytest.mark.parametrize("name", ["A", "B"])
def test_arrow_over_the_first_square_points_along_x(
    page: Page, markers: dict[int, NDArray[np.float64]], name: str
) -> None:
    card = CARDS[name]
    x, y = origin(card, markers)
    upper = page.cut(x + 0.1, y + 0.1, 40, MARGIN_MM - CLEAR_MM) < 128
    parts, _, boxes, _ = cv2.connectedComponentsWithStats(upper.astype(np.uint8))
    assert parts > 2  # background, the arrow and letters
    shaft = max(range(1, parts), key=lambda i: boxes[i, cv2.CC_STAT_WIDTH])
    left, top, width, height = boxes[shaft, :4]
    dark = upper[top : top + height, left : left + width].sum(axis=0)
    assert width / page.px_per_mm[0] > 5
    assert dark[-width // 4 :].max() > 2 * dark[: width // 2].max()  # the head is at the right
    assert left / page.px_per_mm[0] < MARGIN_MM + card.square_mm


@pytest.mark.parametrize("name", ["C", "D"])
def test_centre_mark_is_in_the_middle_of_the_fold(
    page: Page, markers: dict[int, NDArray[np.float64]], name: str
) -> None:
    card = CARDS[name]
    x, y = origin(card, markers)
    length, height = card.outside_mm
    mark = page.cut(x + length / 2 - 2, y + height - 1.5, 4, 1.3) < 100
    _, columns = np.nonzero(mark)
    middle = (columns.mean() + 0.5) / page.px_per_mm[0] - 2
    assert middle == pytest.approx(0, abs=0.05)
