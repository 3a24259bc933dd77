"""The sample bow: an invented bow received for rework, its story, and its photographs.

    python -m sample_images.making.sample_bow --out sample_images

The maker marked one limb for each end; it arrived with the limbs on the wrong ends. Its upper
pad was cut out of square, the limb marked lower has a lip on its right side, all pins are
tight. As it arrived both limbs stand off to a side and at an angle; exchanged, they run
fairly straight, and what is left is the pad and the lip. Maker, owner and bow are invented.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.making.bench import (
    Surroundings,
    back_wall,
    bench_top,
    block,
    room_light,
)
from sample_images.making.bow import Limb, RiserEnd
from sample_images.making.clutter import cork, hex_key, pencil, rule
from sample_images.making.dressed import LimbLook, RiserLook
from sample_images.making.lens import Camera, lens_of
from sample_images.making.phone import Phone, saved
from sample_images.making.photograph import Effort, taken
from sample_images.making.records import known_of, write_record
from sample_images.making.shots import (
    Held,
    Laid,
    Paper,
    Seat,
    Shot,
    Stood,
    joint_camera,
    joint_card,
    joint_shot,
    pad_camera,
    pad_card,
    pad_shot,
    placed,
    seat_camera,
    seat_cards,
    seat_shot,
    sight_camera,
    sight_cards,
    sight_shot,
)

Array = NDArray[np.float64]

FOLDER = "bow"  # of the photographs, below that of the inspection
ENDS = ("upper", "lower")

# ---- the bow ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Hole:
    """Where bolt and pin bring a limb: offset at the butt line (mm) and angle (degrees)."""

    offset: float
    angle: float


RISERS = {
    "upper": RiserEnd(
        width=41.8,
        pad_length=88.0,
        depth=36.0,
        face_height=11.0,
        face_length=150.0,
        pad_squareness_deg=0.62,
        arris_mm=0.3,
        under_arris_mm=6.0,
        shown_mm=440.0,
        pad_arris_mm=0.08,
    ),
    "lower": RiserEnd(
        width=41.7,
        pad_length=88.0,
        depth=36.0,
        face_height=10.9,
        face_length=150.0,
        pad_squareness_deg=0.03,
        arris_mm=0.3,
        under_arris_mm=6.0,
        shown_mm=440.0,
        pad_arris_mm=0.08,
    ),
}
RISER_HOLES = {"upper": Hole(0.5, 0.34), "lower": Hole(-0.5, -0.34)}

_LIMB = Limb(
    length=476.0,
    thickness=10.6,
    tip_width=17.0,
    tip_thickness=4.2,
    wedge_from=84.0,
    flat_to=186.0,
    deflex_deg=-6.0,
    tip_slope_deg=15.0,
    arris_mm=0.25,
    under_arris_mm=0.08,
    tip_round_mm=12.0,
)
LIMBS = {
    "K1": replace(_LIMB, width=41.9, twist_deg=0.22),
    "K2": replace(_LIMB, width=42.85, twist_deg=-0.28),
}
MARKED_FOR = {"K1": "upper", "K2": "lower"}
LIMB_HOLES = {"K1": Hole(-0.45, -0.31), "K2": Hole(1.0, 0.33)}
BUTT_ROLL_DEG = {"K1": 0.03, "K2": -0.02}
# How far a seam opens toward the riser's end, degrees: a pair's own.
WEDGE_DEG = {
    ("upper", "K1"): 0.03,
    ("upper", "K2"): 0.09,
    ("lower", "K1"): 0.02,
    ("lower", "K2"): 0.03,
}
AS_RECEIVED = {"upper": "K2", "lower": "K1"}
EXCHANGED = {"upper": "K1", "lower": "K2"}

RISER_LOOK = RiserLook(
    "rosewood", ((0.0, 4.4, "maple"), (0.0, 3.2, "padauk"), (0.0, 0.9, "maple")), 0.22, 7301
)
LIMB_LOOKS = {
    "K1": LimbLook("clear over yew", "bamboo", 0.16, 7411),
    "K2": LimbLook("clear over yew", "bamboo", 0.16, 7412),
}
BOLT_Y = 33.0

# ---- cards and telephone ---------------------------------------------------------------

PAPER = Paper((0.996, 0.9975), 1.05)
FOLD_DEG = {"C": 0.025, "D": -0.035}  # print against fold, the same in every photograph
SIZE = (3264, 2448)
TAG_35MM = 26
LENS = lens_of(*SIZE, 26.25, 0.031, -0.018, (0.0009, -0.0012))
PHONE = Phone(
    blur_px=0.75,
    gain=1.6e-4,
    read_noise=0.0012,
    tint=(1.012, 1.0, 0.985),
    curve=0.22,
    sharpening=0.35,
    vignetting=0.14,
    quality=86,
)
MAKE, MODEL = "Aldren", "Aldren T4"
PX_PER_MM = 7.0
BENCH_SEED, WALL_SEED, ROOM_SEED = 6, 6, 41


def seat_of(end: str, name: str) -> Seat:
    """Return the seat of a limb at an end."""
    riser, limb = RISERS[end], LIMBS[name]
    by_riser, by_limb = RISER_HOLES[end], LIMB_HOLES[name]
    # A butt that is rolled against the pad rests on one side.
    raised = riser.width / 2 * np.tan(np.radians(abs(BUTT_ROLL_DEG[name])))
    seating = placed(
        by_riser.offset + by_limb.offset,
        by_riser.angle + by_limb.angle,
        riser.pad_squareness_deg + BUTT_ROLL_DEG[name],
        float(raised),
        WEDGE_DEG[end, name],
    )
    return Seat(riser, limb, seating, RISER_LOOK, LIMB_LOOKS[name], BOLT_Y, True)


# ---- the photographs -------------------------------------------------------------------


@dataclass(frozen=True)
class Planned:
    """A photograph to be taken: its name, its entry in the inspection, and what it shows."""

    name: str
    entry: dict[str, Any]
    shot: Callable[[np.random.Generator], Shot]


def planned() -> list[Planned]:
    """Return the photographs, in the order in which they were taken."""
    found: list[Planned] = []
    for stage, on in (("received", AS_RECEIVED), ("exchanged", EXCHANGED)):
        for end in ENDS:
            found.append(_seat(stage, end, on[end]))
        for end in ENDS:
            found.append(_sight(stage, end, on[end], exchanged=False))
            if stage == "exchanged":
                found.append(_sight(stage, end, on[end], exchanged=True))
        sides = ("right",) if stage == "received" else ("right", "left")
        found += [_joint(stage, end, on[end], side) for end in ENDS for side in sides]
        if stage == "received":
            found += [_pad(end, number) for end in ENDS for number in (1, 2)]
            found += [_limb_sight(on[end], end) for end in ENDS]
    return found


def _seat(stage: str, end: str, name: str) -> Planned:
    def shot(rng: np.random.Generator) -> Shot:
        seat = seat_of(end, name)
        tilt, towards = np.radians(rng.uniform(1.5, 5)), rng.uniform(0, 2 * np.pi)
        forward = np.array(
            [np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)]
        )
        roll = 90.0 + float(rng.normal(0, 3))
        held = Held(LENS, forward, roll, 0.86, _shift(rng, 0.01), 0.9)
        cards = seat_cards(seat, PAPER, 54.0, 9.0, _laid(rng), _laid(rng))
        return seat_shot(seat, cards, seat_camera(cards, held, 8.0), PX_PER_MM)

    entry = {"view": "seat", "end": end, "limb": name}
    return Planned(f"{stage}-{end}-seat", entry, shot)


def _pad(end: str, number: int) -> Planned:
    def shot(rng: np.random.Generator) -> Shot:
        riser = RISERS[end]
        card = pad_card(riser, PAPER, 1.5, _stood(rng, "C"))
        aside, down = np.radians(rng.normal(0, 2)), np.radians(rng.uniform(4, 10))
        forward = np.array([np.sin(aside), -np.cos(aside) * np.cos(down), -np.sin(down)])
        held = Held(LENS, forward, float(rng.normal(0, 1.5)), 0.66, _shift(rng, 0.02), 0.8)
        return pad_shot(riser, RISER_LOOK, card, pad_camera(riser, card, held), PX_PER_MM)

    return Planned(f"received-{end}-pad-{number}", {"view": "pad", "end": end}, shot)


def _sight(stage: str, end: str, name: str, exchanged: bool) -> Planned:
    def shot(rng: np.random.Generator) -> Shot:
        return _along(rng, seat_of(end, name), exchanged, -12.0)

    cards = "-dc" if exchanged else "-cd" if stage == "exchanged" else ""
    entry: dict[str, Any] = {"view": "sight", "end": end, "limb": name, "near_card_on": "riser"}
    if exchanged:
        entry["cards_exchanged"] = True
    return Planned(f"{stage}-{end}-sight{cards}", entry, shot)


def _limb_sight(name: str, end: str) -> Planned:
    def shot(rng: np.random.Generator) -> Shot:
        return _along(rng, seat_of(end, name), False, 12.0)

    entry = {"view": "sight", "end": end, "limb": name, "near_card_on": "butt"}
    return Planned(f"received-{end}-sight-limb", entry, shot)


def _along(rng: np.random.Generator, seat: Seat, exchanged: bool, near: float) -> Shot:
    names = ("D", "C") if exchanged else ("C", "D")
    stood = (_stood(rng, names[0]), _stood(rng, names[1]))
    sighted = sight_cards(seat, PAPER, names, (near, seat.limb.length - 30.0), stood)
    tipward = sighted.bases[1] - sighted.bases[0]
    aside, down = np.radians(rng.normal(0, 1)), np.radians(rng.uniform(17, 21))
    forward = -tipward / np.linalg.norm(tipward) + np.array([np.tan(aside), 0, -np.tan(down)])
    held = Held(LENS, forward, float(rng.normal(0, 2)), 0.8, _shift(rng, 0.01), 0.35)
    return sight_shot(seat, sighted, sight_camera(sighted, held), PX_PER_MM)


def _joint(stage: str, end: str, name: str, side: str) -> Planned:
    def shot(rng: np.random.Generator) -> Shot:
        seat = seat_of(end, name)
        sign = 1 if side == "right" else -1
        card = joint_card(seat, PAPER, sign, 2.2, 44.0, _laid(rng, aside=0.0, skew=0.7))
        aside, high = np.radians(rng.normal(0, 2)), np.radians(rng.normal(0, 0.8))
        forward = np.array([-sign * np.cos(aside) * np.cos(high), np.sin(aside), -np.sin(high)])
        held = Held(LENS, forward, float(rng.normal(0, 1.2)), 0.74, _shift(rng, 0.015), 0.8)
        camera = joint_camera(seat, card, sign, held)
        return joint_shot(seat, card, camera, sign, PX_PER_MM)

    entry = {"view": "joint", "end": end, "limb": name, "side": side}
    return Planned(f"{stage}-{end}-joint-{side}", entry, shot)


def _laid(rng: np.random.Generator, aside: float = 1.0, skew: float = 1.5) -> Laid:
    return Laid(
        float(rng.uniform(-aside, aside)),
        float(rng.uniform(-skew, skew)),
        float(rng.normal(0, 0.02)),
    )


def _stood(rng: np.random.Generator, name: str) -> Stood:
    return Stood(
        float(rng.uniform(-0.4, 0.4)),
        float(rng.uniform(-1.5, 1.5)),
        float(rng.uniform(-0.7, 0.7)),
        FOLD_DEG[name],
        float(rng.normal(0, 0.02)),
    )


def _shift(rng: np.random.Generator, spread: float) -> tuple[float, float]:
    return float(rng.normal(0, spread)), float(rng.normal(0, spread))


# ---- the workshop ----------------------------------------------------------------------


def workshop(shot: Shot, rng: np.random.Generator) -> Surroundings:
    """Return the bench that all photographs are taken on."""
    depth = RISERS["upper"].depth
    bench_z = -depth - 18.0
    if shot.view == "sight":
        bench_z = -depth - 46.0  # the limbs' tips stay clear of the bench
    bench_rng = np.random.default_rng(BENCH_SEED)
    things = [bench_top(bench_z, 62.0, "boards", bench_rng, fine=True)]
    half = 0.8 * RISERS["upper"].width
    rest = np.array([-half, -118.0, bench_z]), np.array([half, -34.0, -depth])
    things.append(block(*rest, (0.055, 0.06, 0.065)))
    camera = shot.camera
    if shot.view == "seat":
        side = float(rng.choice([-1, 1]))
        things += pencil((side * 95.0, -60.0), float(rng.uniform(-40, 40)), bench_z)
        things += hex_key((-side * 105.0, 40.0), float(rng.uniform(0, 360)), bench_z)
        things += rule((side * 120.0, 95.0), float(rng.uniform(-30, 30)), bench_z)
    elif shot.view == "joint":
        away = -np.sign(camera.position[0])
        things += cork((away * 180.0, 170.0), 25.0, bench_z)
        things += pencil((away * 130.0, -40.0), 70.0, bench_z)
    elif shot.view == "pad":
        things += cork((-150.0, -90.0), 20.0, bench_z)
        things += hex_key((88.0, 55.0), -100.0, bench_z)
    else:
        things += cork((170.0, 90.0), 10.0, bench_z)
        things += pencil((-130.0, 260.0), -20.0, bench_z)
    if shot.view != "seat":
        wall = _behind(camera, bench_z)
        things.append(back_wall(wall, camera.position - wall, np.random.default_rng(WALL_SEED)))
    room = room_light(np.random.default_rng(ROOM_SEED), False, -camera.cam2world[:, 2])
    return Surroundings(things, [], room)


def _behind(camera: Camera, bench_z: float) -> Array:
    level = camera.cam2world[:, 2] * np.array([1.0, 1.0, 0.0])
    at = camera.position + level / np.linalg.norm(level) * 1150.0
    return np.array([at[0], at[1], bench_z])


# ---- what was read and noted -----------------------------------------------------------


def inspection(photos: list[Planned]) -> dict[str, Any]:
    """Return the inspection file's content."""
    return {
        "format": "fitcheck inspection",
        "version": 1,
        "purpose": "rework",
        "stage": "as received",
        "reference": "2026-114",
        "date": "2026-11-19",
        "customer": "M. Ferrandy",
        "shop": "Bench in the old dairy",
        "complaint": "Bought second-hand. The string lies to one side and the upper limb looks "
        "turned; it will not hold a tune.",
        "note": "Unstrung with a stringer before the bolts were loosened. Cards of one sheet, "
        "glued on 0.8 mm board.",
        "bow": {
            "name": "Saltmarsh",
            "maker": "Tolvane and Daughter",
            "serial": "S-31",
            "kind": "recurve",
            "mount": "back",
            "hand": "right",
            "length": "60 in",
            "marked_weight": "46 lb",
            "lightest_arrow": "9 gr/lb",
        },
        "limbs": [
            {"name": name, "marked_for": MARKED_FOR[name], "glass": True, "butt_overlay": "none"}
            for name in LIMBS
        ],
        "as_received": dict(AS_RECEIVED),
        "cards": {"thickness": "1.05 mm", "check_bars": ["99.60 mm", "99.75 mm"]},
        "photos": [{"file": f"{FOLDER}/{photo.name}.jpg", **photo.entry} for photo in photos],
        "readings": {
            "riser_length": "17 1/2 in",
            "shelf_above_centre": "1 1/4 in",
            "rest_height": "1/8 in",
            "brace_height": "7 5/8 in",
            "fingers": "split",
            "tiller": [
                _tiller("6 in", "6 5/16 in", "as received"),
                _tiller("6 5/16 in", "6 in", "exchanged"),
            ],
            "draw": {
                "measured_to": "amo",
                "points": [
                    {"at": f"{inches} in", "force": f"{pounds} lb"}
                    for inches, pounds in (
                        (12, 8.5),
                        (14, 13.5),
                        (16, 18.2),
                        (18, 22.6),
                        (20, 26.8),
                        (22, 31.0),
                        (24, 35.5),
                        (26, 40.4),
                        (27, 43.0),
                        (28, 45.8),
                    )
                ],
            },
            "arrows": [
                {"name": "cedar, 11/32 in", "mass": "455 gr", "speed": "171 fps"},
                {"name": "the customer's carbon", "mass": "352 gr"},
            ],
            "ends": {
                end: {
                    "pad_width": "41.8 mm" if end == "upper" else "41.7 mm",
                    "pad_length": "88 mm",
                    "pad_angle": "9 deg" if end == "upper" else "9.2 deg",
                    "pad_to_string": "152 mm",
                    "centre_to_pad": "8 3/4 in",
                    "bolt_to_pin": "1 1/2 in",
                    "butt_line_to_bolt": "33 mm",
                    "pin_side": "tip",
                    "pins": "tight",
                    "bolt_play": "0.10 mm",
                    "pin_play": "0.02 mm",
                }
                for end in ENDS
            },
            "limbs": {
                name: {
                    "working_limb": "13 3/4 in",
                    "fade_out": "6 3/4 in",
                    "pivot_to_nock": "19 1/4 in",
                    "along_string": "18 1/2 in",
                }
                for name in LIMBS
            },
            "feeler": _feeler(),
        },
        "condition": _condition(),
    }


