"""Commands of the command line for lots, repeated photographs, and drift over time."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitcheck.cli_cards import add_card_options, setup_of
from fitcheck.cli_report import add_report_options, shop_of
from fitcheck.cli_store import add_store_option
from fitcheck.cli_views import add_view_option
from fitcheck.errors import BadInput
from fitcheck.plain_text import visible_text

if TYPE_CHECKING:
    from fitcheck.lens_profile import LensProfile
    from fitcheck.lots.acceptance import Tolerance
    from fitcheck.lots.drift import Occasion
    from fitcheck.lots.lot_report import LotWishes
    from fitcheck.lots.photo_job import Outcome
    from fitcheck.lots.whole import LotFindings
    from fitcheck.reporting.amounts import Units

OK, REFUSED, STOPPED = 0, 3, 130
MOST_REASONS, MOST_NAMED = 6, 40


def add_lot_commands(commands: Any) -> None:
    """Add the commands about lots to the command line's."""
    lot = commands.add_parser("lot", help="measure a lot of parts and judge it and the method")
    lot.add_argument(
        "lot", type=Path, metavar="FOLDER|TABLE.csv", help="photographs, or a table of numbers"
    )
    lot.add_argument(
        "--out",
        type=Path,
        default=Path("fitcheck-lot"),
        metavar="DIR",
        help="folder to write to, and to go on from (default: %(default)s)",
    )
    lot.add_argument(
        "--plan",
        type=Path,
        metavar="FILE",
        help="CSV with the columns photo, part, operator, repeat, subgroup; or JSON "
        "(default: the folder's lot.json, else its only such CSV, else the photographs' names)",
    )
    add_view_option(lot, required=False, usual="pad")
    lot.add_argument("--name", default="", metavar="TEXT", help="of the lot")
    lot.add_argument("--date", default="", metavar="DATE", help="of the lot (default: today)")
    add_card_options(lot)
    lot.add_argument(
        "--lens-profiles",
        type=Path,
        metavar="FILE",
        help="what is known of lenses; read and left as it is",
    )
    _add_limits(lot)
    lot.add_argument(
        "--workers", type=int, metavar="N", help="processes (default: as many as cores)"
    )
    lot.add_argument(
        "--scheduler",
        default="",
        metavar="ADDRESS",
        help="measure on the cluster of this Dask scheduler, such as tcp://bench:8786",
    )
    add_report_options(lot)
    lot.add_argument("--not-kept", action="store_true", help="do not keep it in the store")
    add_store_option(lot)
    lot.set_defaults(run=_lot)

    repeat = commands.add_parser(
        "repeat", help="tell from a few photographs of one thing how well they repeat"
    )
    repeat.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    add_view_option(repeat)
    add_card_options(repeat)
    _add_limits(repeat)
    repeat.set_defaults(run=_repeat)

    drift = commands.add_parser(
        "drift", help="tell whether a card, the print or a lens has changed over time"
    )
    drift.add_argument(
        "lots", nargs="*", type=Path, metavar="LOT", help="folders of lots (default: the store)"
    )
    drift.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for a chart of each quantity (SVG)"
    )
    add_store_option(drift)
    drift.set_defaults(run=_drift)


def _add_limits(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--limits",
        nargs=3,
        action="append",
        default=[],
        metavar=("NAME", "LOW", "HIGH"),
        help="tolerance of a characteristic; none for no limit on that side "
        "(default: the rework limit both ways)",
    )


def _tolerances(options: argparse.Namespace) -> dict[str, Tolerance]:
    from fitcheck.lots.tolerances import own_tolerance

    found = {}
    for name, low, high in options.limits:
        try:
            ends = [
                sign * math.inf if end == "none" else float(end)
                for sign, end in ((-1, low), (1, high))
            ]
            if any(map(math.isnan, ends)):
                raise ValueError
            found[name] = own_tolerance(*ends)
        except ValueError as error:
            raise BadInput(
                "bad_limits",
                f"{visible_text(low)[:40]} to {visible_text(high)[:40]} is no tolerance.",
                "Give two numbers, the lower first; one of them may be none.",
            ) from error
    return found


def _profiles(path: Path | None) -> list[LensProfile]:
    from fitcheck.lens_profile import read_profiles

    return [] if path is None else list(read_profiles(path).values())


