"""Readings that are sums of parts' shares: each part's share, and how probably it is at fault.

A reading of limb i on pad j is the sum of what the limb brings and what the pad brings.
Exchanging the limbs gives sums of other pairs. Least squares over all readings, with their
covariance, gives the shares as far as the readings determine them. Where they do not, it is
still less likely that three parts are wrong than one: each part is either as well made as
such parts are (a narrow normal distribution of its share) or at fault (a broad one), and all
combinations are weighed by Bayes' theorem. Everything is normal, so that each combination has
a closed form and nothing is drawn.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import chdtrc, logsumexp, ndtr

Array = NDArray[np.float64]

# How often one part of a bow that was sent in is at fault; from memory, no source.
FAULT_RATE = 0.2
# Faults come in sizes: the broad distribution is taken at these multiples of its width, with
# these weights, so that a gross error of one part is not shared out between two.
FAULT_SCALES, SCALE_WEIGHTS = (1.0, 4.0), (0.7, 0.3)
# A direction of the shares counts as determined if the readings alone fix it to this many
# times better than the broad distribution does.
DETERMINED = 1e-9
# Points of the grid over what a further photograph might read: one reading, and each of two.
GRID_ONE, GRID_TWO = 801, 101
# Combinations less likely than this change no gain that is told; less doubt needs none.
LEAST_WEIGHT, LITTLE_DOUBT_BITS = 1e-3, 0.02


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings y = design · shares + error.

    Attributes
    ----------
    parts
        The parts that have shares, in the order of the columns; n of them.
    design
        Shape (m, n · d): each part has d components next to each other.
    values
        Shape (m,).
    covariance
        Of the errors, shape (m, m), positive definite.
    sound_sd, fault_sd
        Standard deviation of a sound and of a faulty part's share, for each component; shape (d,).
    """

    parts: tuple[Hashable, ...]
    design: Array
    values: Array
    covariance: Array
    sound_sd: Array
    fault_sd: Array

    @property
    def components(self) -> int:
        """Components per part."""
        return len(self.sound_sd)


