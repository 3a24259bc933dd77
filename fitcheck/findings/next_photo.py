"""Which further photograph would tell most about whose fault it is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.combine import Spot
from fitcheck.findings.shares import Gain, Shares, expected_gain
from fitcheck.findings.sums import RISER_FACE_DEG, Part, roll_row, sideways_row
from fitcheck.inspection import ENDS, End, Inspection

Array = NDArray[np.float64]

# What one more photograph is expected to read to, standard uncertainty: the accuracy that
# is aimed at, median error over 0.6745.
PHOTO_SD = {"pad": 0.074, "sight": 0.12, "offset": 0.074, "angle": 0.074}


@dataclass(frozen=True)
class NextPhoto:
    """A photograph that would help.

    Attributes
    ----------
    view, end, limb, from_riser
        What it shows.
    exchange
        Whether the limbs have to change ends for it.
    gain
        What it is expected to tell.
    """

    view: str
    end: End | None
    limb: str | None
    from_riser: bool
    exchange: bool
    gain: Gain


def next_photos(
    inspection: Inspection, roll: Shares | None, sideways: Shares | None
) -> Iterable[NextPhoto]:
    """Return the photograph with the largest expected reduction of the doubt.

    Parameters
    ----------
    inspection
        Limbs, and where they sat.
    roll, sideways
        Shares from all readings so far; None where nothing of theirs is in doubt.

    Returns
    -------
    One photograph; several if they would tell as much; none if none would tell anything.
    """
    here = inspection.limbs_at("as received")
    options = []
    for view, spot, shares, rows, noise in _candidates(inspection, roll, sideways):
        if inspection.pads_alone and view != "pad":
            continue  # nothing but the pads was asked for
        gain = expected_gain(shares, rows, np.array(noise))
        exchange = bool(spot.limb and spot.end and here.get(spot.end) not in (None, spot.limb))
        options.append(NextPhoto(view, spot.end, spot.limb, spot.from_riser, exchange, gain))
    if not options:
        return
    best = max(o.gain.bits for o in options)
    if best < 0.02:
        return
    # Of photographs that tell as much, those for which no bolt has to be turned come first.
    near = [o for o in options if o.gain.bits >= best - max(1e-6, 0.02 * best)]
    least = min(o.exchange for o in near)
    yield from (o for o in near if o.exchange == least)


def _candidates(
    inspection: Inspection, roll: Shares | None, sideways: Shares | None
) -> Iterable[tuple[str, Spot, Shares, Array, tuple[float, ...]]]:
    names = [limb.name for limb in inspection.limbs]
    if roll is not None:
        for spot, view, noise in _sights_and_pads(names):
            row = roll_row([p for p in roll.readings.parts if isinstance(p, Part)], spot)
            yield view, spot, roll, row[None], (noise,)
    if sideways is not None:
        holes = [p for p in sideways.readings.parts if isinstance(p, Part)]
        for end in ENDS:
            for name in names:
                rows = np.array([sideways_row(holes, end, name, c) for c in range(2)])
                noise_two = (PHOTO_SD["offset"], PHOTO_SD["angle"])
                yield "seat", Spot("lateral_offset", end, name), sideways, rows, noise_two


def _sights_and_pads(names: Sequence[str]) -> Iterable[tuple[Spot, str, float]]:
    for end in ENDS:
        yield Spot("pad_squareness", end), "pad", PHOTO_SD["pad"]
    for name in names:
        yield Spot("twist", None, name), "sight", PHOTO_SD["sight"]
    for end in ENDS:
        for name in names:
            noise = math.hypot(PHOTO_SD["sight"], RISER_FACE_DEG)
            yield Spot("twist", end, name, from_riser=True), "sight", noise
