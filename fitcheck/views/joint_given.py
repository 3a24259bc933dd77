"""The seam where its lines are taken as the user laid them: one of them, or both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import Refused
from fitcheck.seam import SeamFit
from fitcheck.strips import Surface
from fitcheck.views.given_line import GivenLine, given_line
from fitcheck.views.joint_seam import EDGES, SeamPlace
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

WORDS = {"pad_line": "pad line", "limb_line": "limb's lower line"}
CROSSED_SDS = 4.0  # parts that overlap by more than this are lines that lie wrong


def given_lines(scene: Scene, surface: Surface, place: SeamPlace) -> dict[str, GivenLine]:
    """Return the lines that are to be taken as they lie, in the seam's strip frame.

    Raises
    ------
    Refused
        ``line_unfit``.
    """
    return {
        name: given_line(scene.hints[name], surface, place.frame, WORDS[name])
        for name in EDGES
        if name in scene.as_given
    }


def seam_of_lines(lines: Mapping[str, GivenLine], place: SeamPlace, blur_mm: float) -> SeamFit:
    """Return the seam between two lines that were both laid by hand; nothing is fitted.

    Raises
    ------
    Refused
        ``lines_crossed``.
    """
    nothing = SeamFit(
        pad_mm=np.zeros(2),
        opening_mm=np.zeros(2),
        covariance=np.zeros((4, 4)),
        pad_shift_mm=np.zeros(1),
        limb_shift_mm=np.zeros(1),
        kept=np.ones(1, dtype=bool),
        blur_mm=blur_mm,
        radii_mm=(0.0, 0.0),
        levels=np.zeros((1, 3, 3)),
        misfit=0.0,
        rival_mm=0.0,
    )
    return with_given_lines(nothing, lines, place)


def with_given_lines(fit: SeamFit, lines: Mapping[str, GivenLine], place: SeamPlace) -> SeamFit:
    """Return a fitted seam with lines laid by hand in the place of those that were fitted.

    Parameters
    ----------
    fit
        What was fitted; positions are up from the place's line.
    lines
        One or both of ``pad_line`` and ``limb_line``, in the place's strip frame.
    place
        Where the seam runs and ends.

    Raises
    ------
    Refused
        ``lines_crossed`` if the limb's line comes to lie surely below the pad's.
    """
    ends = np.array([place.butt_mm, place.end_mm])
    carry = np.concatenate([np.eye(2), np.eye(2)], axis=1)
    up = {"pad_line": fit.pad_mm, "limb_line": fit.pad_mm + fit.opening_mm}
    covariance = {
        "pad_line": fit.covariance[:2, :2],
        "limb_line": carry @ fit.covariance @ carry.T,
    }
    for name, laid in lines.items():
        up[name] = laid.line.at(ends) - place.line.at(ends)
        covariance[name] = laid.covariance_at(ends)
    pad, limb = (covariance[name] for name in EDGES)
    opening = up["limb_line"] - up["pad_line"]
    if np.any(opening < -CROSSED_SDS * np.sqrt(np.diag(pad + limb))):
        raise Refused(
            "lines_crossed",
            "The limb's lower line comes to lie below the pad line, which parts cannot do.",
            "Look at the two lines drawn by hand: lay the pad line on the riser's edge and the "
            "limb line on the limb's, or take them back.",
        )
    return replace(
        fit,
        pad_mm=up["pad_line"],
        opening_mm=opening,
        covariance=np.block([[pad, -pad], [-pad, pad + limb]]),
    )
