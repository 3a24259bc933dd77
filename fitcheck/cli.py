"""The command line: gathers input, calls one function of the package, prints its answer.

Exit status: 0 all measured, 2 wrong arguments or an unreadable file, 3 a photograph was
refused. The JSON that ``measure --json`` prints is a contract with other programs.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from fitcheck import __version__
from fitcheck.cli_cards import add_card_options, setup_of
from fitcheck.cli_lots import add_lot_commands
from fitcheck.cli_report import add_report_commands, add_report_options, wishes_of
from fitcheck.cli_store import add_store_commands, add_store_option
from fitcheck.cli_views import add_view_option
from fitcheck.errors import BadInput, FitcheckError
from fitcheck.plain_text import visible_text
from fitcheck.threads import one_thread

# Everything heavy is imported inside the command that needs it: `--help` answers at once.
if TYPE_CHECKING:
    from fitcheck.inspecting import Inspected
    from fitcheck.measurement import Measurement
    from fitcheck.photo import Photo

OK, BAD_INPUT, REFUSED = 0, 2, 3


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line instead of printing the usage as well."""

    def error(self, message: str) -> NoReturn:
        self.exit(BAD_INPUT, f"fitcheck: {message}; see '{self.prog} --help'.\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments
        Words after the program's name; those of the process when not given.
    """
    one_thread()
    try:
        options = _parser().parse_args(arguments)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else BAD_INPUT
    try:
        return int(options.run(options))
    except FitcheckError as error:
        print(f"fitcheck: {visible_text(str(error))}", file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:
        return OK  # the reader of our output has seen enough


def _parser() -> _Parser:
    parser = _Parser(
        prog="fitcheck",
        description="Measures how a takedown bow's limbs fit their pockets, from photographs.",
    )
    parser.add_argument("--version", action="version", version=f"fitcheck {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="inspect the sample bow and open the page")
    demo.add_argument(
        "--out",
        type=Path,
        default=Path("fitcheck-report"),
        metavar="DIR",
        help="folder for the report (default: %(default)s)",
    )
    demo.add_argument("--no-page", action="store_true", help="end after the report")
    add_report_options(demo)
    demo.set_defaults(run=_demo, number="")

    cards = commands.add_parser("cards", help="write the printable reference cards")
    cards.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write to")
    cards.add_argument(
        "--paper",
        choices=("a4", "letter"),
        default="a4",
        help="paper of the sheet (default: %(default)s)",
    )
    cards.set_defaults(run=_cards)

    measure = commands.add_parser("measure", help="measure photographs of one view")
    measure.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    add_view_option(measure)
    measure.add_argument("--json", action="store_true", help="print JSON instead of text")
    measure.add_argument(
        "--report", type=Path, metavar="FILE", help="write the report to this HTML file, too"
    )
    add_card_options(measure)
    measure.add_argument(
        "--hints",
        type=Path,
        metavar="FILE",
        help="JSON file of rough edges in pixels of the upright photograph",
    )
    measure.add_argument(
        "--together", action="store_true", help="solve one lens for all photographs of one phone"
    )
    measure.add_argument(
        "--lens-profiles",
        type=Path,
        metavar="FILE",
        help="JSON file of what earlier photographs told of each phone's lens; made if missing",
    )
    measure.set_defaults(run=_measure)

    accuracy = commands.add_parser(
        "accuracy", help="measure photographs of known truth and print the errors"
    )
    accuracy.add_argument("folder", type=Path, metavar="FOLDER")
    accuracy.add_argument("--json", action="store_true", help="print JSON instead of text")
    accuracy.add_argument("--hints", action="store_true", help="give the true edges as hints")
    accuracy.add_argument("--view", action="append", default=[], help="only this view")
    accuracy.add_argument(
        "--lens",
        choices=("unknown", "profile", "known"),
        default="unknown",
        help="what is known of the lens beforehand (default: %(default)s)",
    )
    accuracy.add_argument("--workers", type=int, default=1, metavar="N", help="processes")
    accuracy.set_defaults(run=_accuracy)

    inspect = commands.add_parser(
        "inspect", help="measure a whole inspection and write its findings and report"
    )
    inspect.add_argument(
        "inspection",
        type=Path,
        metavar="FOLDER|FILE",
        help="inspection file, or the folder that holds inspection.json and the photographs",
    )
    inspect.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write to"
    )
    inspect.add_argument(
        "--before",
        type=Path,
        metavar="FOLDER|FILE",
        help="earlier inspection of the same bow, or its report.json, to compare with",
    )
    inspect.add_argument(
        "--number", default="", metavar="TEXT", help="number of the report (default: made up)"
    )
    add_report_options(inspect)
    inspect.set_defaults(run=_inspect)

    add_report_commands(commands)
    add_lot_commands(commands)

    page = commands.add_parser("page", help="open the page in the browser")
    page.add_argument("--port", type=int, default=8501, help="port (default: %(default)s)")
    page.add_argument("--no-browser", action="store_true", help="only serve it")
    page.add_argument(
        "--lan",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="let paired devices of the local network in, at this machine's address there",
    )
    page.add_argument("--lan-name", default="", metavar="NAME", help="name of this machine there")
    page.add_argument("--certificate", type=Path, metavar="FILE", help="for HTTPS, PEM")
    page.add_argument("--key", type=Path, metavar="FILE", help="the certificate's key, PEM")
    add_store_option(page)
    page.set_defaults(run=_page)

    add_store_commands(commands)
    return parser


def _cards(options: argparse.Namespace) -> int:
    from fitcheck.card_sheet import write_cards

    for path in write_cards(options.out, options.paper):
        print(path)
    return OK


def _measure(options: argparse.Namespace) -> int:
    from fitcheck.lens_profile import read_profiles, write_profiles
    from fitcheck.measurement import Measurement, Note
    from fitcheck.photo import load_photo
    from fitcheck.pipeline import lens_key, measure_photos, profile_after
    from fitcheck.views import VIEWS

    if options.view not in VIEWS:
        raise BadInput(
            "unknown_view",
            f"There is no view called {options.view!r}.",
            f"Choose one of: {', '.join(VIEWS)}.",
        )
    setup = setup_of(options)
    hints = {} if options.hints is None else _read_hints(options.hints)

    # A file that cannot be read does not keep the others from being measured.
    photos: dict[int, Photo] = {}
    results: dict[int, Measurement] = {}
    for i, path in enumerate(options.photos):
        try:
            photos[i] = load_photo(path)
        except BadInput as error:
            print(f"fitcheck: {visible_text(str(error))}", file=sys.stderr)
            note = Note(error.code, error.message, error.advice)
            results[i] = Measurement(path.name, options.view, refused=note)
    unreadable = bool(results)
    profiles = {} if options.lens_profiles is None else read_profiles(options.lens_profiles)
    before = dict(profiles)
    if options.together:
        chosen = list(photos.values())
        measured = measure_photos(chosen, options.view, setup, hints, True, profiles)
        results.update(zip(photos, measured, strict=True))
    for i, photo in photos.items():
        key = lens_key(photo)
        if options.together:
            # All of one phone hold the same solution, which counts once.
            profile = profile_after(photo, results[i], before.get(key))
        else:
            # One photograph after another, each from what the earlier ones told.
            results[i] = measure_photos([photo], options.view, setup, hints, False, profiles)[0]
            profile = profile_after(photo, results[i], profiles.get(key))
        if profile is not None:
            profiles[key] = profile
    if options.lens_profiles is not None:
        write_profiles(options.lens_profiles, profiles)

    ordered = [results[i] for i in sorted(results)]
    if options.json:
        _print_json([m.to_json() for m in ordered], many=len(options.photos) > 1)
    else:
        for measurement in ordered:
            _print_text(measurement)
    if options.report is not None:
        from fitcheck.written import report_entry, write_report

        entries = [report_entry(photo, results[i]) for i, photo in photos.items()]
        print(f"Report: {write_report(options.report, entries)}", file=sys.stderr)
    if unreadable:
        return BAD_INPUT
    return REFUSED if any(m.refused for m in ordered) else OK


def _accuracy(options: argparse.Namespace) -> int:
    from tqdm import tqdm

    from fitcheck.accuracy import compare_folder, to_json, to_text

    compared = compare_folder(
        options.folder, options.hints, options.lens, options.workers, options.view
    )
    comparisons = list(tqdm(compared, unit="photo", file=sys.stderr, disable=options.json))
    if options.json:
        _print_json([to_json(comparisons)], many=False)
    else:
        print(to_text(comparisons))
    return OK


def _read_hints(path: Path) -> dict[str, Any]:
    try:
        hints = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(
            "hints_unreadable",
            f"The hints file {path} cannot be read: {error.strerror or error}.",
            "Check its name and folder.",
        ) from error
    except (ValueError, RecursionError) as error:
        raise BadInput(
            "hints_unreadable",
            f"The hints file {path} is not JSON.",
            'Write it as {"limb_left": [[x, y], [x, y]]}.',
        ) from error
    if not isinstance(hints, dict):
        raise BadInput(
            "hints_unreadable",
            f"The hints file {path} does not hold an object of edges.",
            'Write it as {"limb_left": [[x, y], [x, y]]}.',
        )
    return hints


def _print_json(objects: list[dict[str, Any]], many: bool) -> None:
    print(json.dumps(objects if many else objects[0], indent=1, allow_nan=False))


def _print_text(measurement: Measurement) -> None:
    from fitcheck.judgement import judge, overall
    from fitcheck.units import quantity_text
    from fitcheck.wording import wording

    print(f"{measurement.photo} ({measurement.view})")
    if measurement.refused is not None:
        print(f"  Not measured: {measurement.refused.message} {measurement.refused.advice}")
        return
    for found in measurement.characteristics:
        words = wording(found.name)
        text = quantity_text(
            found.value, found.expanded_uncertainty, found.unit, signed=words.signed
        )
        print(f"  {words.name:<16} {text:>20}")
    for warning in measurement.warnings:
        print(f"  Warning: {warning.message} {warning.advice}")
    decisions = judge(measurement)
    for decision in decisions:
        print(f"  {decision.sentence}")
        if decision.what_decides:
            print(f"    {decision.what_decides}")
    print(f"  {overall(decisions).sentence}")


def _demo(options: argparse.Namespace) -> int:
    from fitcheck.accuracy import compare, known_photographs, to_text
    from fitcheck.samples import sample_folder

    print("Inspecting the sample bow, invented and photographed with known truth.")
    started = time.perf_counter()
    done = _inspected(sample_folder(), options)
    each = (time.perf_counter() - started) / len(done.findings.measurements)
    known = {one.photo.name: one for one in known_photographs(sample_folder() / "bow")}
    print("\nThe photographs against the truth:\n")
    pairs = [(m, known[Path(m.photo).name]) for m in done.findings.measurements if m is not None]
    print(to_text([compare(found, truth, each) for found, truth in pairs]))
    if options.no_page or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return OK
    from fitcheck.page.launch import launch

    def opened() -> str:
        from fitcheck.access.photograph_routes import THIS_COMPUTER
        from fitcheck.page.opening import begin_sample_bow, begin_samples

        begin_samples(THIS_COMPUTER)  # two single photographs, in the list beside the bow
        return begin_sample_bow(THIS_COMPUTER, done.findings.measurements)

    launch(opened=opened)
    return OK


def _inspect(options: argparse.Namespace) -> int:
    done = _inspected(options.inspection, options, options.before)
    if done.unreadable:
        return BAD_INPUT
    return REFUSED if done.refused else OK


def _inspected(path: Path, options: argparse.Namespace, before: Path | None = None) -> Inspected:
    """Inspect, say what was found and where it was written."""
    from tqdm import tqdm

    from fitcheck.findings.plain import summary_lines
    from fitcheck.inspecting import inspect

    bar = tqdm(unit="photo", disable=None, bar_format="{n:.1f} photographs, {elapsed}")

    def say(text: str) -> None:
        bar.write(visible_text(text), file=sys.stderr)

    with bar:
        done = inspect(path, options.out, say, wishes_of(options), before, bar.update)
    for line in summary_lines(done.findings):
        print(visible_text(line))
    for written in done.files:
        print(written)
    return done


def _page(options: argparse.Namespace) -> int:
    from fitcheck.page.launch import Lan, launch

    if (options.certificate is None) != (options.key is None):
        raise BadInput(
            "bad_certificate", "A certificate and its key belong together.", "Give both."
        )
    lan = None
    if options.lan is not None:
        lan = Lan(options.lan, options.lan_name, options.certificate, options.key)
    elif options.certificate is not None or options.lan_name:
        raise BadInput(
            "lan_not_asked",
            "A certificate or name is given, but the page is for this machine only.",
            "Add --lan to offer it to the local network.",
        )
    launch(options.port, not options.no_browser, store=options.store, lan=lan)
    return OK