def _tiller(upper: str, lower: str, limbs: str) -> dict[str, str]:
    """Limb to string at both limbs, read with a steel rule: a pair, so exchanging reverses it."""
    return {"upper": f"{upper} ± 1/32 in", "lower": f"{lower} ± 1/32 in", "limbs": limbs}


def _feeler() -> list[dict[str, Any]]:
    """Blades tried at the seams, bolts snug, the limbs exchanged."""
    return [
        {
            "end": end,
            "side": side,
            "at": "riser end",
            "limb": EXCHANGED[end],
            "enters": "0.03 mm",
            "does_not_enter": "0.08 mm",
        }
        for end in ENDS
        for side in ("left", "right")
    ]


def _condition() -> list[dict[str, Any]]:
    clear = (
        "crack_across crack_through delamination butt_glass_cut crushed_bolt_hole growing_twist "
        "weight_loss riser_crack damaged_bolt loose_bushing damaged_nock damaged_string dry_fire "
        "heat string_moves_sideways noise loose_pin"
    )
    found: list[dict[str, Any]] = [{"item": item, "found": False} for item in clear.split()]
    found.append(
        {
            "item": "crack_along",
            "found": True,
            "limb": "K2",
            "note": "Hairline in the clear glass, 14 mm, middle of the back; ends marked in "
            "pencil.",
        }
    )
    found.append(
        {
            "item": "lifted_fibres",
            "found": True,
            "limb": "K1",
            "note": "A few at the left edge below the nock.",
        }
    )
    found.append({"item": "alteration", "found": False, "note": "Pads look untouched."})
    return found


