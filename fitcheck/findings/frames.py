"""From a seat's left and right to the bow's, in this one place.

Every seat has its own left and right, as one faces the limb's outer face with its tip up. The
bow has one left and right, as one faces the limbs' outer faces with the upper limb up. The
lower seat is the upper one turned half round, so its right is the bow's left.

A limb's own errors travel with it in the seat's frame: exchanged, they change side in the
bow's frame. Nothing else in the package converts between the two.
"""

from __future__ import annotations

from fitcheck.inspection import End, Side

_SIGN: dict[End, float] = {"upper": 1.0, "lower": -1.0}


def sign_in_bow(end: End) -> float:
    """Return +1 where a seat's right is the bow's right, -1 where it is the bow's left."""
    return _SIGN[end]


def side_of(value: float) -> Side:
    """Return the side that a value lies on: above zero is right, in either frame."""
    return "right" if value > 0 else "left"


def other_side(side: Side) -> Side:
    """Return the opposite side."""
    return "left" if side == "right" else "right"
