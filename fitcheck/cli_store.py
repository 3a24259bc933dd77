"""Commands of the command line that look after the store: list, bin, export, import, backup."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitcheck.errors import BadInput

if TYPE_CHECKING:
    from fitcheck.store import Store
    from fitcheck.store.inspections import Listed

OK, INCOMPLETE = 0, 3
WHO = "command line"
SHORTEST_START = 6  # letters of an identity that will do, if no other begins alike
SHOWN = 12  # letters of an identity in the list


def add_store_commands(commands: Any) -> None:
    """Add the store's commands to the command line's."""
    listed = commands.add_parser("inspections", help="list the inspections in the store")
    listed.add_argument("words", nargs="*", metavar="WORD", help="only those with all of these")
    listed.add_argument("--binned", action="store_true", help="those in the bin")
    add_store_option(listed)
    listed.set_defaults(run=_inspections)

    move = commands.add_parser("bin", help="move inspections to the bin, or empty it")
    move.add_argument("inspections", nargs="*", metavar="INSPECTION")
    move.add_argument("--take-out", action="store_true", help="take them out of the bin instead")
    move.add_argument("--empty", action="store_true", help="delete for good what is in the bin")
    add_store_option(move)
    move.set_defaults(run=_bin)

    export = commands.add_parser("export", help="write one inspection with its photos as a zip")
    export.add_argument("inspection", metavar="INSPECTION", help="its name in the list")
    export.add_argument("--out", type=Path, required=True, metavar="FILE", help="zip to write")
    add_store_option(export)
    export.set_defaults(run=_export)

    take_in = commands.add_parser("import", help="take in an inspection from such a zip")
    take_in.add_argument("zip", type=Path, metavar="FILE")
    add_store_option(take_in)
    take_in.set_defaults(run=_import)

    backup = commands.add_parser("backup", help="copy the whole store, also while it is in use")
    backup.add_argument("folder", type=Path, metavar="DIR", help="new folder to copy it to")
    add_store_option(backup)
    backup.set_defaults(run=_backup)


def add_store_option(command: argparse.ArgumentParser) -> None:
    """Add ``--store`` to a command."""
    command.add_argument(
        "--store", type=Path, metavar="DIR", help="folder of the store (default: your own)"
    )


def _inspections(options: argparse.Namespace) -> int:
    for one in _store(options).inspections.listed(" ".join(options.words), options.binned):
        said = [one.labels.get(name, "") for name in ("bow", "customer", "reference")]
        count = f"{one.photographs} photo{'' if one.photographs == 1 else 's'}"
        line = "  ".join([one.identity[:SHOWN], one.changed[:16], count, *filter(None, said)])
        _say(_shown(line))
    return OK


def _bin(options: argparse.Namespace) -> int:
    if bool(options.inspections) == options.empty or (options.empty and options.take_out):
        raise BadInput(
            "nothing_to_bin",
            "It is not clear what is to be done.",
            "Name inspections to move, or give --empty alone.",
        )
    store = _store(options)
    if options.empty:
        print(f"Deleted for good: {store.inspections.empty_bin(WHO)}")
        store.sweep()
        return OK
    chosen = [_named(store, name) for name in options.inspections]
    for one in chosen:
        if options.take_out:
            store.inspections.take_out(one.identity, WHO)
        else:
            store.inspections.bin(one.identity, WHO)
    return OK


def _export(options: argparse.Namespace) -> int:
    from fitcheck.store.exchange import export_inspection

    store = _store(options)
    chosen = _named(store, options.inspection)
    _say(str(export_inspection(store, chosen.identity, options.out)))
    return OK


def _import(options: argparse.Namespace) -> int:
    from fitcheck.store.exchange import import_inspection

    print(import_inspection(_store(options), options.zip, WHO))
    return OK


def _backup(options: argparse.Namespace) -> int:
    from fitcheck.store.backup import back_up

    made = back_up(_store(options), options.folder)
    _say(str(made.folder))
    if not made.not_copied:
        return OK
    for one in made.not_copied:
        print(f"fitcheck: not copied: {_shown(str(one))}.", file=sys.stderr)
    count = len(made.not_copied)
    print(
        f"fitcheck: The backup can be used, but {count} file{'' if count == 1 else 's'} of the "
        "store could not be copied; all the rest is in it. Put what is missing back from an "
        "earlier backup, or add the photographs once more; then make another backup.",
        file=sys.stderr,
    )
    return INCOMPLETE


def _say(text: str) -> None:
    """Print a line, with question marks for what the output cannot show."""
    encoding = sys.stdout.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding))


def _shown(line: str) -> str:
    """Spell out what could hide or reorder text, or steer the terminal."""
    return "".join(c if c.isprintable() else f"‹U+{ord(c):04X}›" for c in line)


def _store(options: argparse.Namespace) -> Store:
    from fitcheck.store import Store

    return Store(options.store)


def _named(store: Store, name: str) -> Listed:
    """Find an inspection by its identity, or by the beginning that no other has."""
    inspections = store.inspections
    found = [
        one
        for one in [*inspections.listed(), *inspections.listed(binned=True)]
        if one.identity == name
        or (len(name) >= SHORTEST_START and one.identity.startswith(name.lower()))
    ]
    if len(found) != 1:
        raise BadInput(
            "inspection_unknown",
            f"There is {'no' if not found else 'more than one'} inspection {name[:40]!r}.",
            "`fitcheck inspections` lists them, `--binned` those in the bin.",
        )
    return found[0]
