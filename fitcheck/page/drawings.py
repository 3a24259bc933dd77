"""What was found, drawn: the seat with its overhangs, twist as winding sticks, the string line.

Small errors are drawn larger than they are, by a factor that the drawing states. Widths that are
not errors keep their scale. Left and right of a seat are as one faces the limb's outer face.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from fitcheck.findings.frames import sign_in_bow
from fitcheck.findings.seat import Seat, Value
from fitcheck.findings.string_line import StringLine
from fitcheck.inspection import ENDS
from fitcheck.measurement import Measurement
from fitcheck.overlay import BUTT_COLOUR, LIMB_COLOUR, RISER_COLOUR
from fitcheck.page.units_shown import in_unit_shown, length_text
from fitcheck.svg_pieces import BLUE, INK, LIMB, PAPER, RUST, SOFT, WOOD, WOOD_LINE, shape, text
from fitcheck.svg_pieces import line as stroke
from fitcheck.units import quantity_text

WIDE = 360
PX_PER_MM = 2.6
USUAL_WIDTH_MM = 42.0  # where no width was measured
FACTORS = (20, 10, 5, 2, 1)
LARGEST_PX = 52.0  # of an overhang as drawn
LARGEST_DEG = 16.0  # of an angle as drawn
BAND = "#f3a95f"
LONGEST_LIMB_NAME = 12  # beside the end, in a heading


def factor(values: Sequence[float], px_for_each: float, largest_px: float) -> int:
    """Largest factor of those in use with which every value stays within the drawing."""
    most = max((abs(v) for v in values), default=0.0)
    for tried in FACTORS:
        if most * tried * px_for_each <= largest_px:
            return tried
    return 1


def overhang_factor(seats: Iterable[Seat]) -> int:
    """Factor by which the overhangs of all these seats can be drawn larger alike."""
    known = [v for seat in seats for v in _overhangs(seat).values() if v is not None]
    return factor([abs(v.value) + v.expanded for v in known], PX_PER_MM, LARGEST_PX)


def twist_factor(seats: Iterable[Seat]) -> int:
    """Factor by which the angles of all these seats' sticks can be drawn larger alike."""
    known = [v for seat in seats for _, v in _sticks(seat)]
    return factor([abs(v.value) + v.expanded for v in known], 1.0, LARGEST_DEG)


def _overhangs(seat: Seat) -> dict[str, Value | None]:
    return {side: seat.values.get(f"overhang_{side}") for side in ("left", "right")}


def _sticks(seat: Seat) -> list[tuple[str, Value]]:
    """What the winding sticks show, each with its name."""
    rows: list[tuple[str, Value]] = []
    if (pad := seat.values.get("pad_squareness")) is not None:
        rows.append(("Pad, against square to the riser", pad))
    if (twist := seat.values.get("twist")) is not None:
        against = "the riser" if seat.twist_from_riser else "the limb’s butt"
        rows.append((f"Tip, against {against}", twist))
    return rows


