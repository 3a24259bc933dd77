"""How many threads the linear algebra takes: one.

The matrices of one photograph are small, and threads for them cost half as much again as they
gain; where several photographs are measured at once there are processes for them. NumPy reads
this once, as it is loaded.
"""

from __future__ import annotations

import os

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread() -> None:
    """Ask for one thread, unless the environment says otherwise; before NumPy is loaded."""
    for name in THREADS:
        os.environ.setdefault(name, "1")
