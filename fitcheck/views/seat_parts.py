"""The two parts of a seat photograph: their faces, and lines on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.face_ends import Candidate
from fitcheck.strips import StripFrame, Surface
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

HINT_REACH_MM = 2.0  # of a rough point from the edge that it marks


@dataclass(frozen=True, eq=False)
class Part:
    """One part's face: its surface, a frame with *along* toward the tip, *outward* right."""

    card: str
    surface: Surface
    axis: StripFrame
    length_mm: float

    def side(self, name: str) -> StripFrame:
        """Frame of the left or right side: outward away from the part."""
        flip = -1.0 if name.endswith("left") else 1.0
        return StripFrame(self.axis.origin_mm, self.axis.along, flip * self.axis.outward)


def blur_mm(scene: Scene, part: Part) -> float:
    """Blur of the photograph on a part's face (standard deviation), mm."""
    lens, pose = part.surface.lens, part.surface.pose
    return scene.blur_px[part.card] * float(pose.origin_cam[2] / lens.focal_px)


def neighbours(
    chosen: Candidate, candidates: list[Candidate], inside_mm: float = 0.0
) -> list[float]:
    """Signed distances to other lines that are strong enough to disturb the profile.

    Lines within ``inside_mm`` inside the edge belong to its round and are part of the profile.
    """
    return [
        c.line.offset_mm - chosen.line.offset_mm
        for c in candidates
        if c is not chosen
        and c.change > 0.2 * chosen.change
        and not -inside_mm < c.line.offset_mm - chosen.line.offset_mm < 0
    ]
