"""Options of the written report, and the commands about it: guide and verify."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitcheck.plain_text import visible_text

if TYPE_CHECKING:
    from fitcheck.reporting.amounts import Units
    from fitcheck.reporting.shop import Shop
    from fitcheck.reporting.written_report import Wishes

OK, DISAGREES = 0, 3


def add_report_options(command: argparse.ArgumentParser) -> None:
    """Add what a written report is to look like."""
    command.add_argument(
        "--language", metavar="LANGUAGE", help="of the report: en or de (default: the shop’s, en)"
    )
    command.add_argument(
        "--units", choices=("mm", "in"), help="unit that leads (default: the shop’s, mm)"
    )
    command.add_argument(
        "--paper",
        choices=("a4", "letter"),
        default="a4",
        help="paper of the PDF (default: %(default)s)",
    )
    command.add_argument(
        "--shop",
        type=Path,
        metavar="FILE",
        help="the shop’s name, address and logo (default: shop.toml in the store’s folder)",
    )


def add_report_commands(commands: Any) -> None:
    """Add the commands about reports to the command line's."""
    verify = commands.add_parser(
        "verify", help="measure a report's photographs again and compare the numbers"
    )
    verify.add_argument("report", type=Path, metavar="REPORT.zip")
    verify.set_defaults(run=_verify)

    guide = commands.add_parser("guide", help="write how to take the photographs, as a PDF")
    guide.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to")
    guide.add_argument(
        "--paper", choices=("a4", "letter"), default="a4", help="paper (default: %(default)s)"
    )
    guide.set_defaults(run=_guide)


def wishes_of(options: argparse.Namespace) -> Wishes:
    """Return how the report is wanted: by the options, else by the shop's settings."""
    from fitcheck.reporting.written_report import Wishes

    shop = shop_of(options.shop)
    language = options.language or shop.language or "en"
    units: Units = "in" if (options.units or shop.units) == "in" else "mm"
    return Wishes(language, units, options.paper, shop, options.number)


def shop_of(named: Path | None) -> Shop:
    """Return the shop that a file describes, by default the one in the store's folder."""
    from fitcheck.reporting.shop import read_shop, shop_in
    from fitcheck.store.location import default_folder

    return shop_in(default_folder()) if named is None else read_shop(named)


def _verify(options: argparse.Namespace) -> int:
    from fitcheck.verifying import summary, verify

    found = verify(options.report, lambda text: print(text, file=sys.stderr))
    for line in summary(found):
        print(visible_text(line))
    return OK if found.agrees else DISAGREES


def _guide(options: argparse.Namespace) -> int:
    from fitcheck.photo_guide import write_guide

    print(write_guide(options.out, options.paper))
    return OK