def story() -> dict[str, Any]:
    """Return what is true of the bow as a whole."""
    return {
        "note": "what is true of the sample bow; mm and degrees, signs of each seat's own frame",
        "limbs_exchanged_on_arrival": True,
        "pad_squareness": {end: RISERS[end].pad_squareness_deg for end in ENDS},
        "riser_width": {end: RISERS[end].width for end in ENDS},
        "riser_holes": {
            end: {"offset": hole.offset, "angle": hole.angle} for end, hole in RISER_HOLES.items()
        },
        "limb_width": {name: limb.width for name, limb in LIMBS.items()},
        "limb_holes": {
            name: {"offset": hole.offset, "angle": hole.angle} for name, hole in LIMB_HOLES.items()
        },
        "butt_roll": BUTT_ROLL_DEG,
        "limb_own_roll_at_tip": {name: limb.twist_deg for name, limb in LIMBS.items()},
        "seats": {
            stage: {end: _seat_truth(end, on[end]) for end in ENDS}
            for stage, on in (("as received", AS_RECEIVED), ("exchanged", EXCHANGED))
        },
        "card_fold": FOLD_DEG,
    }


def _seat_truth(end: str, name: str) -> dict[str, Any]:
    from sample_images.making.truth import seat_truth

    seat = seat_of(end, name)
    truth = seat_truth(seat.riser, seat.limb, seat.seating)
    return {"limb": name, **{key: round(value, 4) for key, value in truth.items()}}


