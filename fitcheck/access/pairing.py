"""One-time codes, and the sessions of the devices that were paired with them.

A code has 50 random bits, works once and runs out after ten minutes. Whoever tries wrong codes
is locked out for a while, and so is everybody if many do: guessing is then hopeless (100
guesses in 15 minutes, for a year, hit one of four codes with a probability of about 1e-8).
Sessions are kept in memory, by the hash of their token, and end with the program.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import re
import secrets
import threading
import time
import unicodedata
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from fitcheck.errors import FitcheckError

# Crockford's base 32: no letters that look like digits (https://www.crockford.com/base32.html).
LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LETTERS = 10
CODE_LIFETIME_S = 600.0
MOST_CODES = 4  # waiting at once; the oldest is let go

WRONG_BEFORE_LOCK = 20  # from one address
ALL_WRONG_BEFORE_LOCK = 100  # from all addresses
LOCK_S = 900.0
MOST_ADDRESSES = 2000  # remembered; the oldest is let go

SESSION_LIFETIME_S = 12 * 3600.0  # a day in the workshop
MOST_SESSIONS = 32
LONGEST_DEVICE = 40

_LOOK_ALIKE = str.maketrans({"I": "1", "L": "1", "O": "0", "U": "V"})


class NotPaired(FitcheckError):
    """The code was not taken: ``wrong_code`` or ``locked_out``."""


@dataclass(frozen=True)
class Session:
    """A paired device: what it is called, and when its session ends (of the door's clock)."""

    device: str
    ends: float


@dataclass
class _Tries:
    """Wrong codes of one address in the present while, and until when it is locked out."""

    since: float
    wrong: int = 0
    locked_until: float = 0.0


class Door:
    """Gives codes out and takes them in; safe to use from several threads.

    Parameters
    ----------
    clock
        Seconds that never go back; for tests.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._codes: OrderedDict[str, float] = OrderedDict()  # code to when it runs out
        self._sessions: OrderedDict[str, Session] = OrderedDict()  # hash of token to session
        self._tries: OrderedDict[str, _Tries] = OrderedDict()
        self._all_tries = _Tries(clock())

    def new_code(self) -> str:
        """Return a new code: 10 letters and digits, good for one device and ten minutes."""
        code = "".join(secrets.choice(LETTERS) for _ in range(CODE_LETTERS))
        with self._lock:
            self._codes[code] = self._clock() + CODE_LIFETIME_S
            while len(self._codes) > MOST_CODES:
                self._codes.popitem(last=False)
        return code

    def is_waiting(self, code: str) -> bool:
        """Tell whether a code can still be used."""
        with self._lock:
            return self._codes.get(code, 0.0) > self._clock()

    def pair(self, typed: str, address: str, device: str = "") -> str:
        """Take a code in and return the token of a new session.

        Parameters
        ----------
        typed
            The code as a person typed it: small letters, spaces and dashes do not matter.
        address
            Of the device, to count its wrong codes by.
        device
            What it calls itself.

        Raises
        ------
        NotPaired
            ``wrong_code`` if there is no such code, or no longer; ``locked_out`` if too many
            wrong ones came from this address, or from all together: then a right one is not
            taken either.
        """
        given = re.sub(r"[\s-]", "", typed[:100]).upper().translate(_LOOK_ALIKE)
        with self._lock:
            now = self._clock()
            tries = self._tries_of(address, now)
            if max(tries.locked_until, self._all_tries.locked_until) > now:
                raise _locked_out()
            found = ""
            for code, runs_out in self._codes.items():
                same = hmac.compare_digest(code.encode(), given.encode("utf-8", "replace"))
                if same and runs_out > now:
                    found = code
            if not found:
                self._count_wrong(tries, WRONG_BEFORE_LOCK, now)
                self._count_wrong(self._all_tries, ALL_WRONG_BEFORE_LOCK, now)
                raise NotPaired(
                    "wrong_code",
                    "This code is not right, was used already, or has run out.",
                    "Look for a new one where the page was started, or on a paired device.",
                )
            del self._codes[found]
            token = secrets.token_urlsafe(32)
            self._sessions[_hash(token)] = Session(_device_name(device), now + SESSION_LIFETIME_S)
            while len(self._sessions) > MOST_SESSIONS:
                self._sessions.popitem(last=False)
            return token

    def session(self, token: str) -> Session | None:
        """Return the session of a token; None if there is none, or no longer."""
        key = _hash(token)
        with self._lock:
            found = self._sessions.get(key)
            if found is not None and found.ends <= self._clock():
                del self._sessions[key]
                return None
            return found

    def end(self, token: str) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(_hash(token), None)

    def _tries_of(self, address: str, now: float) -> _Tries:
        key = _counted_as(address)
        tries = self._tries.setdefault(key, _Tries(now))
        self._tries.move_to_end(key)
        while len(self._tries) > MOST_ADDRESSES:
            self._tries.popitem(last=False)
        return tries

    @staticmethod
    def _count_wrong(tries: _Tries, most: int, now: float) -> None:
        if now - tries.since > LOCK_S:
            tries.since, tries.wrong = now, 0
        tries.wrong += 1
        if tries.wrong >= most:
            tries.locked_until = now + LOCK_S
            tries.since, tries.wrong = now + LOCK_S, 0


def readable(code: str) -> str:
    """Return a code in two groups, as it is shown."""
    return f"{code[:5]}-{code[5:]}"


def _counted_as(address: str) -> str:
    """What wrong codes are counted by: a machine can have all addresses of an IPv6 /64."""
    try:
        known = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:60]
    if known.version == 6:
        return str(ipaddress.ip_network((known, 64), strict=False))
    return str(known)


def _device_name(device: str) -> str:
    shown = "".join(c if unicodedata.category(c)[0] != "C" else " " for c in device)
    return " ".join(shown.split())[:LONGEST_DEVICE] or "paired device"


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _locked_out() -> NotPaired:
    return NotPaired(
        "locked_out",
        "Too many wrong codes were tried.",
        f"Wait {LOCK_S / 60:.0f} minutes, then use a new code.",
    )
