"""Keeps every inspection: rows and files, and no pixels.

What an inspection means is decided elsewhere. Here it is a document of fields, photographs by
their hash, and what was measured; every change of it is kept with who made it and when.
"""

from fitcheck.store.store import Store

__all__ = ["Store"]
