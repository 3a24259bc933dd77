"""How the command line asks how the cards were made, wherever photographs are measured."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fitcheck.setup import Setup


def add_card_options(command: argparse.ArgumentParser) -> None:
    """Add the options that :func:`setup_of` reads."""
    command.add_argument(
        "--card-thickness", type=float, metavar="MM", help="thickness of a mounted card"
    )
    command.add_argument(
        "--print-scale",
        type=float,
        nargs=2,
        metavar=("ALONG", "ACROSS"),
        help="the two 100 mm check bars as read with a caliper, in mm, "
        "or as a ratio such as 0.998",
    )
    command.add_argument(
        "--face-step",
        type=float,
        metavar="MM",
        help="riser's face above the limb's face, where card B cannot lie",
    )


def setup_of(options: argparse.Namespace) -> Setup:
    """Return what the options say; raises as :func:`fitcheck.setup.setup_from`."""
    from fitcheck.setup import setup_from

    scale = None if options.print_scale is None else tuple(options.print_scale)
    return setup_from(options.card_thickness, scale, options.face_step)