def seat_svg(seat: Seat, times: int | None = None) -> str:
    """Draw one seat, limb's tip up, with its overhangs and their uncertainty.

    Parameters
    ----------
    seat
        What was measured of it.
    times
        By how much larger its overhangs are drawn, where drawings are compared
        (:func:`overhang_factor`); None for as large as this seat allows.

    Returns
    -------
    SVG; empty if neither overhang was measured.
    """
    sides = _overhangs(seat)
    if not any(sides.values()):
        return ""
    times = times or overhang_factor([seat])
    width = seat.values.get("riser_width")
    half = (width.value if width else USUAL_WIDTH_MM) / 2 * PX_PER_MM
    middle, butt, top, foot = WIDE / 2, 150.0, 62.0, 238.0
    angle = seat.values.get("lateral_angle")
    lean = 0.0
    if angle is not None:
        lean = math.tan(math.radians(max(-10.0, min(10.0, angle.value * times))))
    at = {
        side: half + (0.0 if value is None else value.value * times * PX_PER_MM)
        for side, value in sides.items()
    }
    shift = lean * (butt - top)
    limb = shape(
        (middle - at["left"], butt),
        (middle - at["left"] + shift, top),
        (middle + at["right"] + shift, top),
        (middle + at["right"], butt),
        fill=LIMB,
        line=INK,
    )
    parts = [
        shape(
            (middle - half, butt),
            (middle + half, butt),
            (middle + half, foot),
            (middle - half, foot),
            fill=WOOD,
            line=WOOD_LINE,
        ),
        limb,
        stroke((middle, top - 4), (middle, foot + 4), colour=PAPER, width=1.25, dash="8 4 2 4"),
    ]
    for side, sign in (("left", -1), ("right", 1)):
        value = sides[side]
        anchor = "start" if sign < 0 else "end"
        x_text = 10.0 if sign < 0 else WIDE - 10.0
        if value is None:
            parts.append(text(x_text, butt + 40, "not measured", 13, SOFT, text_anchor=anchor))
            continue
        x = middle + sign * at[side]
        spread = value.expanded * times * PX_PER_MM
        parts += [
            f'<rect x="{x - spread:.1f}" y="{butt - 16}" width="{2 * spread:.1f}" height="32"'
            f' fill="{BAND}" fill-opacity="0.65"/>',
            stroke((x, butt - 24), (x, butt + 30), colour=RUST, width=2),
            text(x_text, butt + 48, f"Overhang {side}", 13, RUST, text_anchor=anchor),
            *_two_lines(x_text, butt + 66, value, anchor),
        ]
    where = f"{seat.end} end, limb {seat.limb}" if seat.limb else f"{seat.end} end"
    title = f"{seat.end.capitalize()} end"
    if seat.limb:
        cut = len(seat.limb) > LONGEST_LIMB_NAME
        title += f", limb {seat.limb[: LONGEST_LIMB_NAME - 1] + '…' if cut else seat.limb}"
    said = "; ".join(f"overhang {s} {_amount(v)}" for s, v in sides.items() if v is not None)
    return _sheet(
        f"Seat, {where}: {said}",
        302,
        [
            text(16, 28, title, 17, font_weight="bold"),
            text(WIDE - 16, 28, "↑ tip", 14, BLUE, text_anchor="end", font_weight="bold"),
            *parts,
            text(16, 272, _scale_words("Overhangs", times), 13, SOFT),
            text(16, 289, "Orange: how far the edge may lie to either side", 13, SOFT),
        ],
    )


def _two_lines(x: float, y: float, value: Value, anchor: str) -> list[str]:
    number, _, spread = _amount(value).partition(" ± ")
    return [
        text(x, y, number, 15, INK, text_anchor=anchor, font_weight="bold"),
        text(x, y + 17, f"± {spread}", 13, SOFT, text_anchor=anchor),
    ]


def twist_svg(seat: Seat, times: int | None = None) -> str:
    """Draw the seat's pad and twist as sticks across it, seen from the grip toward the tip.

    Parameters
    ----------
    seat
        What was measured of it.
    times
        By how much larger its angles are drawn, where drawings are compared
        (:func:`twist_factor`); None for as large as this seat allows.

    Returns
    -------
    SVG; empty if neither was measured.
    """
    rows = _sticks(seat)
    if not rows:
        return ""
    times = times or twist_factor([seat])
    middle, reach = WIDE / 2, 130.0
    parts: list[str] = []
    y = 136.0
    for name, value in rows:
        drawn = math.radians(value.value * times)
        dx, dy = reach * math.cos(drawn), reach * math.sin(drawn)
        spread = math.radians(value.expanded * times)
        wedge = [
            (middle + s * reach * math.cos(drawn + e), y - s * reach * math.sin(drawn + e))
            for s, e in ((1, spread), (1, -spread))
        ]
        other = [(2 * middle - a, 2 * y - b) for a, b in wedge]
        parts += [
            text(16, y - 64, name, 14, font_weight="bold"),
            text(16, y - 46, _amount(value), 14, RUST),
            shape((middle, y), *wedge, fill=BAND),
            shape((middle, y), *other, fill=BAND),
            stroke((middle - reach, y), (middle + reach, y), colour=SOFT, width=2, dash="6 4"),
            stroke((middle - dx, y + dy), (middle + dx, y - dy), colour=INK, width=5),
            text(16, y + 5, "left", 13, SOFT),
            text(WIDE - 16, y + 5, "right", 13, SOFT, text_anchor="end"),
        ]
        y += 122.0
    high = y - 78
    said = "; ".join(f"{name}: {_amount(value)}" for name, value in rows)
    return _sheet(
        f"Winding sticks, {seat.end} end: {said}",
        int(high + 40),
        [
            text(
                16, 28, f"{seat.end.capitalize()} end, as winding sticks", 17, font_weight="bold"
            ),
            text(16, 47, "Seen from the grip toward the tip", 13, SOFT),
            *parts,
            text(16, high + 24, f"{_scale_words('Angles', times)}; dashed: level", 13, SOFT),
        ],
    )


