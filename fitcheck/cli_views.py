"""How the command line asks for the kind of photograph, wherever photographs are measured."""

from __future__ import annotations

import argparse


def add_view_option(
    command: argparse.ArgumentParser, required: bool = True, usual: str = ""
) -> None:
    """Add ``--view``. Its help names the views that there are.

    Parameters
    ----------
    required
        Whether it must be given.
    usual
        The view that is taken where it is not given, for the help.
    """
    option = command.add_argument(
        "--view", required=required, default=None if required else "", help="kind of photograph"
    )
    plain = command.format_help

    def format_help() -> str:
        # The registry brings the whole engine with it: only who asks for this help waits for it.
        from fitcheck.views import VIEWS

        *most, last = VIEWS
        option.help = f"{', '.join(most)} or {last}" + (f" (default: {usual})" if usual else "")
        return plain()

    command.format_help = format_help  # type: ignore[method-assign]