@dataclass(frozen=True, eq=False)
class Shares:
    """What the readings say of the parts' shares.

    Attributes
    ----------
    readings
        What went in.
    faulty
        All combinations of faulty parts at each scale of their faults, shape (g, n), bool.
    weights
        Their probabilities, shape (g,).
    means, covariances
        Of all shares under each combination, shapes (g, n·d) and (g, n·d, n·d).
    """

    readings: Readings
    faulty: NDArray[np.bool_]
    weights: Array
    means: Array
    covariances: Array

    def probability(self, part: Hashable) -> float:
        """Probability that a part is at fault."""
        return float(self.weights @ self.faulty[:, self._place(part)])

    def probability_of_any(self, parts: Sequence[Hashable]) -> float:
        """Probability that at least one of several parts is at fault."""
        places = [self._place(part) for part in parts]
        return float(self.weights @ self.faulty[:, places].any(axis=1))

    def entropy_bits(self) -> float:
        """How much doubt is left about which parts are at fault, bits."""
        _, which = np.unique(self.faulty, axis=0, return_inverse=True)
        weights = np.bincount(which.ravel(), self.weights)
        kept = weights[weights > 0]
        return float(-np.sum(kept * np.log2(kept)))

    def moments(self) -> tuple[Array, Array]:
        """Mean and covariance of all shares, all combinations together."""
        mean = self.weights @ self.means
        off = self.means - mean
        spread = np.einsum("g,gi,gj->ij", self.weights, off, off)
        return mean, np.einsum("g,gij->ij", self.weights, self.covariances) + spread

    def share(self, part: Hashable, at_fault: bool = False) -> tuple[Array, Array]:
        """Mean and standard deviation of a part's components, shape (d,) each.

        Over all combinations, or over those only in which the part is at fault.
        """
        columns = self._columns(part)
        weights = self.weights
        if at_fault:
            weights = weights * self.faulty[:, self._place(part)]
        weights = weights / np.sum(weights)
        means = self.means[:, columns]
        variances = np.array([np.diag(v)[columns] for v in self.covariances])
        mean = weights @ means
        return mean, np.sqrt(weights @ (variances + (means - mean) ** 2))

    def probability_past(self, parts: Sequence[Hashable], limits: Sequence[float]) -> float:
        """Probability that a component of the parts' sum is past its limit; limits of shape (d,).

        Components are taken one by one and the largest probability returned, which no
        correlation between them can make too large.
        """
        best = 0.0
        for component, limit in enumerate(limits):
            columns = [self._columns(part)[component] for part in parts]
            mean = np.sum(self.means[:, columns], axis=1)
            variance = np.sum(self.covariances[:, columns][:, :, columns], axis=(1, 2))
            sd = np.sqrt(np.maximum(variance, 1e-18))
            inside = ndtr((limit - mean) / sd) - ndtr((-limit - mean) / sd)
            best = max(best, float(self.weights @ (1 - inside)))
        return min(best, 1.0)

    def probability_improves(self, part: Hashable, partner: Hashable, component: int) -> float:
        """Probability that taking a part's share away brings a sum of two nearer to zero.

        With shares a of the part and b of its partner, |b| < |a + b| where a·(a + 2 b) > 0;
        the sign of a is taken as its mean's.
        """
        row = np.zeros(self.means.shape[1])
        row[self._columns(part)[component]] = 1.0
        sign = math.copysign(1.0, float(self.weights @ (self.means @ row)))
        row[self._columns(partner)[component]] += 2.0
        sd = np.sqrt(np.maximum(np.einsum("i,gij,j->g", row, self.covariances, row), 1e-18))
        return float(self.weights @ ndtr(sign * (self.means @ row) / sd))

    def least_squares(self, part: Hashable) -> tuple[Array, Array] | None:
        """A part's share from the readings alone, or None where they do not determine it.

        Generalised least squares without any prior; value and standard uncertainty of each
        component, shape (d,).
        """
        r = self.readings
        if not len(r.values):
            return None
        weighted = np.linalg.solve(r.covariance, r.design)
        normal = r.design.T @ weighted
        scale = np.tile(r.fault_sd, len(r.parts))
        values, vectors = np.linalg.eigh(normal * np.outer(scale, scale))
        sure = values > DETERMINED * max(float(values[-1]), 1e-300)
        columns = self._columns(part)
        if np.any(np.abs(vectors[columns][:, ~sure]) > 1e-6):
            return None
        inverse = (vectors[:, sure] / values[sure]) @ vectors[:, sure].T * np.outer(scale, scale)
        best = inverse @ (weighted.T @ r.values)
        return best[columns], np.sqrt(np.diag(inverse)[columns])

    def implied(self, rows: Array) -> bool:
        """Whether the readings determine these sums of shares, read directly or by others.

        ``rows`` has shape (k, n·d).
        """
        design = self.readings.design
        if not len(design):
            return False
        rest = rows.T - design.T @ np.linalg.lstsq(design.T, rows.T, rcond=None)[0]
        return bool(np.all(np.abs(rest) < 1e-6))

    def rows_of(self, parts: Sequence[Hashable]) -> Array:
        """Rows that add up some parts' shares, one for each component, shape (d, n·d)."""
        d = self.readings.components
        rows = np.zeros((d, len(self.readings.parts) * d))
        for part in parts:
            rows[range(d), self._columns(part)] = 1.0
        return rows

    def predictive(self, rows: Array, noise_sd: Array) -> tuple[Array, Array]:
        """Mean and covariance of further readings under each combination.

        Parameters
        ----------
        rows
            Design of the further readings, shape (k, n·d).
        noise_sd
            Their standard uncertainties, shape (k,).

        Returns
        -------
        Shapes (g, k) and (g, k, k).
        """
        means = self.means @ rows.T
        covariances = rows @ self.covariances @ rows.T + np.diag(noise_sd**2)
        return means, covariances

    def _place(self, part: Hashable) -> int:
        return self.readings.parts.index(part)

    def _columns(self, part: Hashable) -> list[int]:
        d = self.readings.components
        return list(range(self._place(part) * d, (self._place(part) + 1) * d))


def weigh(readings: Readings, fault_rate: float = FAULT_RATE) -> Shares:
    """Weigh every combination of faulty parts by how well it explains the readings.

    Parameters
    ----------
    readings
        At most some ten parts: combinations double with each.
    fault_rate
        Probability, before anything is measured, that a part is at fault.

    Returns
    -------
    The shares.
    """
    n, d = len(readings.parts), readings.components
    sound, fault = np.tile(readings.sound_sd, n), np.tile(readings.fault_sd, n)
    faulty, logs, means, covariances = [], [], [], []
    for combination in itertools.product((False, True), repeat=n):
        count = sum(combination)
        log = count * math.log(fault_rate) + (n - count) * math.log1p(-fault_rate)
        sizes = zip(FAULT_SCALES, SCALE_WEIGHTS, strict=True) if count else [(1.0, 1.0)]
        for scale, weight in sizes:
            sd = np.where(np.repeat(combination, d), scale * fault, sound)
            likelihood, mean, covariance = _normal_update(readings, sd)
            faulty.append(combination)
            logs.append(log + math.log(weight) + likelihood)
            means.append(mean)
            covariances.append(covariance)
    weights = np.exp(np.array(logs) - logsumexp(logs))
    return Shares(
        readings, np.array(faulty, dtype=bool), weights, np.array(means), np.array(covariances)
    )


