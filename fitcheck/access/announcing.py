"""Tells the person at this machine how another device gets in: address, code, QR picture."""

from __future__ import annotations

import sys
import threading
from typing import TextIO

from fitcheck.access.pairing import CODE_LIFETIME_S, Door, readable
from fitcheck.access.pairing_page import pairing_address, qr_text


class Announcer:
    """Writes a code to the terminal, and another when it is gone and somebody asks again.

    A code is gone when it was used or has run out, so whoever knocks without one can have a new
    one written every ten minutes at most.

    Parameters
    ----------
    door
        Gives the codes.
    address
        Of the page as other devices type it.
    to
        Where to write; the terminal by default.
    """

    def __init__(self, door: Door, address: str, to: TextIO | None = None) -> None:
        self._door = door
        self._address = address
        self._to = to or sys.stdout
        self._lock = threading.Lock()
        self._code = ""

    def announce(self) -> None:
        """Write how to get in, unless the code that was written last is still good."""
        with self._lock:
            if self._code and self._door.is_waiting(self._code):
                return
            self._code = self._door.new_code()
            picture = qr_text(pairing_address(self._address, self._code))
            try:
                picture.encode(self._to.encoding or "utf-8")
            except UnicodeEncodeError:  # a terminal without block characters
                picture = ""
            self._to.write(
                f"{picture}\nScan this, or open {self._address} on the other device and type "
                f"{readable(self._code)}.\nThe code is good for one device and "
                f"{CODE_LIFETIME_S / 60:.0f} minutes.\n"
            )
            self._to.flush()