def string_svg(line: StringLine) -> str:
    """Draw the string over the bow, its outer faces toward you, upper limb up."""
    rows = {"upper pad": 130.0, "grip": 210.0, "lower pad": 290.0}
    tips = {"upper": 52.0, "lower": 368.0}
    values = [abs(p.value) for p in line.places]
    times = factor(values, PX_PER_MM, 70.0)
    middle, scale = 150.0, PX_PER_MM * times
    riser = shape(
        (middle - 40, 130),
        (middle + 40, 130),
        (middle + 26, 210),
        (middle + 40, 290),
        (middle - 40, 290),
        (middle - 26, 210),
        fill=WOOD,
        line=WOOD_LINE,
    )
    limbs = [
        shape(
            (middle - 40, inner),
            (middle + 40, inner),
            (middle + 14, tip),
            (middle - 14, tip),
            fill=LIMB,
            line=INK,
        )
        for inner, tip in ((130.0, tips["upper"]), (290.0, tips["lower"]))
    ]
    places = {p.at: p for p in line.places if p.at in rows}
    points = [(middle + p.value * scale, rows[at]) for at, p in places.items()]
    parts = [
        riser,
        *limbs,
        stroke((middle, 44), (middle, 376), colour=PAPER, width=1.5, dash="8 4 2 4"),
    ]
    if len(points) >= 2:
        (xa, ya), (xb, yb) = points[0], points[-1]
        slope = (xb - xa) / (yb - ya)
        ends = [(xa + slope * (y - ya), y) for y in (tips["upper"], tips["lower"])]
        parts.append(stroke(*ends, colour=PAPER, width=5))
        parts.append(stroke(*ends, colour=RUST, width=2.5))
    said = []
    for at, place in places.items():
        value = Value(place.value, place.standard_uncertainty, "mm")
        x, y = middle + place.value * scale, rows[at]
        parts += [
            f'<circle cx="{x:.1f}" cy="{y}" r="5" fill="{RUST}" stroke="{PAPER}"/>',
            text(248, y - 4, at[:1].upper() + at[1:], 14, font_weight="bold"),
            *[
                text(248, y + 14 + 16 * n, words, 13)
                for n, words in enumerate(_amount(value).split(" ± "))
            ],
        ]
        parts[-1] = parts[-1].replace(">", ">± ", 1)
        said.append(f"{at}: {_amount(value)}")
    where = "limbs exchanged" if line.arrangement == "exchanged" else "as received"
    return _sheet(
        f"String line, {where}, positive to the bow’s right: {'; '.join(said)}",
        420,
        [
            text(16, 28, f"String line, {where}", 17, font_weight="bold"),
            *parts,
            text(16, 396, _scale_words("Off centre", times), 13, SOFT),
            text(16, 413, "+ is to the bow’s right", 13, SOFT),
        ],
    )


