"""The four views: where cards go on a bow, what is in the picture, and what is true of it.

Nothing here is drawn by chance. Who wants a photograph says how the cards were set and how
the telephone was held; :mod:`cases` draws that by seed, :mod:`sample_bow` and :mod:`lot` tell
it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.making.bow import PAD_GAP_MM, Limb, RiserEnd, Seating, seated
from sample_images.making.cards import PlacedCard, lying, standing
from sample_images.making.dressed import (
    LimbLook,
    RiserLook,
    bolt_thing,
    card_things,
    limb_things,
    riser_things,
)
from sample_images.making.lens import Camera, Lens, framed, looking
from sample_images.making.meshes import Mesh
from sample_images.making.tracing import Thing
from sample_images.making.truth import (
    joint_truth,
    limb_side,
    pad_truth,
    riser_side,
    seat_truth,
    twist_deg,
)

Array = NDArray[np.float64]

ACROSS, ALONG, UP = np.eye(3)


@dataclass(frozen=True)
class Seat:
    """A riser's end with a limb on it, and how both look."""

    riser: RiserEnd
    limb: Limb
    seating: Seating
    riser_look: RiserLook
    limb_look: LimbLook
    bolt_y: float = 34.0
    bolt_dark: bool = False

    def things(self, px_per_mm: float) -> list[Thing]:
        """Return riser, limb and bolt."""
        return [
            *riser_things(self.riser, self.riser_look, px_per_mm),
            *limb_things(self.limb, self.limb_look, self.seating, px_per_mm),
            bolt_thing(self.limb, self.seating, self.bolt_y, self.bolt_dark),
        ]


@dataclass(frozen=True)
class Paper:
    """A set of cards: print scale along and across, thickness in mm."""

    scale: tuple[float, float] = (1.0, 1.0)
    thickness: float = 1.0


@dataclass(frozen=True)
class Laid:
    """How a card was laid: off the middle (mm), turned (degrees), bowed (mm)."""

    aside: float = 0.0
    skew: float = 0.0
    bow: float = 0.0


@dataclass(frozen=True)
class Stood:
    """How a card was stood up: off the centre mark (mm); lean, skew and fold (degrees)."""

    aside: float = 0.0
    lean: float = 0.0
    skew: float = 0.0
    fold: float = 0.0
    bow: float = 0.0


@dataclass(frozen=True)
class Held:
    """How the telephone was held.

    Attributes
    ----------
    lens
        Its lens.
    forward
        Where it looks, in the seat frame.
    roll_deg
        Its turn about that direction, from level (from the tip being up, for a seat).
    fill
        How much of the half frame the cards reach into.
    shift
        Of the cards' middle from the frame's, as a share of width and height.
    aperture_mm
        Radius of the lens opening.
    """

    lens: Lens
    forward: Array
    roll_deg: float
    fill: float
    shift: tuple[float, float] = (0.0, 0.0)
    aperture_mm: float = 0.8

    def aimed(self, up: Array, points: Array, sharp_at: Array) -> Camera:
        """Return the camera that has the points in its frame and is focused on a place."""
        turn = looking(self.forward, up, self.roll_deg)
        position = framed(self.lens, turn, points, self.fill, self.shift)
        bare = Camera(self.lens, turn, position)
        return Camera(self.lens, turn, position, self.aperture_mm, float(bare.depth(sharp_at)))


@dataclass(frozen=True, eq=False)
class Shot:
    """What a photograph shows, and what is true of it.

    Attributes
    ----------
    view
        Its name.
    truth
        Characteristics, mm and degrees.
    edges
        Names to the two ends in the seat frame, mm.
    cards
        The first one's print scale and thickness hold for all.
    camera
        Where it was taken from.
    things, matter
        All that belongs to the bow; of that, what is worth tracing finely.
    fine_along
        The stretch along y that is.
    arris_mm
        Rounding of edges.
    extra
        What else is known, for the record.
    """

    view: str
    truth: dict[str, float]
    edges: dict[str, tuple[Array, Array]]
    cards: list[PlacedCard]
    camera: Camera
    things: list[Thing]
    matter: list[Mesh]
    fine_along: tuple[float, float]
    arris_mm: dict[str, float]
    extra: dict[str, Any] = field(default_factory=dict)


def placed(
    offset: float = 0.0,
    angle_deg: float = 0.0,
    roll_deg: float = 0.0,
    gap_butt: float = 0.0,
    wedge_deg: float = 0.0,
) -> Seating:
    """Return a seating as :func:`bow.seated`, its butt just clear of the riser's shoulder."""
    seating = seated(offset, angle_deg, roll_deg, gap_butt, wedge_deg)
    return Seating(seating.limb2seat, seating.origin + ALONG * PAD_GAP_MM)


def _meshes(things: list[Thing]) -> list[Mesh]:
    return [thing.mesh for thing in things]


# ---- seat ------------------------------------------------------------------------------


