"""Cards and lens over time: whether a card is bent or worn, the print or the lens has changed.

Each lot or inspection is one *occasion*. The newest is held against all before it together. A
difference is told where it is both beyond chance and large enough to matter: a telephone that
focuses nearer changes its focal length, and a caliper reads a bar to 0.03 mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.stats import norm, ttest_ind_from_stats

from fitcheck.lens_profile import DISTORTION_DRIFT_SD, FOCAL_DRIFT_RELATIVE_SD
from fitcheck.lots.scale import signed
from fitcheck.measurement import Measurement
from fitcheck.plain_text import visible_text
from fitcheck.setup import BAR_READING_SD, THICKNESS_GIVEN_SD_MM

CHANCE = 0.01
# Two readings of a bar differ by this with 95 % from the caliper alone; the same of a card.
SCALE_MATTERS = 1.96 * math.sqrt(2) * BAR_READING_SD
THICKNESS_MATTERS_MM = 1.96 * math.sqrt(2) * THICKNESS_GIVEN_SD_MM
# Residuals half as large again: a flat clean card does not do that (common experience).
RESIDUAL_MATTERS = 1.5
FOCAL_MATTERS = 3 * FOCAL_DRIFT_RELATIVE_SD
DISTORTION_MATTERS = 3 * DISTORTION_DRIFT_SD
BENT_CODES = frozenset({"card_bent", "card_not_flat"})
SMALLEST_RESIDUAL_PX = 1e-3
DIRECTIONS = ("along", "across")
THICKNESS = "Thickness of the mounted cards"


def residual_of(card: str) -> str:
    """Name of a quantity that drift follows: how well a card fits."""
    return f"Card {card}"


def print_along(direction: str) -> str:
    """The same: the print's scale."""
    return f"Print {direction} the cards"


def focal_of(lens: str) -> str:
    """The same: a lens's focal length."""
    return f"Focal length, {visible_text(lens)}"


def distortion_of(lens: str) -> str:
    """The same: a lens's distortion."""
    return f"Distortion k1, {visible_text(lens)}"


def closure_of(characteristic: str) -> str:
    """The same: a closure over all inspections so far."""
    return f"Closure of {characteristic.replace('_', ' ')}"


@dataclass(frozen=True)
class Spread:
    """Mean, standard deviation and number of many readings."""

    mean: float
    sd: float
    count: int

    @staticmethod
    def of(values: Sequence[float]) -> Spread:
        """Of some values; one value has no standard deviation, which is written 0."""
        sd = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
        return Spread(float(np.mean(values)), sd, len(values))


@dataclass(frozen=True)
class Closure:
    """A sum of readings that ought to be zero, see :mod:`fitcheck.findings.shares`."""

    characteristic: str
    value: float
    standard_uncertainty: float


