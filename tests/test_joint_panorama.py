"""What the seam is looked for in: means of bands, and lines, beside the card."""

import numpy as np
import pytest

from fitcheck.views.joint_panorama import UP_STEP_MM, Panorama, _running
from fitcheck.views.joint_seam import _lines


def panorama(change=None):
    rng = np.random.default_rng(3)
    along = np.arange(-20.0, 144.0, 0.5)
    up = 1.6 + UP_STEP_MM * np.arange(150)
    light = rng.normal(-1.0, 0.3, (len(along), len(up), 3)).astype(np.float32)
    usable = rng.random(light.shape[:2]) > 0.2
    if change is None:
        change = np.ones(usable.shape, np.float32)
    return Panorama(-1.0, along, up, light, usable, change, *_running(light, usable))


def test_a_band_s_mean_is_that_of_its_usable_places():
    beside = panorama()
    line = 6.0 + 0.01 * beside.along_mm
    reaches = np.array([[0.9, 2.4], [-30.0, -0.5], [40.0, 50.0]])
    mean, number = beside.bands(line, reaches)
    for band, (low, high) in enumerate(reaches):
        for row in range(0, len(line), 40):
            first = round((line[row] + low - beside.up_mm[0]) / UP_STEP_MM)
            last = first + round((high - low) / UP_STEP_MM)
            inside = np.arange(max(first, 0), min(last + 1, len(beside.up_mm)))
            there = inside[beside.usable[row, inside]]
            assert number[band, row] == len(there)
            if len(there):
                wanted = beside.light[row, there].mean(axis=0)
                assert mean[band, row] == pytest.approx(wanted, abs=1e-3)


def test_the_clearest_line_is_where_the_light_changes_most():
    offset, slope, middle = 5.6, 0.03, 62.0
    plain = panorama()
    up = offset + slope * (plain.along_mm - middle)
    near = np.abs(plain.up_mm - up[:, None]) < UP_STEP_MM
    beside = panorama(np.where(near, 0.5, 0.05).astype(np.float32))
    line, strength = _lines(beside)[0]
    assert line.at(middle) == pytest.approx(offset, abs=0.2)
    assert line.slope == pytest.approx(slope, abs=0.004)
    assert strength == pytest.approx(0.5, abs=0.02)