def _normal_update(r: Readings, sd: Array) -> tuple[float, Array, Array]:
    """Log likelihood of the readings, mean and covariance of the shares, for one prior."""
    prior = np.diag(sd**2)
    if not len(r.values):
        return 0.0, np.zeros(len(sd)), prior
    gain_t = r.design * sd**2
    factor = cho_factor(gain_t @ r.design.T + r.covariance, lower=True)
    solved = cho_solve(factor, r.values)
    log_determinant = 2 * float(np.sum(np.log(np.diag(factor[0]))))
    likelihood = -0.5 * (
        float(r.values @ solved) + log_determinant + len(r.values) * math.log(2 * math.pi)
    )
    return likelihood, gain_t.T @ solved, prior - gain_t.T @ cho_solve(factor, gain_t)


@dataclass(frozen=True)
class Closure:
    """Whether four readings that must close do.

    Attributes
    ----------
    value, standard_uncertainty
        Of the sum that ought to be zero.
    probability
        Of a sum at least so far from zero if nothing is wrong with the readings.
    """

    value: float
    standard_uncertainty: float
    probability: float


def closure(values: Array, covariance: Array, signs: Array) -> Closure:
    """Check a signed sum of readings that is zero whatever the shares are.

    Parameters
    ----------
    values, covariance
        Of the readings, shapes (m,) and (m, m).
    signs
        Their coefficients, shape (m,).
    """
    total = float(signs @ values)
    variance = float(signs @ covariance @ signs)
    return Closure(total, math.sqrt(variance), float(chdtrc(1, total**2 / variance)))


@dataclass(frozen=True)
class Gain:
    """What a further photograph is expected to tell.

    Attributes
    ----------
    bits
        Expected reduction of the doubt about which parts are at fault (mutual information).
    settles
        Probability that afterwards one more part is at fault with 95 %, or nothing is in doubt.
    """

    bits: float
    settles: float


def expected_gain(shares: Shares, rows: Array, noise_sd: Array, sure: float = 0.95) -> Gain:
    """Expected gain from a further photograph that gives one or two readings.

    Integrated on a grid over what it might read: a mixture of one normal distribution for
    each combination of faulty parts.

    Parameters
    ----------
    shares
        What is known before.
    rows
        Design of the further readings, shape (k, n·d), k one or two.
    noise_sd
        Their standard uncertainties, shape (k,).
    sure
        Probability from which a part counts as decided.
    """
    # At most the doubt that there is can be taken away.
    if shares.entropy_bits() < LITTLE_DOUBT_BITS:
        return Gain(0.0, 1.0)
    keep = shares.weights > LEAST_WEIGHT
    weights = shares.weights[keep] / np.sum(shares.weights[keep])
    faulty = shares.faulty[keep]
    means, covariances = shares.predictive(rows, noise_sd)
    means, covariances = means[keep], covariances[keep]
    points = GRID_ONE if means.shape[1] == 1 else GRID_TWO
    sd = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    reach = np.max(np.abs(means) + 5 * sd, axis=0)
    grids = np.meshgrid(*[np.linspace(-r, r, points) for r in reach], indexing="ij")
    cell = float(np.prod(2 * reach / (points - 1)))
    y = np.stack([g.ravel() for g in grids], axis=-1)
    density = np.stack([_density(y, m, c) for m, c in zip(means, covariances, strict=True)])
    density /= np.maximum(cell * np.sum(density, axis=1), 1e-300)[
        :, None
    ]  # what the grid cuts off
    # The scales of one combination together: what is asked is which parts, not how large.
    combos, which = np.unique(faulty, axis=0, return_inverse=True)
    joint = np.zeros((len(combos), len(y)))
    np.add.at(joint, which.ravel(), weights[:, None] * density)
    mixture = np.sum(joint, axis=0)
    prior = np.bincount(which.ravel(), weights)[:, None]
    ratio = np.maximum(joint, 1e-300) / np.maximum(prior * mixture, 1e-300)
    bits = float(cell * np.sum(joint * np.log2(ratio)))
    chance = (joint / np.maximum(mixture, 1e-300)).T @ combos.astype(float)
    already = weights @ faulty >= sure
    found = np.any((chance >= sure) & ~already, axis=1)
    decided = found | np.all((chance <= 1 - sure) | (chance >= sure), axis=1)
    settles = float(cell * np.sum(mixture * decided))
    return Gain(max(bits, 0.0), min(max(settles, 0.0), 1.0))


def _density(y: Array, mean: Array, covariance: Array) -> Array:
    """Normal density at points of shape (m, k)."""
    inverse = np.linalg.inv(covariance)
    off = y - mean
    square = np.sum((off @ inverse) * off, axis=1)
    size = float(np.linalg.det(2 * math.pi * covariance))
    return np.asarray(np.exp(-0.5 * square) / math.sqrt(size))
