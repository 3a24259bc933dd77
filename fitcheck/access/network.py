"""The machine's address on the local network, and its certificate."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from pathlib import Path

from fitcheck.errors import BadInput

LOOPBACK = "127.0.0.1"


def lan_address(asked: str = "") -> str:
    """Return the address to listen on for other devices of the local network.

    Parameters
    ----------
    asked
        Address that the user named; empty to find out the one that others see.

    Raises
    ------
    BadInput
        ``no_lan`` if there is none, ``not_an_address``, or ``public_address`` if it can be
        reached from outside the local network.
    """
    found = asked.strip() or _own_address()
    try:
        address = ipaddress.ip_address(found)
    except ValueError as error:
        raise BadInput(
            "not_an_address",
            f"{found!r} is not an address of this machine.",
            "Give one such as 192.168.1.20, or --lan alone.",
        ) from error
    if not (address.is_private or address.is_link_local) or address.is_unspecified:
        raise BadInput(
            "public_address",
            f"{address} is not an address of a local network: strangers might reach the page.",
            "Give this machine's address in the workshop's own network after --lan.",
        )
    return str(address)


def check_certificate(certificate: Path, key: Path) -> None:
    """Check that a certificate and its key can be used for HTTPS.

    Raises
    ------
    BadInput
        ``bad_certificate``.
    """
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error)
        raise BadInput(
            "bad_certificate",
            f"{certificate} and {key} cannot be used for HTTPS: {reason}.",
            "Give a certificate in PEM form and its key, without a password.",
        ) from error


def _own_address() -> str:
    """Address that this machine would send from; nothing is sent to find it out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: for documentation, nobody's
        except OSError:
            found = LOOPBACK
        else:
            found = str(probe.getsockname()[0])
    if found.startswith("127."):
        raise BadInput(
            "no_lan",
            "This machine is in no local network.",
            "Connect it to the workshop's network, or name its address after --lan.",
        )
    return found