def _lot(options: argparse.Namespace) -> int:
    from fitcheck.lots.course import courses_of_newest
    from fitcheck.lots.drift import drift
    from fitcheck.lots.kept_results import KeptResults
    from fitcheck.lots.whole import RESULTS_FOLDER
    from fitcheck.lots.written import RESULTS, keep_lot, lot_files, write_lot

    if options.date and not _is_date(options.date):
        raise BadInput("bad_date", f"{options.date[:40]!r} is no date.", "Write it as 2026-11-26.")
    if options.workers is not None and not 1 <= options.workers <= 512:
        raise BadInput(
            "bad_workers", f"{options.workers} processes cannot be started.", "Give 1 or more."
        )
    wishes = _wishes(options)
    numbers = options.lot.is_file()
    lot = _of_numbers(options) if numbers else _measured(options)
    if lot is None:
        print(
            "\nStopped. The same command goes on from here: nothing is measured twice.",
            file=sys.stderr,
        )
        return STOPPED
    # A trial of the method is not the shop's work, unless a store is named for it.
    kept = not options.not_kept and not numbers and (not lot.trial or options.store is not None)
    occasions = _occasions(options.store, lot) if kept else []
    changes = drift(occasions)
    files = lot_files(lot, changes, courses_of_newest(occasions), wishes)
    written = write_lot(options.out, files)
    if kept:
        from fitcheck.store import Store

        results = KeptResults(options.out / RESULTS_FOLDER)
        keep_lot(Store(options.store), lot, results, files[RESULTS])
    _say_lot(lot)
    for change in changes:
        print(f"{change.message} {change.advice}")
    if not kept and lot.trial:
        print("A lot of known truth is a trial: it is not kept in the store unless one is named.")
    for path in written:
        print(path)
    return REFUSED if lot.refused else OK


def _wishes(options: argparse.Namespace) -> LotWishes:
    """How the report is wanted: by the options, else by the shop's settings.

    Looked at before anything is measured: a language that there is not costs no time.
    """
    from fitcheck.lots.lot_report import LotWishes
    from fitcheck.reporting.language import Language

    shop = shop_of(options.shop)
    language = options.language or shop.language or "en"
    units: Units = "in" if (options.units or shop.units) == "in" else "mm"
    Language(language)
    return LotWishes(language, units, options.paper, shop)


def _occasions(store: Path | None, lot: LotFindings) -> list[Occasion]:
    """Return a lot’s occasion after all it is held against; none where it tells nothing."""
    from fitcheck.lots.history import earlier_occasions
    from fitcheck.page.document import inspection_of
    from fitcheck.store import Store

    if lot.occasion is None:
        return []
    return [*earlier_occasions(Store(store), inspection_of, lot.name, lot.date), lot.occasion]


def _of_numbers(options: argparse.Namespace) -> LotFindings:
    from fitcheck.lots.values import read_values
    from fitcheck.lots.whole import lot_of_values

    values = read_values(options.lot)
    return lot_of_values(
        values, options.name or options.lot.stem, _tolerances(options), options.date
    )


def _measured(options: argparse.Namespace) -> LotFindings | None:
    """Measure the lot; None if it was stopped from the keyboard."""
    from dataclasses import replace

    from tqdm import tqdm

    from fitcheck.lots.plan_file import read_plan
    from fitcheck.lots.whole import run_lot

    setup = None
    given = (options.card_thickness, options.print_scale, options.face_step)
    if any(one is not None for one in given):
        setup = setup_of(options)
    plan = read_plan(options.lot, options.plan, options.view, setup)
    plan = replace(plan, name=options.name or plan.name, date=options.date or plan.date)
    print(f"{visible_text(plan.name)}: {plan.summary}", file=sys.stderr)
    fresh = 0
    with tqdm(total=len(plan.photos), unit="photo", disable=None) as bar:

        def told(outcome: Outcome) -> None:
            nonlocal fresh
            fresh += outcome.fresh
            bar.update()

        try:
            lot = run_lot(
                plan,
                options.out,
                _tolerances(options),
                _profiles(options.lens_profiles),
                options.workers,
                options.scheduler,
                told,
            )
        except KeyboardInterrupt:
            return None
    before = len(plan.photos) - fresh - sum(not line.key for line in lot.photos)
    if before > 0:
        print(f"{before} of them were measured before.", file=sys.stderr)
    return lot