def tip_offsets(line: StringLine) -> Mapping[str, tuple[float, float]]:
    """Each tip beside the bow's centreline, mm, positive to the bow's right, with its ±."""
    return {
        end: (sign_in_bow(end) * line.tips[end][0], 1.96 * line.tips[end][1])
        for end in ENDS
        if end in line.tips
    }


def profile_svg(
    across: Sequence[float], light: Sequence[float], found_at: float | None, name: str
) -> str:
    """Draw the light across an edge: a steep step is a clear edge.

    Parameters
    ----------
    across
        Distances from the line, pixels of the photograph.
    light
        Linear light there, 0 to 1.
    found_at
        Where the measured edge lies, in the same distances; None if it was not measured.
    name
        Of the edge.
    """
    high, left, right = 150, 16.0, WIDE - 16.0
    low, top = min(light), max(light)
    span = max(top - low, 0.02)

    def place(distance: float, value: float) -> tuple[float, float]:
        share = (distance - across[0]) / (across[-1] - across[0])
        return left + share * (right - left), high - 30 - (value - low) / span * (high - 68)

    points = [place(d, v) for d, v in zip(across, light, strict=True)]
    parts = [
        stroke((left, high - 30), (right, high - 30), colour=SOFT, width=1),
        stroke(*points, colour=INK, width=2.5),
    ]
    if found_at is not None and across[0] <= found_at <= across[-1]:
        x, _ = place(found_at, low)
        parts.append(stroke((x, 34), (x, high - 30), colour=RUST, width=2, dash="5 3"))
    return _sheet(
        f"Light across {name}, from {low:.2f} to {top:.2f}",
        high,
        [
            text(left, 24, f"Light across: {name}", 14, font_weight="bold"),
            *parts,
            text(left, high - 10, f"{across[0]:.0f} px", 13, SOFT),
            text(WIDE / 2, high - 10, "orange: the edge", 13, RUST, text_anchor="middle"),
            text(right, high - 10, f"{across[-1]:+.0f} px", 13, SOFT, text_anchor="end"),
        ],
    )


def _scale_words(what: str, times: int) -> str:
    return f"{what} drawn {times} × as large" if times > 1 else f"{what} drawn to scale"


def edges_svg(measurement: Measurement) -> str:
    """Draw the measured edges alone, to lie over the photograph.

    Parameters
    ----------
    measurement
        What the photograph gave, in its pixels.
    """
    width, height = measurement.size_px
    thick = max(width, height) / 260
    lines = []
    for edge in measurement.edges:
        (x0, y0), (x1, y1) = edge.pixels
        place = f'x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"'
        lines += [
            f'<line {place} stroke="#101418" stroke-width="{2.2 * thick:.1f}"/>',
            f'<line {place} stroke="{edge_colour(edge.edge)}" stroke-width="{thick:.1f}"/>',
        ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-0.5 -0.5 {width} {height}" '
        f'width="{width}" height="{height}">{"".join(lines)}</svg>'
    )


def edge_colour(edge: str) -> str:
    """Colour of an edge in the drawn pictures, for a style sheet."""
    parts = {"limb": LIMB_COLOUR, "riser": RISER_COLOUR, "pad": RISER_COLOUR}
    colour = parts.get(edge.split("_")[0], BUTT_COLOUR)
    return "#" + "".join(f"{channel:02x}" for channel in colour)


def _amount(value: Value) -> str:
    spread = max(value.expanded, 1e-3)
    if value.unit == "mm":
        return length_text(value.value, spread)
    return quantity_text(value.value, spread, value.unit)


def _sheet(title: str, high: int, parts: Sequence[str]) -> str:
    return in_unit_shown(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {high}" width="{WIDE}"'
        f' height="{high}" role="img"'
        ' font-family="system-ui, -apple-system, Segoe UI, Roboto, Arial, sans-serif">'
        f"<title>{title}</title>"
        f'<rect width="{WIDE}" height="{high}" rx="12" fill="{PAPER}"/>{"".join(parts)}</svg>'
    )
