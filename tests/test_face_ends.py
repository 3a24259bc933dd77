"""Lines weighed by whether the face's own colour ends there."""

import numpy as np
import pytest

from fitcheck.face_ends import LEAST_OF_CHANGE, LEAST_OF_FACE, UNSEEN, Candidate, weighed_by_colour
from fitcheck.strips import Line

ALONG_MM = np.arange(0.0, 50.0, 2.0)
OUTWARD_MM = np.arange(11.0, 45.0, 0.08)
FACE, OTHER = np.log([0.20, 0.15, 0.10]), np.log([0.05, 0.08, 0.12])


def strip(edge_mm, inside=FACE, outside=OTHER, slope=0.0):
    """Log light of a face that ends at a line, (blocks, samples, 3)."""
    edge = edge_mm + slope * (ALONG_MM - ALONG_MM.mean())
    is_face = OUTWARD_MM[None, :] < edge[:, None]
    return np.where(is_face[..., None], inside, outside)


def weight_at(place_mm, light, slope=0.0, weight=1.0):
    line = Line(place_mm, slope, float(ALONG_MM.mean()))
    (found,) = weighed_by_colour([Candidate(line, 0.5, weight)], light, OUTWARD_MM, ALONG_MM)
    assert found.line is line
    assert found.change == 0.5
    return found.weight


@pytest.mark.parametrize("slope", [-0.05, 0.0, 0.05])
def test_the_line_where_the_face_ends_keeps_its_weight(slope):
    light = strip(22.0, slope=slope)
    assert weight_at(22.0, light, slope) == pytest.approx(1.0, abs=1e-6)
    assert weight_at(22.0, light, slope, weight=0.3) == pytest.approx(0.3, abs=1e-6)


def test_a_line_beyond_the_face_loses_it():
    light = strip(22.0)
    light[:, OUTWARD_MM > 25.0] = np.log(0.5)  # something light behind
    assert weight_at(25.0, light) == pytest.approx(LEAST_OF_FACE, abs=0.01)


def test_a_line_on_the_face_loses_it():
    light = strip(22.0)
    light[:, np.abs(OUTWARD_MM - 18.0) < 0.1] += 0.7  # a scratch
    assert weight_at(18.0, light) == pytest.approx(LEAST_OF_CHANGE, abs=0.01)


def test_a_shadow_that_lies_over_the_face_counts_less_than_another_colour():
    shaded, coloured = strip(22.0), strip(22.0)
    shaded[:, OUTWARD_MM > 19.0] -= 0.25
    coloured[:, OUTWARD_MM > 19.0] += [0.25, 0.0, -0.25]
    assert weight_at(22.0, shaded) > 0.55 > 0.2 > weight_at(22.0, coloured)


def test_light_that_falls_off_over_the_face_does_not_count():
    light = strip(24.0) + (0.04 * (OUTWARD_MM - 11.0))[:, None]
    assert weight_at(24.0, light) > 0.7


def test_where_the_face_cannot_be_seen_half_is_kept():
    light = strip(22.0)
    light[:, OUTWARD_MM < 21.8] = np.nan  # a card lies there
    assert weight_at(22.0, light, weight=0.8) == pytest.approx(0.8 * UNSEEN)


def test_half_hidden_blocks_are_left_out():
    light = strip(22.0)
    light[::2, OUTWARD_MM < 19.0] = np.nan
    light[1::2] += 1.0  # the lit half of the stretch
    assert weight_at(22.0, light) > 0.05
    assert np.isfinite(weight_at(22.0, light))


def test_faint_lines_are_left_as_they_are():
    light = strip(22.0)
    lines = [Candidate(Line(mm, 0.0, 24.0), c) for mm, c in ((22.0, 0.5), (30.0, 0.04))]
    assert weighed_by_colour(lines, light, OUTWARD_MM, ALONG_MM)[1] is lines[1]
    assert weighed_by_colour([], light, OUTWARD_MM, ALONG_MM) == []