def _say_lot(lot: LotFindings) -> None:
    from fitcheck.lots.words import (
        TO_BE_NAMED,
        lot_sentence,
        photographs_sentence,
        room_sentence,
        signals_text,
        truth_text,
        verdict_words,
    )
    from fitcheck.wording import wording

    print(f"{visible_text(lot_sentence(lot))}.")
    verdicts = lot.verdicts()
    for verdict in TO_BE_NAMED if lot.judged else ():
        names = [visible_text(part) for part, v in verdicts.items() if v == verdict]
        if names:
            more = " …" if len(names) > MOST_NAMED else ""
            print(f"  {verdict_words(verdict)}: {', '.join(names[:MOST_NAMED])}{more}")
    if lot.photos:
        print(photographs_sentence(lot))
        _say_refused(lot)
    for one in lot.judged:
        print(f"{wording(one.name).name}:")
        said = one.improvement.sentences if one.improvement else (one.no_study,)
        for sentence in filter(
            None, (room_sentence(one), signals_text(one), *said, truth_text(one))
        ):
            print(f"  {sentence}")
    for note in lot.notes:
        print(f"{note.message} {note.advice}".strip())


def _say_refused(lot: LotFindings) -> None:
    """Why photographs gave nothing: each reason once, with the first photograph it met."""
    reasons: dict[str, list[str]] = {}
    for line in lot.refused:
        if line.refused is not None:
            name = Path(line.planned.file).name
            why = f"{line.refused.message} {line.refused.advice}".strip()
            # A reason that names its photograph is the same reason for another one.
            reasons.setdefault(why.replace(name, "\0"), []).append(name)
    often = sorted(reasons.items(), key=lambda pair: -len(pair[1]))
    for why, names in often[:MOST_REASONS]:
        said = why.replace("\0", names[0]) if "\0" in why else f"{names[0]}: {why}"
        such = "" if len(names) == 1 else f"{len(names)}, such as "
        print(f"  Refused: {such}{' '.join(visible_text(said).split())}")
    if len(often) > MOST_REASONS:
        print(f"  … and for {len(often) - MOST_REASONS} more reasons, in the report.")


def _repeat(options: argparse.Namespace) -> int:
    from fitcheck.lots.repeated import repeated_photographs, repeated_text

    found = repeated_photographs(
        options.photos, options.view, setup_of(options), _tolerances(options)
    )
    for line in repeated_text(found):
        print(visible_text(line))
    return REFUSED if found.refused else OK


def _drift(options: argparse.Namespace) -> int:
    from fitcheck.lots.course import courses
    from fitcheck.lots.drift import drift
    from fitcheck.lots.history import occasion_in_file, occasions_in
    from fitcheck.lots.written import RESULTS
    from fitcheck.page.document import inspection_of
    from fitcheck.store import Store

    if options.lots:
        paths = [path / RESULTS if path.is_dir() else path for path in options.lots]
        occasions = [occasion_in_file(path) for path in paths]
    else:
        occasions = list(occasions_in(Store(options.store), inspection_of))
    for one in sorted(occasions, key=lambda o: o.date):
        print(f"{visible_text(one.date)}  {visible_text(one.name)}: {_of_occasion(one)}")
    if len(occasions) < 2:
        print("There is nothing to compare with: drift needs two lots or inspections.")
        return OK
    changes = drift(occasions)
    for change in changes:
        print(f"{change.message} {change.advice}")
    if not changes:
        print("Nothing has changed beyond chance.")
    if options.out is not None:
        from fitcheck.lots.figures import course_picture
        from fitcheck.lots.written import write_lot

        drawn = [course_picture(course) for course in courses(occasions)]
        names = [f"drift-{number}.svg" for number in range(1, len(drawn) + 1)]
        for path, picture in zip(
            write_lot(options.out, dict(zip(names, (p.svg for p in drawn), strict=True))),
            drawn,
            strict=True,
        ):
            print(f"{path}: {visible_text(picture.alt)}")
    return OK


def _of_occasion(one: Occasion) -> str:
    said = [
        f"card {card} {math.exp(s.mean):.3f} px ({s.count})" for card, s in one.residuals.items()
    ]
    if one.scale is not None:
        said.append(f"print {100 * one.scale[0]:.2f} % × {100 * one.scale[1]:.2f} %")
    said += [f"{visible_text(lens)}: {s.mean:.0f} px" for lens, s in one.focal.items()]
    said += [
        f"closure of {c.characteristic.replace('_', ' ')} {c.value:+.3g} ± "
        f"{1.96 * c.standard_uncertainty:.2g}"
        for c in one.closures
    ]
    return "; ".join(said) or "nothing measured"


def _is_date(text: str) -> bool:
    import datetime

    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return len(text) == 10
