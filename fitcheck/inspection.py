"""What an inspection is made of: the bow, its photographs, readings, condition and limits.

Plain records. They are read from and written to a file by :mod:`fitcheck.inspection_file`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from fitcheck.measurement import Measurement, Point
from fitcheck.quantities import Quantity
from fitcheck.setup import Setup

End = Literal["upper", "lower"]
Side = Literal["left", "right"]
Arrangement = Literal["as received", "exchanged"]
ENDS: tuple[End, End] = ("upper", "lower")
SIDES: tuple[Side, Side] = ("left", "right")
ARRANGEMENTS: tuple[Arrangement, Arrangement] = ("as received", "exchanged")
# What places a photograph of each view on the bow; a further view needs nothing of it. A sight
# with both cards on the limb is placed by its limb alone: see :func:`placed_by`.
PLACED_BY: dict[str, tuple[str, ...]] = {
    "seat": ("end", "limb"),
    "pad": ("end",),
    "sight": ("end", "limb"),
    "joint": ("end", "limb", "side"),
}
PURPOSES = ("rework", "new pads", "customer")
PADS_ALONE = "new pads"  # the purpose that asks for nothing but a bare riser's pads
STAGES = ("as received", "after rework")
STRING_PLACES = ("grip", "upper pad", "lower pad")

# What the check list asks. What each means is said in findings/condition.py.
CONDITION_ITEMS = (
    "crack_across",
    "crack_along",
    "crack_through",
    "riser_crack",
    "delamination",
    "lifted_fibres",
    "butt_glass_cut",
    "crushed_bolt_hole",
    "damaged_bolt",
    "loose_bushing",
    "loose_pin",
    "damaged_nock",
    "damaged_string",
    "dry_fire",
    "heat",
    "alteration",
    "growing_twist",
    "string_moves_sideways",
    "weight_loss",
    "noise",
)

# Limits of findings/limits.py by their unit; a band has two numbers, a magnitude one.
LIMIT_UNITS = {
    "overhang": "mm",
    "pad_squareness": "deg",
    "seat_gap": "mm",
    "wind": "deg",
    "twist": "deg",
    "lateral_angle": "deg",
    "string_pad": "mm",
    "string_grip": "mm",
    "pin_play": "mm",
    "tiller": "mm",
}
BANDS = frozenset({"tiller"})


@dataclass(frozen=True)
class Bow:
    """What is known of the bow. Every field may stay empty.

    Attributes
    ----------
    name, maker, serial
        For people.
    kind
        ``"recurve"``, ``"longbow"`` or empty.
    mount
        ``"belly"`` or ``"back"``: the side of the riser on which the limbs lie; or empty.
    hand
        ``"right"``, ``"left"`` or empty.
    length
        As marked, mm.
    marked_weight
        As marked, at 28 in of draw, lb.
    lightest_arrow
        By the maker's mark, gr/lb.
    """

    name: str = ""
    maker: str = ""
    serial: str = ""
    kind: str = ""
    mount: str = ""
    hand: str = ""
    length: Quantity | None = None
    marked_weight: Quantity | None = None
    lightest_arrow: Quantity | None = None


@dataclass(frozen=True)
class Limb:
    """One limb.

    Attributes
    ----------
    name
        The mark on it, or what the user calls it.
    marked_for
        The end of the riser that its mark names; None if it has no such mark.
    glass
        Whether its faces are glass; taken as true where nothing is said.
    butt_overlay
        ``"none"``, ``"present"`` or ``"unknown"``: a sacrificial overlay on the butt, the
        only thing on a butt that may be lapped.
    butt_overlay_thickness
        Of that overlay, mm.
    """

    name: str
    marked_for: End | None = None
    glass: bool = True
    butt_overlay: str = "unknown"
    butt_overlay_thickness: Quantity | None = None


@dataclass(frozen=True)
class PhotoEntry:
    """One photograph and what it shows.

    Attributes
    ----------
    file
        Its file, below the folder of the inspection; may be empty if ``measurement`` is given.
    view
        Name of a view, for instance ``"seat"``; one of :data:`fitcheck.views.VIEWS`.
    end
        End of the riser; None for a bare limb on the bench.
    limb
        Name of the limb; None for a bare pad.
    side
        For a joint: the side of the seat it is seen from, facing the limb's outer face, tip up.
    strung
        Whether the bow was strung.
    near_card_on
        For a sight: ``"butt"`` if the nearer card to the grip stands on the limb's butt,
        ``"riser"`` if on the riser's face.
    cards_exchanged
        For a sight: card C at the tip and D at the butt. For a pad: D stands there instead of C.
    seating
        1 for the first time the limb was bolted on, 2 after it was taken off and put back.
    hints
        Rough edges, as for ``measure``.
    as_given
        Those of them that are taken as they were laid, not measured near them.
    face_step
        Riser's face above the limb's face, mm, where card B cannot lie on the riser.
    measurement
        What it gave, if it was measured before.
    note
        Free words.
    """

    file: str
    view: str
    end: End | None = None
    limb: str | None = None
    side: Side | None = None
    strung: bool = False
    near_card_on: str = "butt"
    cards_exchanged: bool = False
    seating: int = 1
    hints: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    as_given: tuple[str, ...] = ()
    face_step: Quantity | None = None
    measurement: Measurement | None = None
    note: str = ""


@dataclass(frozen=True)
class TillerReading:
    """Limb to string at both limbs, mm, and which limb sat where."""

    upper: Quantity
    lower: Quantity
    limbs: Arrangement = "as received"


@dataclass(frozen=True)
class DrawPoint:
    """One point of the force–draw curve: draw (mm) and force (lb)."""

    at: Quantity
    force: Quantity


@dataclass(frozen=True)
class Arrow:
    """An arrow: mass (gr) and, where it was chronographed, speed (fps)."""

    mass: Quantity
    name: str = ""
    speed: Quantity | None = None


@dataclass(frozen=True)
class EndReadings:
    """What was measured at one end of the riser; lengths in mm.

    Attributes
    ----------
    pad_width, pad_length, pad_angle
        Of the pad; the angle to the riser's axis is positive leaning to the belly outward.
    pad_to_string
        From the pad to the strung string, square to the string.
    centre_to_pad
        From the pivot point of the grip to the pad's end, along the string.
    bolt_to_pin
        Distance of the two centres along the limb.
    butt_line_to_bolt
        From the limb's butt line to the bolt's centre.
    pin_side
        ``"tip"`` if the pin lies beyond the bolt as seen from the grip, ``"riser"`` if before.
    pins
        ``"tight"``, ``"snug"`` or ``"loose"`` by feel, or empty.
    bolt_play, pin_play
        Hole less bolt, hole less pin: clearance on the diameter.
    removed_from_pad
        What has been taken off this pad before.
    """

    pad_width: Quantity | None = None
    pad_length: Quantity | None = None
    pad_angle: Quantity | None = None
    pad_to_string: Quantity | None = None
    centre_to_pad: Quantity | None = None
    bolt_to_pin: Quantity | None = None
    butt_line_to_bolt: Quantity | None = None
    pin_side: str = ""
    pins: str = ""
    bolt_play: Quantity | None = None
    pin_play: Quantity | None = None
    removed_from_pad: Quantity | None = None


@dataclass(frozen=True)
class LimbReadings:
    """What was measured on one limb, mm: working part, fade-out, pivot to nock straight and
    along the string.
    """

    working_limb: Quantity | None = None
    fade_out: Quantity | None = None
    pivot_to_nock: Quantity | None = None
    along_string: Quantity | None = None


@dataclass(frozen=True)
class FeelerReading:
    """A feeler gauge at the seam, mm: the thickest blade that enters, the thinnest that does not.

    ``at`` is ``"butt"`` or ``"riser end"``.
    """

    end: End
    side: Side
    at: str
    limb: str | None = None
    enters: Quantity | None = None
    does_not_enter: Quantity | None = None


@dataclass(frozen=True)
class StringReading:
    """Where the strung string was seen, mm off centre, toward a side of the bow.

    ``at`` is ``"grip"``, ``"upper pad"`` or ``"lower pad"``; left and right are the bow's, as
    one faces the limbs' outer faces with the upper limb up.
    """

    at: str
    off: Quantity
    toward: str
    limbs: Arrangement = "as received"


@dataclass(frozen=True)
class Readings:
    """What was read on the bench; every field may stay empty."""

    riser_length: Quantity | None = None
    shelf_above_centre: Quantity | None = None
    rest_height: Quantity | None = None
    brace_height: Quantity | None = None
    fingers: str = ""
    tiller: tuple[TillerReading, ...] = ()
    draw_measured_to: str = "amo"
    draw_points: tuple[DrawPoint, ...] = ()
    arrows: tuple[Arrow, ...] = ()
    ends: Mapping[End, EndReadings] = field(default_factory=dict)
    limbs: Mapping[str, LimbReadings] = field(default_factory=dict)
    feeler: tuple[FeelerReading, ...] = ()
    string: tuple[StringReading, ...] = ()


@dataclass(frozen=True)
class ConditionEntry:
    """One line of the check list: looked for, and found or not."""

    item: str
    found: bool
    limb: str | None = None
    end: End | None = None
    note: str = ""


@dataclass(frozen=True)
class LimitEntry:
    """A limit as it was in force: one number each for a magnitude, a pair each for a band."""

    good: tuple[Quantity, ...]
    rework: tuple[Quantity, ...]
    mark: str = ""
    note: str = ""


@dataclass(frozen=True)
class Inspection:
    """One inspection of one bow. Attributes are described where their own types are."""

    purpose: str = "rework"
    stage: str = "as received"
    reference: str = ""
    date: str = ""
    customer: str = ""
    shop: str = ""
    complaint: str = ""
    note: str = ""
    bow: Bow = field(default_factory=Bow)
    limbs: tuple[Limb, ...] = ()
    as_received: Mapping[End, str] = field(default_factory=dict)
    card_thickness: Quantity | None = None
    check_bars: tuple[Quantity, Quantity] | None = None
    photos: tuple[PhotoEntry, ...] = ()
    readings: Readings = field(default_factory=Readings)
    condition: tuple[ConditionEntry, ...] = ()
    limits: Mapping[str, LimitEntry] = field(default_factory=dict)

    @property
    def pads_alone(self) -> bool:
        """Whether nothing but the riser's pads is asked for; there may be no limb yet."""
        return self.purpose == PADS_ALONE

    def setup(self, photo: PhotoEntry | None = None) -> Setup:
        """Return how the cards were made, with the face step that belongs to a photograph."""
        return Setup(
            None if self.card_thickness is None else self.card_thickness.value,
            None
            if self.check_bars is None
            else (self.check_bars[0].value, self.check_bars[1].value),
            None if photo is None or photo.face_step is None else photo.face_step.value,
        )

    def limb(self, name: str) -> Limb:
        """Return the limb of that name; KeyError if there is none."""
        for limb in self.limbs:
            if limb.name == name:
                return limb
        raise KeyError(f"there is no limb called {name!r}")

    def limbs_at(self, arrangement: Arrangement) -> dict[End, str]:
        """Which limb sits at which end; empty where nothing is known of it."""
        here = dict(self.as_received)
        if arrangement == "exchanged" and len(here) == 2:
            return {"upper": here["lower"], "lower": here["upper"]}
        return here if arrangement == "as received" else {}


def placed_by(view: str, near_card_on: str) -> tuple[str, ...]:
    """Return the fields of a photograph that place what it shows on the bow.

    Parameters
    ----------
    view, near_card_on
        As in :class:`PhotoEntry`.

    Returns
    -------
    Of ``end``, ``limb`` and ``side`` those that must be given; none for a view that no finding
    is drawn from.
    """
    if view == "sight" and near_card_on != "riser":
        return ("limb",)
    return PLACED_BY.get(view, ())
