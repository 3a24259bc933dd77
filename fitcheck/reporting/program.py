"""Which program wrote a report: its version, and a fingerprint of its code."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from fitcheck import __version__

SOURCES = (".py", ".toml", ".typ", ".html", ".css", ".json")
SHOWN = 12  # hexadecimal digits


@lru_cache(maxsize=1)
def program() -> str:
    """Return name, version and the first digits of the SHA-256 over all sources."""
    whole = hashlib.sha256()
    for name, source in sorted(_sources(files("fitcheck"), ""), key=lambda pair: pair[0]):
        # Line ends may differ by how the program was installed; its code does not.
        data = source.read_bytes().replace(b"\r\n", b"\n")
        whole.update(f"{name} {len(data)}\n".encode())
        whole.update(data)
    return f"fitcheck {__version__}, code {whole.hexdigest()[:SHOWN]}"


def _sources(folder: Traversable, name: str) -> Iterator[tuple[str, Traversable]]:
    for one in folder.iterdir():
        path = f"{name}/{one.name}"
        if one.is_dir():
            yield from _sources(one, path)
        elif one.name.endswith(SOURCES):
            yield path, one
