"""The end face of a riser below the card that stands on its pad.

Strip frame of a side: ``along`` runs up, zero at the card's base line, so the face lies at
negative places; ``outward`` runs away from the riser. The surface is parallel to the card's
print at the usual setback; a setback that is off changes no angle.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import camera_in_card
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside
from fitcheck.views.pad_front import CARD, SETBACK_MM, base_y_mm, middle_x_mm
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

# Looking back toward the grip, the pad's right lies at the picture's left.
TO_THE_RIGHT_AS_SEEN = {"riser_left": 1.0, "riser_right": -1.0}
WALL_UNSURE_DEG = 2.0  # the riser's length against the card's normal
LOG_FLOOR = 0.03  # of the paper's light


@dataclass(eq=False)
class EndFace:
    """The riser's end face in a photograph: its surface and what the camera sees of it.

    The surface is parallel to the card's print, at the usual setback before it; ``camera`` is
    the camera's place in the card's frame, mm.
    """

    scene: Scene
    surface: Surface = field(init=False)
    camera: Array = field(init=False)

    def __post_init__(self) -> None:
        # The surface lies the setback before the print, whatever the card's thickness.
        before = -SETBACK_MM - self.scene.setup.card_thickness_mm
        self.surface = self.scene.surface(CARD, below_mm=before)
        self.camera = camera_in_card(self.surface.pose)

    @property
    def in_front_mm(self) -> float:
        """The camera's distance before the surface."""
        return float(self.surface.depth_mm - self.camera[2])

    def frame(self, name: str, upside_down: bool = False) -> StripFrame:
        """Strip frame of a side; of the place above the card where it stands upside down."""
        x, y = middle_x_mm(self.scene.setup), base_y_mm(self.scene.setup)
        up = np.array([0.0, -1.0])
        if upside_down:
            y, up = -2.0 * self.scene.setup.print_scale[1], -up
        return StripFrame(np.array([x, y]), up, np.array([TO_THE_RIGHT_AS_SEEN[name], 0.0]))

    def log_blocks(
        self,
        frame: StripFrame,
        line: Line,
        along_mm: tuple[float, float],
        outward_mm: tuple[float, float],
    ) -> tuple[Array, Array, Array]:
        """Log light of blocks of 1 mm beside a line, (n, m, 3), and places, mm, (n,) and (m,)."""
        light, along, outward = blocks_beside(
            self.scene.picture, self.surface, frame, line, along_mm, outward_mm, 1.0, []
        )
        return np.log(light + LOG_FLOOR * self.scene.white), along, outward

    def wall_shows_mm(self, name: str, offset_mm: float, depth_mm: float, sure: bool) -> float:
        """How wide a side wall of that depth shows beyond a side, mm on the surface.

        The riser's length is not known to run along the card's normal, so the camera stands
        a little further out or in: ``sure`` takes the least, otherwise the most.
        """
        frame = self.frame(name)
        aside = float(frame.from_surface(self.camera[None, :2])[0, 1]) - offset_mm
        unsure = self.in_front_mm * np.tan(np.radians(WALL_UNSURE_DEG))
        aside += -unsure if sure else unsure
        return float(max(0.0, aside * depth_mm / (self.in_front_mm + depth_mm)))
