"""Starts the page in this process: for this machine only, or for paired devices of the network.

Streamlit's application is wrapped by the gate (:mod:`fitcheck.access.gate`) before it is served,
so nothing of it can be asked for by another way.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path

from fitcheck.access.network import LOOPBACK, check_certificate, lan_address
from fitcheck.errors import BadInput
from fitcheck.photo import MAX_FILE_BYTES
from fitcheck.store import Store
from fitcheck.store.location import STORE_VARIABLE

ADDRESS = LOOPBACK
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


@dataclass(frozen=True)
class Lan:
    """How the page is offered to the local network.

    Attributes
    ----------
    address
        Of this machine there; empty to find it out.
    name
        Host name that the certificate is for; empty to go by the address.
    certificate, key
        For HTTPS, PEM files; None for plain HTTP, which others in the network can listen to.
    """

    address: str = ""
    name: str = ""
    certificate: Path | None = None
    key: Path | None = None


def launch(
    port: int = 8501,
    open_browser: bool = True,
    show: Path | Sequence[Path] | None = None,
    store: Path | None = None,
    lan: Lan | None = None,
    opened: Callable[[], str] | None = None,
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
    store
        Folder of the store; the user's own if None. With ``show`` and no store, what is done on
        the page is kept only until it is stopped.
    lan
        Offer the page to paired devices of the local network; None for this machine only.
    opened
        Puts an inspection into the store that it may use, and returns its name; the page opens
        with its findings. As with ``show``, it is kept only until the page is stopped.

    Raises
    ------
    BadInput
        If the port is taken or impossible, if there is nothing to show, if the store cannot be
        opened, or as :func:`fitcheck.access.network.lan_address` and ``check_certificate`` do.
    """
    address = ADDRESS if lan is None else lan_address(lan.address)
    if lan is not None and lan.certificate is not None and lan.key is not None:
        check_certificate(lan.certificate, lan.key)
    _check_port(address, port)
    with ExitStack() as ends_with_it:
        if show is None:
            os.environ.pop(OPEN_VARIABLE, None)
        else:
            photos = [path.resolve() for path in photos_to_show(show)]
            os.environ[OPEN_VARIABLE] = os.pathsep.join(map(str, photos))
        if store is None and (show is not None or opened is not None):
            # What is only shown does not belong among the user's inspections.
            temporary = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
            store = Path(ends_with_it.enter_context(temporary)) / "store"
            print("What is shown is kept only until this ends.", flush=True)
        if store is not None:
            os.environ[STORE_VARIABLE] = str(store.absolute())
        Store()  # said here if it cannot be opened, and not in the browser
        at = ""
        if opened is not None:
            from fitcheck.page.navigation import FINDINGS_STEP

            at = f"/?inspection={opened()}&step={FINDINGS_STEP}"
        _serve(address, port, open_browser, lan, at)


def _serve(address: str, port: int, open_browser: bool, lan: Lan | None, at: str) -> None:
    import streamlit as st
    from starlette.middleware import Middleware

    from fitcheck.access.announcing import Announcer
    from fitcheck.access.gate import Gate
    from fitcheck.access.pairing import Door
    from fitcheck.access.pairing_page import pairing_address
    from fitcheck.access.photograph_routes import photograph_routes
    from fitcheck.page.arrivals import measure_ahead
    from fitcheck.page.keeping import photo_edits
    from fitcheck.page.keeping import store as kept
    from fitcheck.page.picture_routes import picture_routes

    name = address if lan is None else lan.name or address
    secure = lan is not None and lan.certificate is not None
    host = f"[{name}]" if ":" in name else name
    url = f"{'https' if secure else 'http'}://{host}:{port}"
    hosts = [address, "localhost"] if lan is None else sorted({address, name})
    settings = {
        **SETTINGS,
        "server.address": address,
        "server.port": port,
        "server.allowedHosts": hosts,
        "server.headless": True,  # the browser is opened below, where a code is needed too
    }
    if lan is not None and lan.certificate is not None:
        settings["server.sslCertFile"] = str(lan.certificate)
        settings["server.sslKeyFile"] = str(lan.key)
    first, door, announcer = f"{url}{at}", None, None
    if lan is not None:
        door = Door()
        announcer = Announcer(door, url)
        if open_browser:
            first = pairing_address(url, door.new_code())
    gate = Middleware(
        Gate,
        hosts=hosts,
        door=door,
        address=url,
        asked=None if announcer is None else announcer.announce,
    )
    app = st.App(
        Path(__file__).with_name("page.py"),
        routes=[*photograph_routes(kept, photo_edits, measure_ahead), *picture_routes(kept)],
        middleware=[gate],
    )
    print(f"The page is at {url}{at} (Ctrl+C here ends it).", flush=True)
    if announcer is not None:
        if not secure:
            print(
                "Others in this network could listen: use it in your own workshop's network, or "
                "give a certificate with --certificate and --key.",
                flush=True,
            )
        announcer.announce()
    if open_browser:
        threading.Thread(target=_open_browser, args=(address, port, first), daemon=True).start()
    # Nobody's word is taken for which address a request came from: wrong codes are counted by it.
    os.environ["FORWARDED_ALLOW_IPS"] = ""
    with suppress(KeyboardInterrupt):  # Ctrl+C is how it is meant to end
        app.run(config=settings)


def _open_browser(address: str, port: int, url: str) -> None:
    """Open the browser as soon as the page answers."""
    for _ in range(100):
        with suppress(OSError), socket.create_connection((address, port), timeout=1):
            webbrowser.open(url)
            return
        time.sleep(0.2)


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


def _check_port(address: str, port: int) -> None:
    if not 1 <= port <= 65535:
        raise BadInput("bad_port", f"There is no port {port}.", "Give one from 1 to 65535.")
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        if sys.platform != "win32":  # there it would allow a second server on the same port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            if error.errno == errno.EADDRNOTAVAIL:
                raise BadInput(
                    "not_an_address",
                    f"{address} is not an address of this machine.",
                    "Give one that it has, or --lan alone.",
                ) from error
            raise BadInput(
                "port_taken",
                f"Port {port} cannot be used; the page may be open already.",
                f"Look at http://{address}:{port}, or choose another port.",
            ) from error
