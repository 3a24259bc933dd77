"""Invented bows with a known fault, measured without pictures: geometry and stated noise.

    python tests/simulated_bows.py --seeds 1000 1200

Each bow has parts as sound as such parts are, and one fault (or none): a pad, a butt, a
limb's own twist, the holes of riser or limb, or limbs fitted in pairs that changed ends. Limbs
are placed on pads with rotation matrices; twist is read from the cards' up directions as
design.md section 3 defines it, not from the sums that the findings rest on. Every reading
gets normal noise of its stated standard uncertainty; the standing cards' own errors and the
riser's face are the same in all photographs of a bow.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from fitcheck.findings.combine import gather
from fitcheck.findings.faults import Faults, find_faults
from fitcheck.findings.limits import limits_in_force
from fitcheck.findings.sums import Part, Play
from fitcheck.inspection import ENDS, Inspection, Limb, PhotoEntry
from fitcheck.measurement import Characteristic, Measurement

LIMBS = ("A", "B")
PROTOCOLS = ("everything", "as received", "with pads", "exchanged", "both cards", "some")
KINDS = ("pad", "butt", "own_twist", "riser_holes", "limb_holes", "exchanged", "none")

# Parts that are sound: how far they are off all the same.
SOUND_DEG, SOUND_OFFSET_MM, SOUND_ANGLE_DEG = 0.03, 0.05, 0.02
FACE_SD_DEG, FOLD_SD_DEG = 0.05, 0.03
TYPICAL_U = {
    "pad_squareness": 0.05,
    "twist": 0.08,
    "lateral_offset": 0.04,
    "lateral_angle": 0.04,
    "limb_width": 0.05,
    "riser_width": 0.05,
}


@dataclass
class Bow:
    """An invented bow: shares of its parts, deg and mm, and which is at fault."""

    pad: dict[str, float]
    butt: dict[str, float]
    own_twist: dict[str, float]
    riser_offset: dict[str, float]
    riser_angle: dict[str, float]
    limb_offset: dict[str, float]
    limb_angle: dict[str, float]
    face: dict[str, float]
    fold: dict[str, float]
    slope_deg: dict[str, float]
    kind: str
    faulty: Part | None
    size: float
    as_received: dict[str, str] = field(default_factory=lambda: {"upper": "A", "lower": "B"})


def invent(seed: int, kind: str | None = None) -> Bow:
    """Invent a bow."""
    rng = np.random.default_rng([2207, seed])

    def sound(names, sd):
        return {name: float(sd * rng.standard_normal()) for name in names}

    bow = Bow(
        pad=sound(ENDS, SOUND_DEG),
        butt=sound(LIMBS, SOUND_DEG),
        own_twist=sound(LIMBS, SOUND_DEG),
        riser_offset=sound(ENDS, SOUND_OFFSET_MM),
        riser_angle=sound(ENDS, SOUND_ANGLE_DEG),
        limb_offset=sound(LIMBS, SOUND_OFFSET_MM),
        limb_angle=sound(LIMBS, SOUND_ANGLE_DEG),
        face=sound(ENDS, FACE_SD_DEG),
        fold=sound("CD", FOLD_SD_DEG),
        slope_deg={name: float(rng.uniform(5, 25)) for name in LIMBS},
        kind=kind or KINDS[int(rng.integers(len(KINDS)))],
        faulty=None,
        size=0.0,
    )
    sign = float(rng.choice((-1, 1)))
    if bow.kind in ("pad", "butt", "own_twist"):
        where = str(rng.choice(ENDS if bow.kind == "pad" else LIMBS))
        bow.size = sign * float(rng.uniform(0.1, 1.5))
        getattr(bow, bow.kind)[where] += bow.size
        bow.faulty = Part("pad", where) if bow.kind == "pad" else Part(bow.kind, limb=where)
    elif bow.kind in ("riser_holes", "limb_holes"):
        owner = bow.kind.removesuffix("_holes")
        where = str(rng.choice(ENDS if owner == "riser" else LIMBS))
        # Bolt or pin off by so much, 25 to 50 mm apart, bolt 20 to 35 mm from the butt line.
        wrong, apart, bolt = rng.uniform(0.1, 1.0), rng.uniform(25, 50), rng.uniform(20, 35)
        angle = sign * np.degrees(np.arctan(wrong / apart))
        offset = -sign * wrong * bolt / apart
        if rng.random() < 0.5:  # the bolt instead of the pin
            angle, offset = -angle, offset + sign * wrong * (1 + 2 * bolt / apart)
        getattr(bow, f"{owner}_offset")[where] += float(offset)
        getattr(bow, f"{owner}_angle")[where] += float(angle)
        bow.size = float(offset)
        bow.faulty = (
            Part("riser_holes", where) if owner == "riser" else Part("limb_holes", limb=where)
        )
    elif bow.kind == "exchanged":
        # Fitted in pairs, A to the upper end; received the other way round.
        bow.size = sign * float(rng.uniform(0.3, 1.0))
        other = bow.size * float(rng.uniform(-1.2, -0.6))
        for end, limb, off in (("upper", "A", bow.size), ("lower", "B", other)):
            bow.pad[end] += off
            bow.butt[limb] -= off
        bow.as_received = {"upper": "B", "lower": "A"}
    return bow


def rolled(degrees: float) -> np.ndarray:
    """Rotation about y that lifts the right side (x > 0, toward +z)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])


