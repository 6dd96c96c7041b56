"""The command line: words and flags. Nothing heavy is imported here, so that `kerfline --help` answers at once."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from typing import NoReturn

from api.errors import CommandError
from api.record_arguments import add_plan_adopt, add_record_commands
from models.version import VERSION

_ABOUT = (
    "Measure weigh-in-motion sensor work from phone photos with a printed reference bar in view, and keep the record "
    "of an installation from plan to release."
)
_EXIT = "Exit status: 0 all photos usable; 1 some photo unusable or unreadable; 2 the command line or a file is wrong."

Command = Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a file's name may hold bytes that are no text
    options = build_parser().parse_args(arguments)
    try:
        return _command(options)(options)
    except CommandError as wrong:
        print(f"kerfline: {wrong}", file=sys.stderr)
        return wrong.exit_status
    except KeyboardInterrupt:
        print("kerfline: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader of the output has gone: nothing is left to do, and nothing to say
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141


def _command(options: argparse.Namespace) -> Command:
    """The function behind a command; each is imported when it is used."""
    name = options.command
    if name == "measure":
        from api.measure_command import run_measure

        return run_measure
    if name == "bar":
        from api.bar_command import run_bar

        return run_bar
    if name == "calibrate":
        from api.calibrate_command import run_calibrate

        return run_calibrate
    if name == "demo":
        from api.demo_command import run_demo

        return run_demo
    if name == "plan" and options.plan_command != "adopt":
        from api.plan_command import run_plan

        return run_plan
    if name in ("state", "missing", "flags", "log"):
        from api.record_view import run_view

        return run_view
    from api.record_commands import run_record

    return run_record


def build_parser() -> argparse.ArgumentParser:
    """All commands and their flags."""
    parser = argparse.ArgumentParser(prog="kerfline", description=_ABOUT)
    parser.add_argument("--version", action="version", version=f"kerfline {VERSION}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_measure(commands)
    _add_bar(commands)
    _add_calibrate(commands)
    _add_demo(commands)
    _add_plan(commands)
    add_record_commands(commands)
    return parser


_Commands = argparse._SubParsersAction  # argparse has no public name for it


def _add_measure(commands: _Commands[argparse.ArgumentParser]) -> None:
    about = "measure photos and judge them against the plan's tolerances"
    parser = commands.add_parser("measure", help=about, description=about.capitalize() + ".", epilog=_EXIT)
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="JPEG, PNG, HEIC or AVIF file")
    parser.add_argument("--kind", required=True, choices=("layout", "slot", "surface"), help="what the photos show")
    _add_means(parser)
    parser.add_argument("--marks", metavar="FILE", help="image points where a person saw the line, edge or sensor run")
    _add_batch(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object a photo, one a line")


def _add_means(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plan", metavar="PLAN", help="plan file: tolerances, decision rule, sensors, bars, cameras")
    parser.add_argument("--sensor", metavar="ID", help="the plan's sensor in the photos: ID, LANE/ID or SITE/LANE/ID")
    parser.add_argument("--slot-width", type=_length, metavar="MM", help="nominal width of the slot, without a plan")
    parser.add_argument("--sensor-width", type=_length, metavar="MM", help="nominal width of the sensor's top")
    parser.add_argument("--slot", metavar="RESULT.json", help="measured slot of the same sensor: output of slot --json")
    parser.add_argument("--camera", metavar="CAL.json", help="the phone's calibration, from `kerfline calibrate`")
    parser.add_argument("--bar-calibration", metavar="FILE", help="real lengths of the bars (instead of the plan's)")


def _add_batch(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--overlay", metavar="DIR", help="write a picture to judge by eye for each photo into DIR")
    parser.add_argument("--jobs", type=_count, metavar="N", help="photos at once (default: one a core, at most 4)")
    parser.add_argument("--debug", action="store_true", help="tell more on standard error when something fails")


def _add_bar(commands: _Commands[argparse.ArgumentParser]) -> None:
    about = "draw a reference bar at true size as a PDF"
    parser = commands.add_parser("bar", help=about, description=about.capitalize() + ".")
    parser.add_argument("out", metavar="OUT.pdf", help="file to write")
    parser.add_argument("--kind", required=True, choices=("long", "short"), help="1000 mm bar or 300 mm bar")
    parser.add_argument("--number", required=True, type=int, metavar="K", help="long: 0 to 49; short: 0 to 28")
    parser.add_argument("--tiles", choices=("a4", "letter"), help="cut into pieces for this paper")


def _add_calibrate(commands: _Commands[argparse.ArgumentParser]) -> None:
    about = "make a phone's camera calibration from 6 or more photos of bars or of a chessboard"
    parser = commands.add_parser("calibrate", help=about, description=about.capitalize() + ".")
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photos by one phone and lens, from many directions")
    parser.add_argument("-o", "--out", required=True, metavar="CAL.json", help="file to write")
    parser.add_argument("--chessboard", type=_grid, metavar="COLSxROWS", help="inner corners of a board, such as 9x6")
    parser.add_argument("--square", type=_length, metavar="LENGTH", help="side of the board's squares, such as '25 mm'")


def _add_demo(commands: _Commands[argparse.ArgumentParser]) -> None:
    about = "measure the demo photos, play an invented night into a project, and show how it stands"
    parser = commands.add_parser("demo", help=about, description=about.capitalize() + ".", epilog=_EXIT)
    parser.add_argument("--folder", metavar="DIR", help="new folder for the project (default: a temporary one)")
    _add_batch(parser)


def _add_plan(commands: _Commands[argparse.ArgumentParser]) -> None:
    about = "work with plan files"
    plans = commands.add_parser("plan", help=about, description=about.capitalize() + ".").add_subparsers(
        dest="plan_command", required=True, metavar="COMMAND"
    )
    _add_plan_part(plans, "check", "say everything that is wrong in a plan").add_argument(
        "plan", metavar="FILE", help="plan file"
    )
    _add_plan_part(plans, "new", "write a commented plan to start from").add_argument(
        "out", nargs="?", default="plan.yaml", metavar="FILE", help="file to write (default: plan.yaml)"
    )
    _add_plan_part(plans, "schema", "print the JSON Schema of plans, for editors that complete and check")
    diff = _add_plan_part(plans, "diff", "list what became stricter or looser between two versions of a plan")
    diff.add_argument("old", metavar="OLD", help="plan file")
    diff.add_argument("new", metavar="NEW", help="plan file")
    diff.add_argument("--json", action="store_true", help="print a JSON list of changes")
    add_plan_adopt(plans)


def _add_plan_part(plans: _Commands[argparse.ArgumentParser], name: str, about: str) -> argparse.ArgumentParser:
    return plans.add_parser(name, help=about, description=about.capitalize() + ".")


def _length(text: str) -> float:
    """A length above zero: millimetres, or with its unit."""
    from models.units import Dimension, parse

    try:
        value = float(text)
    except ValueError:
        try:
            value = parse(text, Dimension.LENGTH)
        except ValueError as wrong:
            raise argparse.ArgumentTypeError(str(wrong)) from None
    if not 0.0 < value < 1e5:
        raise argparse.ArgumentTypeError(f"{text!r} must be above zero and below 100 m")
    return value


def _count(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} must be a whole number from 1 to 256")
    return int(text)


def _grid(text: str) -> tuple[int, int]:
    columns, _, rows = text.lower().partition("x")
    if not (columns.isdigit() and rows.isdigit() and 3 <= int(columns) <= 50 and 3 <= int(rows) <= 50):
        raise argparse.ArgumentTypeError(f"{text!r} must be inner corners across and down, like 9x6")
    return int(columns), int(rows)


def run() -> NoReturn:
    """Entry point of ``python -m api.cli``."""
    sys.exit(main())


if __name__ == "__main__":
    run()
