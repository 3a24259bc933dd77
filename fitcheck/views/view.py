"""What every view has, and what the pipeline hands to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import Adjustment
from fitcheck.cards import CARDS
from fitcheck.edges import MeasuredEdge
from fitcheck.measurement import Note, Point
from fitcheck.picture import Colours, Picture
from fitcheck.setup import Setup
from fitcheck.strips import Surface
from fitcheck.uncertainty import Model, Quantities, Source

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scene:
    """One photograph with its cards placed: all that a view may look at.

    Attributes
    ----------
    whole
        The upright picture.
    adjustment
        Lens and poses with covariance.
    places
        Card name to its place in the adjustment.
    blur_px
        Card name to the blur (standard deviation) of its edges, pixels.
    white
        Linear light of the cards' paper, 0 to 1.
    setup
        What the user measured beforehand.
    hints
        Edge name to two rough points in pixels, or more along the edge.
    as_given
        Those of the hinted edges that are taken as the user laid them, not measured near it.
    """

    whole: Picture
    adjustment: Adjustment
    places: Mapping[str, int]
    blur_px: Mapping[str, float]
    white: float
    setup: Setup
    hints: Mapping[str, Array]
    as_given: frozenset[str] = frozenset()

    @property
    def picture(self) -> Colours:
        """The colours of the upright picture; decoded once they are asked for."""
        return self.whole.colours

    def surface(self, card: str, below_mm: float = 0.0) -> Surface:
        """Return the surface that a card lies on, or one that lies below it by so much."""
        depth = self.setup.card_thickness_mm + below_mm
        return Surface(self.adjustment.lens, self.adjustment.pose(self.places[card]), depth)

    def card_outline_px(self, card: str, wider_mm: float = 0.0) -> Array:
        """Outline of a card's cut edge in pixels, shape (4, 2), widened on all sides."""
        length, height = CARDS[card].board_mm
        edge = 2.0 + wider_mm
        corners = np.array(
            [
                [-edge, -edge],
                [length + edge, -edge],
                [length + edge, height + edge],
                [-edge, height + edge],
            ]
        )
        pose = self.adjustment.pose(self.places[card])
        return Surface(self.adjustment.lens, pose, 0.0).to_pixels(corners)


@dataclass(frozen=True, eq=False)
class ViewResult:
    """What a view found: edges, and the model that turns them into characteristics.

    ``observed`` holds plain facts that the picture showed, such as which card stands where.
    """

    edges: Mapping[str, MeasuredEdge]
    hinted: frozenset[str]
    model: Model
    best: Quantities
    sources: list[Source]
    warnings: list[Note] = field(default_factory=list)
    observed: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Wording:
    """How a characteristic is called and explained to people.

    Attributes
    ----------
    name
        Trade name.
    meaning
        What it is, in a sentence.
    positive, negative
        What a value above and below zero says; empty for a value that has no sign.
    """

    name: str
    meaning: str
    positive: str = ""
    negative: str = ""

    @property
    def signed(self) -> bool:
        """Whether the value's sign means something."""
        return bool(self.positive)


@dataclass(frozen=True)
class View:
    """One kind of photograph.

    Attributes
    ----------
    name
        As on the command line.
    title
        For people.
    cards
        Cards that must be in the picture.
    optional_cards
        Cards that may be in it.
    edges
        Names of the edges that it looks for, as used in hints.
    units
        Characteristic to its unit, in the order of the report.
    how_to
        Steps for the user.
    look
        Finds the edges in a scene. Raises Refused if it cannot.
    wording
        Characteristic to how it is called and explained.
    edge_names, source_names
        Edges, and sources of uncertainty, to how they are called.
    """

    name: str
    title: str
    cards: tuple[str, ...]
    optional_cards: tuple[str, ...]
    edges: tuple[str, ...]
    units: Mapping[str, str]
    how_to: tuple[str, ...]
    look: Callable[[Scene, np.random.Generator], ViewResult]
    wording: Mapping[str, Wording] = field(default_factory=dict)
    edge_names: Mapping[str, str] = field(default_factory=dict)
    source_names: Mapping[str, str] = field(default_factory=dict)


Hints = Mapping[str, "list[Point] | tuple[Point, ...]"]
