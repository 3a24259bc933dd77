"""What a seam's fit rests on: its derivatives, its search, and pictures as they are stored."""

import numpy as np
import pytest
from test_joint import profiles

from fitcheck.seam_model import SeamModel
from fitcheck.seam_readings import LIGHT
from fitcheck.seam_search import search
from fitcheck.seam_shapes import OPEN_A, OPEN_B, Sight

SIGHT = Sight(0.05, 0.03, 0.2)
# Edges, strip, and the logarithms of blur and both radii.
GUESSES = np.array(
    [
        [0.02, -0.03, 0.2, 0.3, 0.06, np.log(0.052), np.log(0.1), np.log(0.08)],
        [-0.05, 0.01, 0.3, 0.1, 0.02, np.log(0.048), np.log(0.06), np.log(0.12)],
    ]
)


def model(opening=(0.15, 0.4), light=(0.3, 0.08, 0.6), reading=LIGHT):
    return SeamModel(profiles(opening, light=light), 0.05, SIGHT, 0.8).read_as(reading)


def test_pull_is_the_cost_s_derivative():
    seam, step = model(), 1e-5
    pull = seam.fitted(GUESSES).pull
    for k in range(GUESSES.shape[1]):
        moved = np.zeros(GUESSES.shape[1])
        moved[k] = step
        rise = seam.fitted(GUESSES + moved).cost - seam.fitted(GUESSES - moved).cost
        assert pull[:, k] == pytest.approx(rise / (2 * step), rel=1e-3, abs=0.01)


def test_guesses_at_once_are_as_one_by_one_and_their_costs_agree():
    seam = model()
    together = seam.fitted(GUESSES)
    for k, guess in enumerate(GUESSES):
        alone = seam.fitted(guess[None])
        assert alone.cost[0] == pytest.approx(together.cost[k])
        assert alone.information[0] == pytest.approx(together.information[k], rel=1e-6, abs=1e-6)
    # Levels in the opening are held at zero for the one and may be a little less for the other.
    assert seam.solve(GUESSES).by_block[:, :, :3].min() > -1e-4
    assert np.all(seam.costs(GUESSES) <= together.cost)
    assert seam.costs(GUESSES) == pytest.approx(together.cost, rel=0.1)


def test_a_search_ends_where_nothing_pulls_but_at_a_bound():
    seam = model((0.0, 0.4), (0.3, 0.0, 0.6), LIGHT)
    for found in search(seam, GUESSES, 1e-7):
        pull = seam.fitted(found.theta[None]).pull[0]
        spread = np.sqrt(np.diag(np.linalg.inv(found.information)))
        inside = (found.theta > seam.lowest) & (found.theta < seam.highest)
        assert np.all(np.abs(pull * spread)[inside] < 0.05)
        assert np.all(found.theta[[OPEN_A, OPEN_B]] >= 0)