# ---- command line ----------------------------------------------------------------------


def main() -> None:
    """Take the photographs and write the inspection."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="", help="take only photographs whose name holds this")
    parser.add_argument("--no-photos", action="store_true", help="write the inspection only")
    options = parser.parse_args()
    photos = planned()
    folder = options.out / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    _write(options.out / "inspection.json", inspection(photos))
    _write(folder / "story.json", story())
    for number, photo in enumerate(photos):
        if options.no_photos or options.only not in photo.name:
            continue
        rng = np.random.default_rng([5, number])
        shot = photo.shot(rng)
        around = workshop(shot, rng)
        effort = Effort(grid=3, edge_grid=3, coarse=2, coarse_grid=3)
        pixels = taken(shot, around, PHONE, 0.72, 0.9, effort, 900 + number, rng)
        path = folder / f"{photo.name}.jpg"
        orientation = (1, 1, 6, 1, 8, 1, 3)[number % 7]
        when = f"2026:11:19 {10 + number // 12:02d}:{number * 5 % 60:02d}:00"
        saved(pixels, path, PHONE, MAKE, MODEL, TAG_35MM, orientation, when)
        write_record(path, known_of(shot, path.name, TAG_35MM))
        print(path, f"{path.stat().st_size / 1e6:.2f} MB", flush=True)


def _write(path: Path, content: dict[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
