"""Whether the process that left something behind is still at work on this machine."""

from __future__ import annotations

import hashlib
import os
import platform
import sys
from contextlib import suppress
from pathlib import Path

if sys.platform != "win32":

    def is_alive(process: int) -> bool:
        """Tell whether a process of that number runs on this machine."""
        try:
            os.kill(process, 0)  # sends nothing, only asks
        except (ProcessLookupError, OverflowError):
            return False
        except PermissionError:  # another user's
            return True
        return True

else:

    def is_alive(process: int) -> bool:
        """Say yes: there is no way to ask there that cannot end the process."""
        del process
        return True


def this_machine() -> str:
    """Return a short name of the machine, more closely of what numbers its processes.

    A store may lie in a folder that several containers share, in each of which the numbers of
    processes begin anew; Linux tells them apart by the name space (namespaces(7)).
    """
    numbered = ""
    with suppress(OSError):
        numbered = str(Path("/proc/self/ns/pid").readlink())
    return hashlib.sha256(f"{platform.node()} {numbered}".encode()).hexdigest()[:16]