@dataclass(frozen=True)
class Occasion:
    """What one lot or inspection tells of cards and lens.

    Attributes
    ----------
    date, name
        Of it; dates sort as text.
    scale
        Print scale along and across, if the check bars were measured.
    thickness_mm
        Of the mounted cards, if measured.
    residuals
        Card to the logarithm of its residuals in pixels.
    bent
        Card to the share of photographs that warn of it as bent or not flat.
    focal, k1
        Lens to what its photographs told.
    closures
        Closures of an inspection.
    """

    date: str
    name: str
    scale: tuple[float, float] | None = None
    thickness_mm: float | None = None
    residuals: Mapping[str, Spread] = field(default_factory=dict)
    bent: Mapping[str, float] = field(default_factory=dict)
    focal: Mapping[str, Spread] = field(default_factory=dict)
    k1: Mapping[str, Spread] = field(default_factory=dict)
    closures: tuple[Closure, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return it in JSON types; read back by :func:`occasion_from_json`."""

        def spreads(of: Mapping[str, Spread]) -> dict[str, list[float]]:
            return {name: [s.mean, s.sd, s.count] for name, s in of.items()}

        return {
            "date": self.date,
            "name": self.name,
            "print_scale": None if self.scale is None else list(self.scale),
            "card_thickness_mm": self.thickness_mm,
            "log_residual_px": spreads(self.residuals),
            "bent_share": dict(self.bent),
            "focal_px": spreads(self.focal),
            "k1": spreads(self.k1),
        }


def occasion_from_json(raw: Mapping[str, Any]) -> Occasion:
    """Read an occasion back; raises ValueError, KeyError or TypeError if it is none."""

    def spreads(of: Mapping[str, Any]) -> dict[str, Spread]:
        return {str(n): Spread(float(m), float(s), int(c)) for n, (m, s, c) in of.items()}

    scale = raw["print_scale"]
    thickness = raw["card_thickness_mm"]
    return Occasion(
        str(raw["date"]),
        str(raw["name"]),
        None if scale is None else (float(scale[0]), float(scale[1])),
        None if thickness is None else float(thickness),
        spreads(raw["log_residual_px"]),
        {str(n): float(v) for n, v in raw["bent_share"].items()},
        spreads(raw["focal_px"]),
        spreads(raw["k1"]),
    )


def occasion_of(
    date: str,
    name: str,
    found: Iterable[tuple[Measurement, str]],
    closures: Iterable[Closure] = (),
) -> Occasion:
    """Gather an occasion from its photographs.

    Parameters
    ----------
    date, name
        Of it.
    found
        Measurements, each with the name of its lens; empty where the phone is not known.
    closures
        Of the inspection, if it is one.
    """
    residuals: dict[str, list[float]] = {}
    bent: dict[str, list[float]] = {}
    focal: dict[str, list[float]] = {}
    k1: dict[str, list[float]] = {}
    scale: tuple[float, float] | None = None
    thickness = None
    for measurement, lens in found:
        inputs = measurement.inputs
        if inputs.get("print_scale_measured"):
            along, across = inputs["print_scale"]
            scale = (float(along), float(across))
        if inputs.get("card_thickness_measured"):
            thickness = float(inputs["card_thickness_mm"])
        if measurement.refused is not None:
            continue
        codes = [n for n in measurement.warnings if n.code in BENT_CODES]
        for card in measurement.cards:
            log = math.log(max(card.residual_px, SMALLEST_RESIDUAL_PX))
            residuals.setdefault(card.card, []).append(log)
            told = any(f"Card {card.card} " in note.message for note in codes)
            bent.setdefault(card.card, []).append(float(told))
        if lens and measurement.lens is not None:
            focal.setdefault(lens, []).append(measurement.lens.focal_px)
            k1.setdefault(lens, []).append(measurement.lens.k1)

    def spreads(of: Mapping[str, list[float]]) -> dict[str, Spread]:
        return {key: Spread.of(values) for key, values in of.items()}

    return Occasion(
        date,
        name,
        scale,
        thickness,
        spreads(residuals),
        {card: float(np.mean(told)) for card, told in bent.items()},
        spreads(focal),
        spreads(k1),
        tuple(closures),
    )


@dataclass(frozen=True)
class Change:
    """A change that was told: its code, what it is, what to do, and which quantity it is of."""

    code: str
    message: str
    advice: str
    about: str = ""


def drift(occasions: Sequence[Occasion]) -> tuple[Change, ...]:
    """Hold the newest occasion against those before it.

    Parameters
    ----------
    occasions
        In any order; the one with the latest date, and of equal dates the last, is the newest.

    Returns
    -------
    What has changed; nothing where nothing has, or where there is nothing to compare with.
    """
    ordered = sorted(occasions, key=lambda o: o.date)
    if not ordered:
        return ()
    newest, before = ordered[-1], ordered[:-1]
    found = [*_cards(newest, before), *_print(newest, before), *_lenses(newest, before)]
    return (*found, *_closures(ordered))


def _cards(newest: Occasion, before: Sequence[Occasion]) -> Iterable[Change]:
    for card, now in newest.residuals.items():
        share = newest.bent.get(card, 0.0)
        if share >= 0.5:
            yield Change(
                "card_bent",
                f"Card {card} is bent or not flat in {share:.0%} of the photographs.",
                "Mount it anew on stiff flat stock, or print a new one.",
                residual_of(card),
            )
        then = pooled([o.residuals[card] for o in before if card in o.residuals])
        if then is None:
            continue
        ratio = math.exp(now.mean - then.mean)
        if ratio > RESIDUAL_MATTERS and _beyond_chance(now, then):
            yield Change(
                "card_worn",
                f"Card {card} fits {ratio:.1f} times worse than before "
                f"({math.exp(now.mean):.2f} px against {math.exp(then.mean):.2f} px, typical "
                "residual).",
                "See whether it is bent, dirty or worn, or the photographs blurred; clean it or "
                "print a new one.",
                residual_of(card),
            )


def _print(newest: Occasion, before: Sequence[Occasion]) -> Iterable[Change]:
    earlier = [o.scale for o in before if o.scale is not None]
    if newest.scale is not None and earlier:
        for i, direction in enumerate(DIRECTIONS):
            change = newest.scale[i] - float(np.mean([s[i] for s in earlier]))
            if abs(change) > SCALE_MATTERS:
                yield Change(
                    "print_changed",
                    f"The print {direction} the cards is {abs(change):.2%} "
                    f"{'longer' if change > 0 else 'shorter'} than before.",
                    "If it is the same print, paper has taken up or lost moisture: measure the "
                    "check bars each time, or print on a film that holds its size.",
                    print_along(direction),
                )
    thick = [o.thickness_mm for o in before if o.thickness_mm is not None]
    if newest.thickness_mm is not None and thick:
        off = newest.thickness_mm - float(np.mean(thick))
        if abs(off) > THICKNESS_MATTERS_MM:
            yield Change(
                "thickness_changed",
                f"The mounted cards are {abs(off):.2f} mm {'thicker' if off > 0 else 'thinner'} "
                "than before.",
                "If they are the same cards, measure them again; worn or lifted stock is to be "
                "replaced.",
                THICKNESS,
            )


def _lenses(newest: Occasion, before: Sequence[Occasion]) -> Iterable[Change]:
    advice = (
        "A new case, a macro setting, another lens of the same phone or an update may be the "
        "reason: begin a new lens profile."
    )
    for lens, now in newest.focal.items():
        shown = visible_text(lens)
        then = pooled([o.focal[lens] for o in before if lens in o.focal])
        if then is not None:
            change = now.mean / then.mean - 1
            if abs(change) > FOCAL_MATTERS and _beyond_chance(now, then):
                by = signed(change, ".1%")
                yield Change(
                    "lens_changed",
                    f"The focal length of the lens {shown} has changed by {by}.",
                    advice,
                    focal_of(lens),
                )
        bend = pooled([o.k1[lens] for o in before if lens in o.k1])
        if bend is not None and lens in newest.k1:
            off = newest.k1[lens].mean - bend.mean
            if abs(off) > DISTORTION_MATTERS and _beyond_chance(newest.k1[lens], bend):
                yield Change(
                    "lens_changed",
                    f"The distortion k1 of the lens {shown} has changed by {signed(off, '.3f')}.",
                    advice,
                    distortion_of(lens),
                )


def _closures(ordered: Sequence[Occasion]) -> Iterable[Change]:
    by_name: dict[str, list[Closure]] = {}
    for occasion in ordered:
        for one in occasion.closures:
            by_name.setdefault(one.characteristic, []).append(one)
    for name, found in by_name.items():
        z = np.array([c.value / c.standard_uncertainty for c in found])
        # Each ought to be a draw from a standard normal distribution.
        together = float(np.sum(z)) / math.sqrt(len(z))
        words = name.replace("_", " ")
        if 2 * float(norm.sf(abs(together))) < CHANCE:
            yield Change(
                "closure_off",
                f"Readings of {words} with limbs exchanged miss their closure one way, by "
                f"{abs(together):.1f} standard uncertainties over {len(z)} "
                f"inspection{'s' * (len(z) != 1)}.",
                "The cards have an error of their own: exchange cards C and D, or make new ones.",
                closure_of(name),
            )


def pooled(spreads: Sequence[Spread]) -> Spread | None:
    """Return all earlier readings as one: their spread holds that between occasions."""
    if not spreads:
        return None
    counts = np.array([s.count for s in spreads], dtype=np.float64)
    means = np.array([s.mean for s in spreads])
    total = float(np.sum(counts))
    mean = float(np.sum(counts * means) / total)
    squares = sum((s.count - 1) * s.sd**2 + s.count * (s.mean - mean) ** 2 for s in spreads)
    return Spread(mean, math.sqrt(squares / max(total - 1, 1.0)), int(total))


def _beyond_chance(now: Spread, then: Spread) -> bool:
    """Welch's test of two means."""
    if now.count < 2 or then.count < 2:
        return False
    if now.sd == 0 and then.sd == 0:
        return now.mean != then.mean
    test: Callable[..., Any] = ttest_ind_from_stats
    p = test(now.mean, now.sd, now.count, then.mean, then.sd, then.count, equal_var=False).pvalue
    return float(p) < CHANCE
