"""How far a limb can move on its bolt and pin, and what that alone does at the tip."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitcheck.findings.sums import Play
from fitcheck.inspection import EndReadings

# Clearance that a feel stands for, mm, and its standard uncertainty; from memory, no source.
BY_FEEL_MM = {"tight": (0.01, 0.01), "snug": (0.05, 0.02), "loose": (0.20, 0.08)}
PLAY_READING_SD_MM = 0.015  # difference of two caliper readings; DIN 862 gives 20 to 30 µm each
BOLT_TO_PIN_MM = 41.0  # 1 1/4 to 2 in, from memory
# A seat of which nothing is known but that somebody bolted the limb in; from memory, no source.
ASSUMED = Play(0.03, 0.03, False)
_RECTANGULAR = math.sqrt(3)


def play_angle_deg(bolt_play_mm: float, pin_play_mm: float, bolt_to_pin_mm: float) -> float:
    """Return the angle to either side that the clearances allow, deg.

    Each clearance is on the diameter: hole less shank. Small angles.
    """
    return math.degrees((bolt_play_mm + pin_play_mm) / 2 / bolt_to_pin_mm)


def tip_play_mm(angle_deg: float, pivot_to_nock_mm: float) -> float:
    """Return how far the tip moves to either side for an angle of play, mm."""
    return pivot_to_nock_mm * math.sin(math.radians(angle_deg))


@dataclass(frozen=True)
class Clearances:
    """Clearances on the diameter at one seat, mm, and how they came to be known.

    Attributes
    ----------
    bolt, pin
        Value and standard uncertainty; None if nobody measured or felt it.
    by_feel
        Whether the pin's is the meaning of a word.
    """

    bolt: tuple[float, float] | None
    pin: tuple[float, float] | None
    by_feel: bool


def clearances(readings: EndReadings | None) -> Clearances:
    """Return the clearances at one end; a measured one goes before a felt one."""
    if readings is None:
        return Clearances(None, None, False)
    bolt = None
    if readings.bolt_play is not None:
        bolt = readings.bolt_play.with_uncertainty(PLAY_READING_SD_MM)
    if readings.pin_play is not None:
        return Clearances(bolt, readings.pin_play.with_uncertainty(PLAY_READING_SD_MM), False)
    felt = BY_FEEL_MM.get(readings.pins)
    return Clearances(bolt, felt, felt is not None)


def seat_play(readings: EndReadings | None) -> Play:
    """Return the error with which a limb is seated, as standard uncertainties.

    The limb may sit anywhere within its play: rectangular distributions (GUM, JCGM 100:2008,
    4.3.7). Where neither clearance is known a default is taken.
    """
    found = clearances(readings)
    if readings is None or found.pin is None:
        return ASSUMED
    bolt = found.bolt[0] if found.bolt is not None else found.pin[0]
    apart = BOLT_TO_PIN_MM if readings.bolt_to_pin is None else readings.bolt_to_pin.value
    angle = play_angle_deg(max(bolt, 0.0), max(found.pin[0], 0.0), apart)
    return Play(max(bolt, 0.0) / 2 / _RECTANGULAR, angle / _RECTANGULAR, True)
