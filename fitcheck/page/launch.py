"""Starts the page: for this machine only, and in this process."""

from __future__ import annotations

import json
import os
import socket
import sys
from collections.abc import Sequence
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.photo import MAX_FILE_BYTES

ADDRESS = "127.0.0.1"
OPEN_VARIABLE = "FITCHECK_OPEN"  # photographs to open with, told to the page's script
PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")

# The same as in .streamlit/config.toml, which serves `streamlit run app.py`; an installed
# package has no such file beside it.
SETTINGS: dict[str, str | int | bool | list[str]] = {
    "server.address": ADDRESS,
    "server.allowedHosts": [ADDRESS, "localhost"],  # no other name may lead a browser here
    "server.maxUploadSize": MAX_FILE_BYTES // 2**20,  # MiB
    "server.disconnectedSessionTTL": 3600,  # s; a locked phone comes back to its photographs
    "server.fileWatcherType": "none",
    "server.showEmailPrompt": False,
    "browser.gatherUsageStats": False,
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "logger.hideWelcomeMessage": True,
    "theme.base": "light",
    "theme.primaryColor": "#8a3600",
    "theme.backgroundColor": "#fbf8f2",
    "theme.secondaryBackgroundColor": "#ffffff",
    "theme.textColor": "#1d2730",
    "theme.linkColor": "#0b5394",
    "theme.borderColor": "#8a8175",
    "theme.showWidgetBorder": True,
    "theme.baseFontSize": 17,
    "theme.baseRadius": "0.35rem",
}


def launch(
    port: int = 8501, open_browser: bool = True, show: Path | Sequence[Path] | None = None
) -> None:
    """Serve the page until it is stopped with Ctrl+C.

    Parameters
    ----------
    port
        On this machine's own address; other machines are not answered.
    open_browser
        Whether to open the page in the browser.
    show
        Photographs to open the page with, already measured: their files, a folder of them, or
        a JSON file of measurements that lies beside them.

    Raises
    ------
    BadInput
        If the port is taken or impossible, or if there is nothing to show.
    """
    _check_port(port)
    if show is None:
        os.environ.pop(OPEN_VARIABLE, None)
    else:
        photos = [path.resolve() for path in photos_to_show(show)]
        os.environ[OPEN_VARIABLE] = os.pathsep.join(map(str, photos))
    # Streamlit's command line is its most stable interface; it is run in this process.
    from streamlit.web import cli

    script = Path(__file__).with_name("page.py")
    flags = [f"--server.port={port}", f"--server.headless={_word(not open_browser)}"]
    known = {flag for option in cli.main_run.params for flag in option.opts}
    for name, value in SETTINGS.items():
        if f"--{name}" in known:  # older releases lack a few
            values = value if isinstance(value, list) else [value]
            flags += [f"--{name}={_word(one)}" for one in values]
    print(f"The page is at http://{ADDRESS}:{port} (Ctrl+C here ends it).", flush=True)
    cli.main(["run", str(script), *flags], standalone_mode=False)


def photos_to_show(show: Path | Sequence[Path]) -> list[Path]:
    """Find the photographs that :func:`launch` is to open with.

    Raises
    ------
    BadInput
        If there is none, or the JSON file cannot be read.
    """
    if not isinstance(show, Path):
        photos = list(show)
    elif show.is_dir():
        photos = sorted(p for p in show.iterdir() if p.suffix.lower() in PHOTO_ENDINGS)
    elif show.suffix.lower() == ".json":
        photos = _photos_named_in(show)
    else:
        photos = [show]
    if not photos:
        raise BadInput(
            "nothing_to_show",
            f"There is no photograph in {show}.",
            "Give photographs, or a folder of them.",
        )
    return photos


def _photos_named_in(path: Path) -> list[Path]:
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
        measured = known if isinstance(known, list) else [known]
        return [path.parent / Path(str(one["photo"])).name for one in measured]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadInput(
            "measurements_unreadable",
            f"{path} does not hold measurements.",
            "Give the JSON file that fitcheck wrote, or the photographs themselves.",
        ) from error


def _check_port(port: int) -> None:
    if not 1 <= port <= 65535:
        raise BadInput("bad_port", f"There is no port {port}.", "Give one from 1 to 65535.")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if sys.platform != "win32":  # there it would allow a second server on the same port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except OSError as error:
            raise BadInput(
                "port_taken",
                f"Port {port} cannot be used; the page may be open already.",
                f"Look at http://{ADDRESS}:{port}, or choose another port.",
            ) from error


def _word(value: str | int | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
