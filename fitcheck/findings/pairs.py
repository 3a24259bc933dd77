"""Whether limbs were fitted to their ends in pairs, and to which.

A pad cut to suit one limb's butt, or holes drilled with the limb in place, leave a pair whose
errors cancel: whatever the riser brings, its own limb brings the opposite. Three explanations
of the readings are weighed by Bayes' theorem: the parts are off each for itself; they were
fitted in pairs as they sit; they were fitted in pairs the other way round. Everything is
normal, so that each has a closed form.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp

from fitcheck.findings.shares import FAULT_RATE, FAULT_SCALES, SCALE_WEIGHTS, Readings, Shares

Array = NDArray[np.float64]
Pair = tuple[Hashable, Hashable]

# How often the parts of a bow were fitted to each other in pairs, for which limbs are marked
# upper and lower; from memory, no source.
PAIRED_RATE = 0.5


def log_evidence(readings: Readings, pairs: Sequence[Pair] = ()) -> float:
    """Return the log probability density of the readings.

    Parameters
    ----------
    readings
        Sums of parts' shares.
    pairs
        Parts fitted to each other: what one brings, the other brings with the opposite sign,
        of a size as faults have. Beside that every part is sound or at fault on its own.
    """
    r, n, d = readings, len(readings.parts), readings.components
    if not len(r.values):
        return 0.0
    suited = np.zeros((n * d, n * d))
    for one, other in pairs:
        for c in range(d):
            row = np.zeros(n * d)
            row[r.parts.index(one) * d + c], row[r.parts.index(other) * d + c] = 1.0, -1.0
            suited += r.fault_sd[c] ** 2 * np.outer(row, row)
    sound, fault = np.tile(r.sound_sd, n), np.tile(r.fault_sd, n)
    logs = []
    for combination in itertools.product((False, True), repeat=n):
        count = sum(combination)
        log = count * math.log(FAULT_RATE) + (n - count) * math.log1p(-FAULT_RATE)
        broad = bool(count or pairs)
        for scale, weight in zip(FAULT_SCALES, SCALE_WEIGHTS, strict=True) if broad else [(1, 1)]:
            prior = np.diag(np.where(np.repeat(combination, d), scale * fault, sound) ** 2)
            spread = r.design @ (prior + scale**2 * suited) @ r.design.T + r.covariance
            logs.append(log + math.log(weight) + _log_density(r.values, spread))
    return float(logsumexp(logs))


def _log_density(values: Array, covariance: Array) -> float:
    factor = cho_factor(covariance, lower=True)
    determinant = 2 * float(np.sum(np.log(np.diag(factor[0]))))
    square = float(values @ cho_solve(factor, values))
    return -0.5 * (square + determinant + len(values) * math.log(2 * math.pi))


def belong_there(
    kinds: Sequence[tuple[Shares, Sequence[Pair], Sequence[Pair]]], rate: float = PAIRED_RATE
) -> float:
    """Probability that the limbs belong the other way round, by how the parts pair.

    Parameters
    ----------
    kinds
        For each kind of reading (roll, sideways): its shares, the pairs as the limbs sit, and
        the pairs the other way round.
    rate
        How often parts of one kind were fitted in pairs.

    Returns
    -------
    Probability from even odds: 0.5 where nothing pairs, or both ways pair alike.
    """
    here = there = 0.0
    for shares, pairs_here, pairs_there in kinds:
        alone = log_evidence(shares.readings) + math.log1p(-rate)
        as_they_sit = log_evidence(shares.readings, pairs_here) + math.log(rate)
        other_way = log_evidence(shares.readings, pairs_there) + math.log(rate)
        here += float(np.logaddexp(alone, as_they_sit))
        there += float(np.logaddexp(alone, other_way))
    return float(1 / (1 + math.exp(min(here - there, 700.0))))
