"""What is known beforehand of the light beside and in a seam (:mod:`fitcheck.seam`)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A block's own grain, of its light, as the profiles show it within limits.
OWN_GRAIN = (0.03, 0.3)
EDGE_TEXTURE = 0.25
# Of what is seen through an opening, as shares of the card's paper: mean, spread, and change
# per square root of a block of 2 mm.
THROUGH_LIGHT = (0.5, 0.8, 0.02)


@dataclass(frozen=True)
class Reading:
    """What is taken to be dark at a seam, and what may be light.

    Attributes
    ----------
    inner_light
        Light of an opening's inner faces, as shares of the card's paper: mean, spread, and
        change per square root of a block of 2 mm.
    knot_texture
        The texture that all blocks share, of the side's light: its change from knot to knot. At
        the very edge glue, finish, shade or the glass's own face may show, but nothing is black.
    """

    inner_light: tuple[float, float, float]
    knot_texture: float


DARK_SEAM = Reading(inner_light=(0.006, 0.008, 0.006), knot_texture=0.15)


def light_prior(
    n: int, block_mm: float, white: float, reading: Reading = DARK_SEAM
) -> tuple[Array, Array]:
    """Precision, shape (3 n, 3 n), and mean, (3 n,), of the opening's linear light.

    It lies near a mean and changes slowly along the opening.
    """
    differences = np.diff(np.eye(n), axis=0)
    chain = differences.T @ differences
    precision = np.zeros((n, 3, n, 3))
    mean = np.zeros((n, 3))
    for k, (middle, spread, change) in enumerate(
        (reading.inner_light, THROUGH_LIGHT, reading.inner_light)
    ):
        per_block = change * white * np.sqrt(block_mm / 2)
        precision[:, k, :, k] = chain / per_block**2 + np.eye(n) / (n * (spread * white) ** 2)
        mean[:, k] = middle * white
    return precision.reshape(3 * n, 3 * n), mean.ravel()


def own_grain(light: Array) -> Array:
    """How much a side's linear light, (n, m, 3), differs by block, (3,), but in level."""
    relative = light / np.maximum(light.mean(axis=1, keepdims=True), 1e-6)
    own = relative - np.median(relative, axis=0)
    sd = 1.4826 * np.median(np.abs(own), axis=(0, 1))
    return np.asarray(np.clip(sd, *OWN_GRAIN))


def texture_prior(knots: int, reading: Reading = DARK_SEAM) -> Array:
    """Precision, shape (knots, knots), of a texture that wanders away from the edge: log light."""
    steps = np.eye(knots) - np.eye(knots, k=-1)
    sd = np.full(knots, reading.knot_texture)
    sd[0] = EDGE_TEXTURE
    return np.asarray(steps.T @ np.diag(sd**-2) @ steps)


def diagonal_blocks(blocks: list[Array]) -> Array:
    """Square blocks, (k, k) each, joined along the diagonal of one matrix; any unit."""
    size = sum(len(block) for block in blocks)
    joined = np.zeros((size, size))
    at = 0
    for block in blocks:
        joined[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return joined
