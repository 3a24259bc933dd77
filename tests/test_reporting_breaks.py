"""Where long words may break in a column."""

from __future__ import annotations

import pytest

from fitcheck.reporting.line_breaks import ZERO_WIDTH_SPACE, broken, width_em


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize(
    "word", ["W" * 40, "i" * 200, "received-upper_joint.right/" * 5, "e\u0301" * 90, "漢" * 30]
)
def test_every_piece_fits_and_nothing_is_lost(word, bold):
    text = broken(word, 80, 8, "en", bold=bold)
    assert text.replace(ZERO_WIDTH_SPACE, "") == word
    pieces = text.split(ZERO_WIDTH_SPACE)
    assert len(pieces) > 1
    assert all(width_em(piece, bold) * 8 <= 80 for piece in pieces)
    assert not any(piece.startswith("\u0301") for piece in pieces)


def test_words_that_fit_and_words_of_our_own_texts_stay_whole():
    assert broken("seat one.jpg", 80, 8, "en") == "seat one.jpg"
    own = "Auflagenrechtwinkligkeit"
    assert broken(own, 400, 8, "de") == own
    assert broken("Messunsicherheiten", 20, 8, "en") != "Messunsicherheiten"
    assert ZERO_WIDTH_SPACE not in broken("Überstand", 20, 8, "de")


def test_a_break_after_a_sign_is_preferred():
    room = width_em("received-upper-jo", False) * 8 * 1.03
    pieces = broken("received-upper-joint", room, 8, "en").split(ZERO_WIDTH_SPACE)
    assert pieces == ["received-upper-", "joint"]
