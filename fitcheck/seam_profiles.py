"""Profiles of linear light across a seam, as they are, and in few pieces for a first look.

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FEW_BLOCKS, MANY_PLACES = 5, 30  # for a first look
FEWEST_BLOCKS, FEWEST_PLACES = 8, 12  # that a seam can be fitted to


@dataclass(frozen=True, eq=False)
class SeamProfiles:
    """Profiles of linear light across a seam, one per block along it.

    Attributes
    ----------
    ends_mm
        The seam's two ends along it, shape (2,): where openings are told. The blocks may stop
        short of them.
    along_mm
        Middles of the blocks, evenly spaced, shape (n,).
    up_mm
        Places across the seam, evenly spaced, shape (m,).
    light
        Mean linear light, shape (n, m, colours).
    noise
        Standard deviation of that mean from the photograph's noise, shape (n, m, colours).
    """

    ends_mm: Array
    along_mm: Array
    up_mm: Array
    light: Array
    noise: Array

    def merged(self, blocks: int) -> SeamProfiles:
        """Neighbouring blocks joined, so that about so many are left for a first look."""
        n = len(self.along_mm)
        groups = max(1, n // blocks)
        kept = n // groups * groups

        def mean(values: Array) -> Array:
            return np.asarray(values[:kept].reshape(-1, groups, *values.shape[1:]).mean(axis=1))

        return SeamProfiles(
            self.ends_mm,
            mean(self.along_mm),
            self.up_mm,
            mean(self.light),
            mean(self.noise) / np.sqrt(groups),
        )

    def few(self) -> SeamProfiles:
        """Few blocks and places, in grey, for a first look."""
        few = self.merged(FEW_BLOCKS)
        few = few._paired() if len(few.up_mm) >= MANY_PLACES else few
        # Noise is alike in all colours: what a photograph was sharpened by, and its grain.
        return SeamProfiles(
            few.ends_mm,
            few.along_mm,
            few.up_mm,
            few.light.mean(axis=2, keepdims=True),
            few.noise.mean(axis=2, keepdims=True),
        )

    def _paired(self) -> SeamProfiles:
        """Two neighbouring places across taken together."""
        count = len(self.up_mm) // 2 * 2

        def mean(values: Array, axis: int) -> Array:
            shape = (*values.shape[:axis], count // 2, 2, *values.shape[axis + 1 :])
            return np.asarray(values.take(range(count), axis).reshape(shape).mean(axis=axis + 1))

        return SeamProfiles(
            self.ends_mm,
            self.along_mm,
            mean(self.up_mm, 0),
            mean(self.light, 1),
            mean(self.noise, 1) / np.sqrt(2),
        )
