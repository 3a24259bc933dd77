"""The force–draw curve, the energy under it, where it stacks; and what an arrow makes of it.

Draw lengths after AMO Standards FP-3 (2000): string to pivot point plus 1 3/4 in. Forces in
pounds, masses in grains, speeds in feet per second, energies in foot-pounds, as the trade has
them; joules beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import UFloat, ufloat

from fitcheck.inspection import DrawPoint, Readings
from fitcheck.units import MM_PER_INCH

AMO_TO_PIVOT_IN = 1.75  # AMO Standards FP-3 (2000)
AMO_DRAW_IN = 28.0
GRAINS_PER_POUND = 7000.0  # exact
STANDARD_GRAVITY_FPS2 = 9.80665 / 0.3048  # exact, ft/s²
FOOT_POUND_J = 1.3558179483314004  # 0.3048 m · 0.45359237 kg · 9.80665 m/s², exact
STACKING_SHARE = 0.055  # of the full draw's weight for each inch: published
STACKING_LB_IN = 3.0  # from memory, no source
# Off 28 in a bow gains about so much for each inch: published rule of thumb, no substitute
# for a scale.
LIGHT_BOW_LB = 40.0
LB_PER_INCH_LIGHT, LB_PER_INCH_HEAVY = 2.0, 3.0

# Standard uncertainties of hand tools where nothing is written: a bow scale, a tape at draw,
# a grain scale, a chronograph; common practice, no source.
SCALE_SD_LB, DRAW_SD_MM, GRAIN_SD, SPEED_SD_FPS = 0.5, 2.0, 0.5, 1.0


def bow_string_length_in(bow_length_in: float) -> float:
    """Return the length of the bow-string master for a marked bow length, in.

    AMO Standards FP-3 (2000): the marked length is the master's plus 3 in.
    """
    return bow_length_in - 3.0


def amo_draw_in(to_pivot_in: float) -> float:
    """Return the AMO draw length for a draw measured to the pivot point, in."""
    return to_pivot_in + AMO_TO_PIVOT_IN


def weight_off_28_lb(marked_lb: float, amo_draw: float) -> float:
    """Return the draw weight expected away from 28 in by the rule of thumb, lb.

    About 2 lb for each inch up to 40 lb, 3 lb above: a published rule of thumb.
    """
    rate = LB_PER_INCH_LIGHT if marked_lb <= LIGHT_BOW_LB else LB_PER_INCH_HEAVY
    return marked_lb + rate * (amo_draw - AMO_DRAW_IN)


@dataclass(frozen=True)
class Curve:
    """The force–draw curve.

    Attributes
    ----------
    draw_in, force_lb
        Points in rising order of draw, draw by AMO.
    full_draw_in, full_weight_lb
        The last point.
    slopes_lb_in
        Between neighbouring points, lb for each inch.
    stacking_from_in
        Draw from which every further inch adds more than 5.5 % of the full weight; None if
        the last stretch does not.
    steep_from_in
        The same for more than 3 lb for each inch.
    energy_ft_lb
        Stored from brace to full draw, value and standard uncertainty; None without a brace
        height, for the curve then has no beginning.
    problems
        What cannot be right in it, in sentences.
    """

    draw_in: tuple[float, ...]
    force_lb: tuple[float, ...]
    full_draw_in: float
    full_weight_lb: float
    slopes_lb_in: tuple[float, ...]
    stacking_from_in: float | None
    steep_from_in: float | None
    energy_ft_lb: tuple[float, float] | None
    problems: tuple[str, ...]
    energy: UFloat | None = None

    def weight_at(self, amo_draw: float) -> float | None:
        """Return the force at a draw between two points, lb; None outside the curve."""
        for i in range(len(self.draw_in) - 1):
            if self.draw_in[i] <= amo_draw <= self.draw_in[i + 1]:
                share = (amo_draw - self.draw_in[i]) / (self.draw_in[i + 1] - self.draw_in[i])
                return self.force_lb[i] + share * (self.force_lb[i + 1] - self.force_lb[i])
        return None


def curve_of(readings: Readings) -> Curve | None:
    """Make the curve from what was read; None without a point.

    The curve begins with no force at the brace height, which is measured to the pivot point.
    """
    points = _merged(readings.draw_points)
    if not points:
        return None
    shift = AMO_TO_PIVOT_IN if readings.draw_measured_to == "pivot" else 0.0
    draws = [ufloat(p[0], DRAW_SD_MM) / MM_PER_INCH + shift for p in points]
    forces = [ufloat(p[1], p[2]) for p in points]
    problems = []
    started = readings.brace_height is not None
    if readings.brace_height is not None:
        brace = amo_draw_in(readings.brace_height.value / MM_PER_INCH)
        if brace < draws[0].nominal_value:
            draws.insert(0, ufloat(brace, DRAW_SD_MM / MM_PER_INCH))
            forces.insert(0, ufloat(0.0, 1e-6))  # no force at brace, by definition
        elif forces[0].nominal_value > 0:
            started = False
            problems.append(
                "The first point of the draw lies before the brace height and has a force: "
                "one of the two was read wrong, or the draw was measured to another point."
            )
    x = [float(d.nominal_value) for d in draws]
    y = [float(f.nominal_value) for f in forces]
    for a, b, f, g in zip(x, x[1:], y, y[1:], strict=False):
        if g < f:
            problems.append(
                f"The force falls from {f:.1f} to {g:.1f} lb between {a:.1f} and {b:.1f} in of "
                "draw. A bow without wheels never does that: read it again. If it is so, let "
                "down and look the limbs over before anything else."
            )
    slopes = tuple((g - f) / (b - a) for a, b, f, g in zip(x, x[1:], y, y[1:], strict=False))
    energy = None
    if started and len(x) > 1 and not problems:
        # Trapezes: inches times pounds, 12 inches to the foot.
        energy = (
            sum(
                (forces[i] + forces[i + 1]) / 2 * (draws[i + 1] - draws[i])
                for i in range(len(x) - 1)
            )
            / 12
        )
    return Curve(
        tuple(x),
        tuple(y),
        x[-1],
        y[-1],
        slopes,
        _rising_from(x, slopes, STACKING_SHARE * y[-1]),
        _rising_from(x, slopes, STACKING_LB_IN),
        None if energy is None else (float(energy.nominal_value), float(energy.std_dev)),
        tuple(problems),
        energy,
    )


def _merged(points: Sequence[DrawPoint]) -> list[tuple[float, float, float]]:
    """Points in rising order; several readings at one draw become their mean."""
    at: dict[float, list[tuple[float, float]]] = {}
    for p in points:
        at.setdefault(round(p.at.value, 3), []).append(p.force.with_uncertainty(SCALE_SD_LB))
    return [
        (
            draw,
            sum(f for f, _ in found) / len(found),
            (sum(u**2 for _, u in found) ** 0.5) / len(found),
        )
        for draw, found in sorted(at.items())
    ]


def _rising_from(draws: Sequence[float], slopes: Sequence[float], steep: float) -> float | None:
    """Where the last unbroken stretch of slopes above a threshold begins.

    None if the last stretch is not steep, or if all of the curve is, for then nothing sets in.
    """
    start = len(slopes)
    while start > 0 and slopes[start - 1] > steep:
        start -= 1
    return draws[start] if 0 < start < len(slopes) else None


@dataclass(frozen=True)
class ArrowFigures:
    """What one arrow comes to.

    Attributes
    ----------
    name
        Of the arrow.
    grains_per_pound
        Mass over the draw weight at the archer's draw; None without a weight.
    energy_ft_lb, momentum_slug_fps, efficiency
        From its speed, value and standard uncertainty; None where it was not measured. The
        efficiency needs the draw curve too.
    """

    name: str
    grains: float
    grains_per_pound: float | None
    energy_ft_lb: tuple[float, float] | None
    momentum_slug_fps: tuple[float, float] | None
    efficiency: tuple[float, float] | None


def kinetic_energy_ft_lb(grains: float | UFloat, fps: float | UFloat) -> float | UFloat:
    """Return the kinetic energy of an arrow, ft·lb: m v² / 2 g, with m in pounds."""
    return grains / GRAINS_PER_POUND * fps**2 / (2 * STANDARD_GRAVITY_FPS2)


def momentum_slug_fps(grains: float | UFloat, fps: float | UFloat) -> float | UFloat:
    """Return the momentum of an arrow, slug·ft/s."""
    return grains / GRAINS_PER_POUND / STANDARD_GRAVITY_FPS2 * fps


def arrow_figures(
    readings: Readings, curve: Curve | None, weight_lb: float | None
) -> tuple[ArrowFigures, ...]:
    """Return what each arrow comes to.

    Parameters
    ----------
    readings
        Arrows with mass and speed.
    curve
        For the efficiency.
    weight_lb
        Draw weight at the archer's draw.
    """
    figures = []
    for arrow in readings.arrows:
        mass = ufloat(*arrow.mass.with_uncertainty(GRAIN_SD))
        energy = momentum = efficiency = None
        if arrow.speed is not None:
            speed = ufloat(*arrow.speed.with_uncertainty(SPEED_SD_FPS))
            energy = kinetic_energy_ft_lb(mass, speed)
            momentum = momentum_slug_fps(mass, speed)
            if curve is not None and curve.energy is not None:
                efficiency = energy / curve.energy
        figures.append(
            ArrowFigures(
                arrow.name,
                arrow.mass.value,
                None if not weight_lb else arrow.mass.value / weight_lb,
                _pair(energy),
                _pair(momentum),
                _pair(efficiency),
            )
        )
    return tuple(figures)


def _pair(number: UFloat | None) -> tuple[float, float] | None:
    return None if number is None else (float(number.nominal_value), float(number.std_dev))