def seat_cards(
    seat: Seat, paper: Paper, a_from: float, b_to: float, laid_a: Laid, laid_b: Laid
) -> list[PlacedCard]:
    """Lay A on the limb from ``a_from`` on, and B on the riser up to ``b_to`` from the butt."""
    half = 62 * paper.scale[0]
    at, axes = seat.limb.surface(a_from + half)
    a = lying(
        "A",
        seat.seating.of(at + axes[:, 0] * laid_a.aside),
        seat.seating.limb2seat @ axes,
        laid_a.skew,
        paper.scale,
        paper.thickness,
        laid_a.bow,
    )
    b = lying(
        "B",
        np.array([laid_b.aside, -b_to - half, seat.riser.face_height]),
        np.eye(3),
        laid_b.skew,
        paper.scale,
        paper.thickness,
        laid_b.bow,
    )
    return [a, b]


def seat_camera(cards: list[PlacedCard], held: Held, sharp_z: float) -> Camera:
    """Return the camera over both cards."""
    points = np.concatenate([card.outline() for card in cards])
    return held.aimed(ALONG, points, UP * sharp_z)


def seat_shot(seat: Seat, cards: list[PlacedCard], camera: Camera, px_per_mm: float) -> Shot:
    """Photograph a seat, facing the limb's outer face."""
    bow = seat.things(px_per_mm)
    paper = [thing for card in cards for thing in card_things(card)]
    z = seat.riser.face_height
    edges = {}
    for name, side in (("left", -1), ("right", 1)):
        limb_ends = [limb_side(seat.limb, seat.seating, side, y) for y in (5.0, 60.0)]
        riser_ends = [riser_side(seat.riser, side, y, z) for y in (-60.0, -5.0)]
        edges[f"limb_{name}"] = (limb_ends[0], limb_ends[1])
        edges[f"riser_{name}"] = (riser_ends[0], riser_ends[1])
    return Shot(
        "seat",
        seat_truth(seat.riser, seat.limb, seat.seating),
        edges,
        cards,
        camera,
        [*bow, *paper],
        _meshes(bow + paper),
        (-160.0, 230.0),
        {"riser": seat.riser.arris_mm, "limb": seat.limb.arris_mm},
    )


# ---- pad -------------------------------------------------------------------------------


def pad_axes(riser: RiserEnd) -> Array:
    """Return the pad's own axes as columns: across, along, out."""
    slope = np.radians(riser.pad_squareness_deg)
    across = np.array([np.cos(slope), 0.0, np.sin(slope)])
    return np.stack([across, ALONG, np.array([-np.sin(slope), 0.0, np.cos(slope)])], axis=1)


def pad_card(
    riser: RiserEnd, paper: Paper, back: float, stood: Stood, name: str = "C"
) -> PlacedCard:
    """Stand a card across the pad, ``back`` mm from the riser's end."""
    axes = pad_axes(riser)
    at = ALONG * (riser.pad_length - back) + axes[:, 0] * stood.aside
    return _stood(name, at, axes, paper, stood)


def _stood(name: str, at: Array, axes: Array, paper: Paper, how: Stood) -> PlacedCard:
    return standing(
        name, at, axes, paper.scale, paper.thickness, how.lean, how.skew, how.fold, how.bow
    )


def pad_camera(riser: RiserEnd, card: PlacedCard, held: Held) -> Camera:
    """Return the camera before the riser's end."""
    end = ALONG * riser.pad_length
    corners = [end + ACROSS * side * 21 - UP * riser.depth for side in (-1, 1)]
    return held.aimed(UP, np.concatenate([card.outline(), corners]), end)


def pad_shot(
    riser: RiserEnd, look: RiserLook, card: PlacedCard, camera: Camera, px_per_mm: float
) -> Shot:
    """Photograph a bare pad, looking at the riser's end along it."""
    bow = riser_things(riser, look, 0.6 * px_per_mm, 2.5 * px_per_mm)
    paper = card_things(card)
    lean = np.tan(np.radians(riser.end_lean_deg))
    edges = {}
    for name, side in (("left", -1), ("right", 1)):
        ends = []
        for z in (-riser.depth + riser.under_arris_mm + 2.0, -3.0):
            half = riser.half_width(riser.pad_length, z)
            ends.append(np.array([side * half, riser.pad_length - lean * z, z]))
        edges[f"riser_{name}"] = (ends[0], ends[1])
    return Shot(
        "pad",
        pad_truth(riser),
        edges,
        [card],
        camera,
        [*bow, *paper],
        _meshes([*bow[:2], *paper]),
        (-1e3, 1e3),
        {"riser": riser.arris_mm},
    )


# ---- sight -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Sighted:
    """Two standing cards, first the one toward the grip, and the surfaces that they stand on."""

    cards: list[PlacedCard]
    bases: list[Array]
    outs: list[Array]