def turned(degrees: float) -> np.ndarray:
    """Rotation about z that swings the tip (y) to the right (x)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def sloped(degrees: float) -> np.ndarray:
    """Rotation about x that bends the tip toward the pad's side (y toward -z)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[1, 0, 0], [0, c, s], [0, -s, c]])


def twist_of(bow: Bow, end: str, limb: str, from_riser: bool) -> float:
    """Twist as two standing cards show it, deg."""
    seat = rolled(bow.pad[end]) @ turned(bow.riser_angle[end] + bow.limb_angle[limb])
    butt = seat @ rolled(bow.butt[limb])
    tip_base = butt @ np.array([0.0, 480.0, -40.0])
    tip_up = butt @ rolled(bow.own_twist[limb]) @ sloped(bow.slope_deg[limb]) @ [0, 0, 1.0]
    near_base = np.array([0.0, -40.0, 0.0]) if from_riser else butt @ np.array([0.0, 60.0, 0.0])
    near_up = (rolled(bow.face[end]) if from_riser else butt) @ [0, 0, 1.0]
    along = tip_base - near_base
    along = along - (along @ near_up) * near_up
    across = np.cross(along / np.linalg.norm(along), near_up)
    return -float(np.degrees(np.arcsin(tip_up @ across)))


def photograph(bow: Bow, protocol: str, seed: int) -> Inspection:
    """Take the photographs of a protocol, with noise."""
    rng = np.random.default_rng([911, seed])
    photos: list[PhotoEntry] = []

    def measured(view, truth, shared=None, **where):
        found = []
        for name, value in truth.items():
            unit = "deg" if name in ("twist", "pad_squareness", "lateral_angle") else "mm"
            u = TYPICAL_U[
                name.replace("overhang_left", "lateral_offset").replace(
                    "overhang_right", "lateral_offset"
                )
            ] * float(rng.uniform(0.6, 1.5))
            budget = {"edge": 0.8 * u, "arris": 0.6 * u}
            read = value + u * float(rng.standard_normal())
            if shared:
                budget["card_fold"] = shared
                u = float(np.hypot(u, shared))
            found.append(
                Characteristic(name, read, unit, u, (read - 1.96 * u, read + 1.96 * u), budget)
            )
        measurement = Measurement(f"{len(photos)}.jpg", view, characteristics=tuple(found))
        photos.append(PhotoEntry(f"{len(photos)}.jpg", view, measurement=measurement, **where))

    def pad(end):
        value = bow.pad[end] + bow.fold["C"]
        measured("pad", {"pad_squareness": value}, FOLD_SD_DEG, end=end)

    def seat(end, limb):
        offset = bow.riser_offset[end] + bow.limb_offset[limb]
        angle = bow.riser_angle[end] + bow.limb_angle[limb]
        measured(
            "seat",
            {
                "overhang_left": -offset,
                "overhang_right": offset,
                "lateral_offset": offset,
                "lateral_angle": angle,
            },
            end=end,
            limb=limb,
        )

    def sight(end, limb, from_riser, exchanged=False):
        own = bow.fold["D"] - bow.fold["C"]
        value = twist_of(bow, end, limb, from_riser) + (-own if exchanged else own)
        measured(
            "sight",
            {"twist": value},
            float(np.sqrt(2) * FOLD_SD_DEG),
            end=end,
            limb=limb,
            near_card_on="riser" if from_riser else "butt",
            cards_exchanged=exchanged,
        )

    here = list(bow.as_received.items())
    there = [(end, dict(here)["lower" if end == "upper" else "upper"]) for end, _ in here]
    arrangements = here if protocol in ("as received", "with pads") else here + there
    takes = [("seat", *pair) for pair in arrangements]
    takes += [("from riser", *pair) for pair in arrangements]
    if protocol in ("everything", "with pads", "both cards", "some"):
        takes += [("pad", end, None) for end in ENDS]
    if protocol in ("everything", "both cards", "some"):
        takes += [("from butt", *pair) for pair in here]
    if protocol == "some":
        takes = [take for take in takes if rng.random() < 0.6]
    for what, end, limb in takes:
        if what == "pad":
            pad(end)
        elif what == "seat":
            seat(end, limb)
        else:
            for exchanged in (False, True) if protocol == "both cards" else (False,):
                sight(end, limb, what == "from riser", exchanged)
    return Inspection(
        limbs=tuple(Limb(name) for name in LIMBS),
        as_received=bow.as_received,
        photos=tuple(photos),
    )


