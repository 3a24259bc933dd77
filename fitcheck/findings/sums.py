"""Which parts' shares each reading is the sum of.

Roll (deg, positive: right side high), in each seat's own frame:

* the bare ``pad`` reads the pad's share;
* ``sight`` with the near card on the butt reads the limb's own twist;
* ``sight`` with the near card on the riser's face reads pad + butt + own twist.

Sideways, ``seat`` reads offset (mm) and angle (deg), positive to the right: what the riser's
holes bring plus what the limb's bring, plus the play with which the limb was seated.

In a seat's own frame a limb's share is the same at either end of the riser, so the limbs
exchanged give further sums of the same shares. The closure T(A,U) + T(B,L) = T(A,L) + T(B,U)
holds whatever the shares are, and checks the readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.combine import Combined, Evidence, Spot
from fitcheck.findings.shares import Readings, Shares, weigh
from fitcheck.inspection import ENDS, End

Array = NDArray[np.float64]
Kind = Literal["pad", "butt", "own_twist", "riser_holes", "limb_holes", "width"]

# Standard deviation of a sound part's share, and of a faulty one's; from memory, no source.
# All causes of one reading have the same, or the readings would not decide but the habit.
ROLL_SOUND_DEG, ROLL_FAULT_DEG = 0.04, 0.6
OFFSET_SOUND_MM, OFFSET_FAULT_MM = 0.08, 0.8
ANGLE_SOUND_DEG, ANGLE_FAULT_DEG = 0.03, 0.35
# The riser's face, on which a card stands, against its sides: from memory, no source.
RISER_FACE_DEG = 0.05
# Play of a seat of which nothing is known but that somebody bolted it; from memory, no source.
PLAY_ASSUMED_MM, PLAY_ASSUMED_DEG = 0.03, 0.03


@dataclass(frozen=True)
class Part:
    """A cause that can be at fault.

    Attributes
    ----------
    kind
        What it is.
    end
        End of the riser, for the riser's own parts and for widths.
    limb
        Name of the limb, for a limb's own parts and for widths.
    """

    kind: Kind
    end: End | None = None
    limb: str | None = None


@dataclass(frozen=True)
class Play:
    """How far a limb can move in its seat: standard uncertainties, and what they rest on."""

    offset_mm: float
    angle_deg: float
    known: bool


def roll_parts(names: Sequence[str]) -> tuple[Part, ...]:
    """Return the parts that a roll is the sum of."""
    pads = [Part("pad", end) for end in ENDS]
    return (*pads, *(Part(kind, limb=n) for kind in ("butt", "own_twist") for n in names))


def roll_row(parts: Sequence[Part], spot: Spot) -> Array:
    """Return which of the parts enter a pad squareness or a twist, shape (n,)."""
    own: tuple[Part, ...]
    if spot.characteristic == "pad_squareness":
        own = (Part("pad", spot.end),)
    elif not spot.from_riser:
        own = (Part("own_twist", limb=spot.limb),)
    else:
        own = (
            Part("pad", spot.end),
            Part("butt", limb=spot.limb),
            Part("own_twist", limb=spot.limb),
        )
    return np.array([float(part in own) for part in parts])


def weigh_roll(names: Sequence[str], evidence: Evidence) -> tuple[Shares, list[Spot]]:
    """Weigh all readings of roll.

    Parameters
    ----------
    names
        Of the limbs.
    evidence
        Combined values.

    Returns
    -------
    The shares, and what each reading is of.
    """
    parts = roll_parts(names)
    found = [
        c for c in evidence.values.values() if c.spot.characteristic in ("pad_squareness", "twist")
    ]
    found.sort(key=lambda c: _order(c.spot, names))
    rows = [roll_row(parts, c.spot) for c in found]
    readings = Readings(
        parts,
        np.array(rows).reshape(len(found), len(parts)),
        np.array([c.value for c in found]),
        _roll_covariance(found),
        np.array([ROLL_SOUND_DEG]),
        np.array([ROLL_FAULT_DEG]),
    )
    return weigh(readings), [c.spot for c in found]


def _order(spot: Spot, names: Sequence[str]) -> tuple[object, ...]:
    return (
        spot.characteristic,
        spot.from_riser,
        -1 if spot.end is None else ENDS.index(spot.end),
        -1 if spot.limb is None else names.index(spot.limb),
    )


def _roll_covariance(found: Sequence[Combined]) -> Array:
    """Covariance with what is common: the standing cards' own errors, and each riser face.

    Other shared sources are shared between photographs of one seat; between seats their sign
    is not known, and they count as independent.
    """
    n = len(found)
    covariance = np.zeros((n, n))
    own = {name: np.zeros(n) for name in ("fold_C", "fold_D")}
    for i, c in enumerate(found):
        rest = c.standard_uncertainty**2
        for name, vector in own.items():
            vector[i] = c.shared.get(name, 0.0)
            rest -= vector[i] ** 2
        covariance[i, i] = max(rest, 1e-10)
    for vector in own.values():
        covariance += np.outer(vector, vector)
    for end in ENDS:
        faces = np.array([float(c.spot.from_riser and c.spot.end == end) for c in found])
        covariance += RISER_FACE_DEG**2 * np.outer(faces, faces)
    return covariance


def weigh_sideways(
    names: Sequence[str], evidence: Evidence, play: Mapping[End, Play]
) -> tuple[Shares, list[Spot]]:
    """Weigh all readings of sideways offset and angle.

    Parameters
    ----------
    names
        Of the limbs.
    evidence
        Combined values.
    play
        At each end: the error with which a limb was seated.

    Returns
    -------
    The shares, and what each reading is of.
    """
    parts = sideways_parts(names)
    rows, values, variances, spots = [], [], [], []
    for end in ENDS:
        for name in names:
            for component, characteristic in enumerate(("lateral_offset", "lateral_angle")):
                found = evidence.get(characteristic, end, name)
                if found is None:
                    continue
                rows.append(sideways_row(parts, end, name, component))
                values.append(found.value)
                own = play[end]
                moved = (own.offset_mm, own.angle_deg)[component] / math.sqrt(found.seatings)
                variances.append(found.standard_uncertainty**2 + moved**2)
                spots.append(found.spot)
    readings = Readings(
        parts,
        np.array(rows).reshape(len(values), 2 * len(parts)),
        np.array(values),
        np.diag(variances) if variances else np.zeros((0, 0)),
        np.array([OFFSET_SOUND_MM, ANGLE_SOUND_DEG]),
        np.array([OFFSET_FAULT_MM, ANGLE_FAULT_DEG]),
    )
    return weigh(readings), spots


def sideways_parts(names: Sequence[str]) -> tuple[Part, ...]:
    """Return the parts that a sideways place is the sum of."""
    return (
        *(Part("riser_holes", end) for end in ENDS),
        *(Part("limb_holes", limb=name) for name in names),
    )


def sideways_row(parts: Sequence[Part], end: End, limb: str, component: int) -> Array:
    """Return which shares enter the offset (0) or the angle (1) of a seat, shape (2 n,)."""
    own = (Part("riser_holes", end), Part("limb_holes", limb=limb))
    return np.array([float(p in own and c == component) for p in parts for c in range(2)])