def sight_cards(
    seat: Seat,
    paper: Paper,
    names: tuple[str, str],
    places: tuple[float, float],
    stood: tuple[Stood, Stood],
) -> Sighted:
    """Stand cards across limb or riser.

    Parameters
    ----------
    names
        Of the card toward the grip and of the card at the tip.
    places
        Where along they stand, mm; below zero is on the riser's face.
    """
    cards, bases, outs = [], [], []
    for name, y, how in zip(names, places, stood, strict=True):
        if y < 0:
            at, axes = ALONG * y + UP * seat.riser.face_height, np.eye(3)
        else:
            at, axes = seat.limb.surface(y)
            at, axes = seat.seating.of(at), seat.seating.limb2seat @ axes
        bases.append(at)
        outs.append(axes[:, 2])
        cards.append(_stood(name, at + axes[:, 0] * how.aside, axes, paper, how))
    return Sighted(cards, bases, outs)


def sight_camera(sighted: Sighted, held: Held) -> Camera:
    """Return the camera beyond the tip, sharp between the cards, nearer to the near one."""
    points = np.concatenate([card.outline() for card in sighted.cards])
    camera = held.aimed(UP, points, sighted.bases[1])
    far, near = (float(camera.depth(base)) for base in sighted.bases)
    sharp = 2 / (1.15 / near + 0.85 / far)
    return Camera(camera.lens, camera.cam2world, camera.position, held.aperture_mm, sharp)


def sight_shot(seat: Seat, sighted: Sighted, camera: Camera, px_per_mm: float) -> Shot:
    """Photograph along a limb from beyond its tip."""
    riser = riser_things(seat.riser, seat.riser_look, 0.6 * px_per_mm)
    limb = limb_things(seat.limb, seat.limb_look, seat.seating, 0.8 * px_per_mm)
    bolt = bolt_thing(seat.limb, seat.seating, seat.bolt_y, seat.bolt_dark)
    paper = [thing for card in sighted.cards for thing in card_things(card)]
    near, far = sighted.cards
    return Shot(
        "sight",
        {"twist": twist_deg(sighted.bases[0], sighted.outs[0], sighted.bases[1], sighted.outs[1])},
        {},
        sighted.cards,
        camera,
        [*riser, *limb, bolt, *paper],
        _meshes([*limb, bolt, *paper]),
        (-1e3, 1e3),
        {"riser": seat.riser.arris_mm, "limb": seat.limb.arris_mm},
        {"card_at_butt": near.name, "card_at_tip": far.name},
    )


# ---- joint -----------------------------------------------------------------------------


def joint_card(
    seat: Seat, paper: Paper, side: int, below: float, middle_y: float, laid: Laid
) -> PlacedCard:
    """Lay B on the riser's side face, ``below`` mm under the seam; side 1 is the right."""
    # Seen from the left with its x axis toward the tip, the card stands on its head.
    axes = np.stack([-side * UP, ALONG, side * ACROSS], axis=1)
    depth = below + 14 * paper.scale[1]
    at = np.array([side * seat.riser.half_width(0.0, 0.0), middle_y, -depth])
    return lying("B", at, axes, laid.skew, paper.scale, paper.thickness, laid.bow)


def seam_arris(riser: RiserEnd) -> float:
    """Return the rounding of the pad's edge along the seam, mm."""
    return riser.arris_mm if riser.pad_arris_mm is None else riser.pad_arris_mm


def joint_camera(seat: Seat, card: PlacedCard, side: int, held: Held) -> Camera:
    """Return the camera beside the riser, at the height of the seam."""
    x = side * seat.riser.width / 2
    ends = [[x, y, seat.limb.thickness] for y in (0.0, seat.riser.pad_length)]
    return held.aimed(UP, np.concatenate([card.outline(), ends]), np.array([x, 40.0, 0.0]))


def joint_shot(seat: Seat, card: PlacedCard, camera: Camera, side: int, px_per_mm: float) -> Shot:
    """Photograph the seam from one side; side 1 is the right."""
    bow = seat.things(1.5 * px_per_mm)
    paper = card_things(card)
    riser, limb = seat.riser, seat.limb
    slope = np.tan(np.radians(riser.pad_squareness_deg))
    pad = []
    for y in (PAD_GAP_MM, riser.pad_length):
        x = side * riser.half_width(y, 0.0)
        pad.append(np.array([x, y, slope * x]))
    under = [
        seat.seating.of(np.array([side * limb.width / 2, y, 0.0]))
        for y in (0.0, riser.pad_length - PAD_GAP_MM)
    ]
    pad_line, limb_line = (pad[0], pad[1]), (under[0], under[1])
    return Shot(
        "joint",
        joint_truth(pad_line, limb_line),
        {"pad_line": pad_line, "limb_line": limb_line},
        [card],
        camera,
        [*bow, *paper],
        _meshes(bow + paper),
        (-22.0, riser.pad_length + 22.0),
        {"riser": seam_arris(riser), "limb": limb.under_arris_mm},
    )