def find(inspection: Inspection) -> Faults:
    """Run the findings on the photographs' measurements."""
    evidence = gather(inspection, [photo.measurement for photo in inspection.photos])
    play = {end: Play(0.01, 0.01, True) for end in ENDS}
    return find_faults(inspection, evidence, limits_in_force({}), play)


def stated_uncertainty(faults: Faults, part: Part) -> tuple[float, ...]:
    """Expanded uncertainties (95 %) of a part's share as the findings state them."""
    cause = faults.cause(part)
    u = [cause.standard_uncertainty]
    if cause.angle is not None:
        u.append(cause.angle[1])
    if cause.determined:  # the readings alone fix it: theirs is the uncertainty that counts
        shares = faults.roll if part in faults.roll.readings.parts else faults.sideways
        u = list(shares.least_squares(part)[1])
    return tuple(1.96 * one for one in u)


def true_share(bow: Bow, part: Part) -> tuple[float, ...]:
    """What the part truly brings."""
    if part.kind == "riser_holes":
        return bow.riser_offset[part.end], bow.riser_angle[part.end]
    if part.kind == "limb_holes":
        return bow.limb_offset[part.limb], bow.limb_angle[part.limb]
    return (getattr(bow, part.kind)[part.end or part.limb],)


def named_first(faults: Faults) -> object:
    """What the findings name first: ``"exchanged"``, a part, or None."""
    if faults.exchange.verdict == "exchanged":
        return "exchanged"
    named = [cause for cause in faults.named if cause.part.kind != "width"]
    return named[0].part if named else None


def outcome(bow: Bow, faults: Faults) -> str:
    """How the findings compare with the truth.

    ``right``, ``missed`` or ``wrong`` where the fault is at least twice its stated (expanded)
    uncertainty. ``small`` where it is less and the readings alone fix the share. Where they do
    not: ``told apart`` (named rightly all the same), ``cannot tell`` (it is among those said to
    be in doubt), ``silent`` (nothing named) or ``misled`` (another part is named). For sound
    bows ``sound`` or ``false alarm``.
    """
    first = named_first(faults)
    doubted = {part for doubt in faults.doubts for part in doubt.parts}
    if bow.kind == "none":
        severe = [c for c in faults.named if c.part.kind != "width" and c.p_past_good > 0.5]
        return "false alarm" if severe or first == "exchanged" else "sound"
    if bow.kind == "exchanged":
        if not faults.exchange.determined:
            return "told apart" if first == "exchanged" else "silent"
        return "right" if first == "exchanged" else "missed" if first is None else "wrong"
    stated = stated_uncertainty(faults, bow.faulty)
    truth = true_share(bow, bow.faulty)
    if any(abs(t) >= 2 * u for t, u in zip(truth, stated, strict=True)):
        return "right" if first == bow.faulty else "missed" if first is None else "wrong"
    if faults.cause(bow.faulty).determined:
        return "small"
    if first == bow.faulty:
        return "told apart"
    if bow.faulty in doubted:
        return "cannot tell"
    return "silent" if first is None else "misled"


def run(seeds: range) -> Counter[tuple[str, str, str]]:
    """Simulate and count: kind of fault, protocol, outcome."""
    counts: Counter[tuple[str, str, str]] = Counter()
    for seed in seeds:
        bow = invent(seed)
        protocol = PROTOCOLS[int(np.random.default_rng([5, seed]).integers(len(PROTOCOLS)))]
        counts[bow.kind, protocol, outcome(bow, find(photograph(bow, protocol, seed)))] += 1
    return counts


def main() -> int:
    parser = argparse.ArgumentParser(description="Simulate invented bows and find their faults.")
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 200), metavar=("FROM", "TO"))
    options = parser.parse_args()
    counts = run(range(*options.seeds))
    outcomes = sorted({o for *_, o in counts})
    print(f"{'fault':<13}{'photographs':<13}" + "".join(f"{o:>13}" for o in outcomes))
    for kind in KINDS:
        for protocol in PROTOCOLS:
            row = [counts[kind, protocol, o] for o in outcomes]
            if sum(row):
                print(f"{kind:<13}{protocol:<13}" + "".join(f"{n or '':>13}" for n in row))
    total = Counter()
    for (*_, name), n in counts.items():
        total[name] += n
    judged = total["right"] + total["missed"] + total["wrong"]
    print(dict(total))
    if judged:
        print(f"named rightly where it can be told: {total['right']} of {judged}")
    open_ones = sum(total[o] for o in ("told apart", "cannot tell", "silent", "misled"))
    if open_ones:
        print(f"misled where it cannot be told: {total['misled']} of {open_ones}")
    return 0 if judged and total["right"] >= 0.95 * judged else 1


if __name__ == "__main__":
    sys.exit(main())
