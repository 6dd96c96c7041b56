"""The words and flags of the commands that work on a project's record; nothing heavy is imported here."""

from __future__ import annotations

import argparse

_Commands = argparse._SubParsersAction  # argparse has no public name for it
_Parser = argparse.ArgumentParser

EXIT = "Exit status: 0 done; 1 refused, or something was not taken; 2 the command line or a file is wrong."
KINDS = "Kinds of readings and their words: see README.md, or give a wrong one."


def add_record_commands(commands: _Commands[_Parser]) -> None:
    """All commands on a project, in the order of a night's work."""
    _add_start(commands)
    _add_add(commands)
    _add_import(commands)
    _add_correct(commands)
    _add_decisions(commands)
    _add_recompute(commands)
    _add_views(commands)


def add_plan_adopt(plans: _Commands[_Parser]) -> None:
    """``kerfline plan adopt``."""
    parser = _command(plans, "adopt", "put a plan in force in a project; what is not yet decided is judged by it")
    parser.add_argument("plan", metavar="FILE", help="plan file")
    _who(parser)
    _at(parser)


def _command(commands: _Commands[_Parser], name: str, about: str, epilog: str = EXIT) -> _Parser:
    return commands.add_parser(name, help=about, description=f"{about[0].upper()}{about[1:]}.", epilog=epilog)


def _add_start(commands: _Commands[_Parser]) -> None:
    parser = _command(commands, "start", "begin a project's record in a folder, from a plan")
    parser.add_argument("folder", metavar="FOLDER", help="new folder: holds the log and the photos as they came")
    parser.add_argument("--plan", required=True, metavar="PLAN", help="plan file, see `kerfline plan new`")
    parser.add_argument("--database", metavar="URL", help="postgresql://USER@HOST/NAME, instead of a file in FOLDER")
    _person(parser)


def _add_add(commands: _Commands[_Parser]) -> None:
    about = "tell what was shown: photos, readings, checks, notes"
    kinds = commands.add_parser("add", help=about, description=f"{about.capitalize()}.").add_subparsers(
        dest="evidence", required=True, metavar="WHAT"
    )
    _add_photo(kinds)
    _add_reading(kinds)
    check = _command(kinds, "check", "answer a check of the plan")
    check.add_argument("check", metavar="CHECK", help="id of the plan's check")
    check.add_argument("outcome", choices=("yes", "no", "not-applicable"), help="the answer")
    _evidence(check)
    note = _command(kinds, "note", "leave a note; it changes nothing")
    note.add_argument("text", metavar="TEXT", help="the note")
    _place(note)
    _who(note)
    _at(note)


def _add_photo(kinds: _Commands[_Parser]) -> None:
    photo = _command(kinds, "photo", "keep photos as they came and measure them")
    photo.add_argument("photos", nargs="+", metavar="PHOTO", help="JPEG, PNG, HEIC or AVIF file")
    photo.add_argument("--for", dest="requirement", metavar="ID", help="the plan's required photo that they are")
    photo.add_argument("--kind", choices=("layout", "slot", "surface"), help="what is to be measured in them")
    _place(photo)
    _who(photo)
    _at(photo)
    _replaces(photo)


def _add_reading(kinds: _Commands[_Parser]) -> None:
    reading = _command(kinds, "reading", "tell a reading of a gauge, tape, meter or clock", f"{KINDS} {EXIT}")
    reading.add_argument("kind", metavar="KIND", help="such as slot-depth, tape-triangle, pour-end")
    reading.add_argument(
        "--value", action="append", default=[], metavar="VALUE",
        help="number with its unit: '65.2 mm', '3 1/8 in'; NAME=VALUE where a reading has several",
    )  # fmt: skip
    reading.add_argument(
        "--station", default="", metavar="LENGTH", help="along the sensor from its first end: '300 mm'"
    )
    reading.add_argument(
        "--pass", dest="pass_number", default="", metavar="N", help="grinding pass; 0 before the first"
    )
    reading.add_argument("--instrument", default="", metavar="ID", help="the plan's instrument that it was read from")
    reading.add_argument("--text", action="append", default=[], metavar="NAME=WORD", help="such as part=base")
    reading.add_argument("--again", action="store_true", help="read again: tell it though the same was just told")
    _evidence(reading)


def _evidence(parser: _Parser) -> None:
    parser.add_argument("--note", default="", metavar="TEXT", help="what else was seen")
    _place(parser)
    parser.add_argument("--all-sensors", action="store_true", help="it holds for all sensors (a closure, a briefing)")
    _who(parser)
    _at(parser)
    _replaces(parser)


def _add_import(commands: _Commands[_Parser]) -> None:
    parser = _command(commands, "import", "take many readings from a CSV file or a spreadsheet; twice repeats nothing")
    parser.add_argument("table", metavar="FILE", help="CSV or .xlsx; columns as README.md says")
    parser.add_argument("--good-rows", action="store_true", help="take the good rows of a file that has bad ones")
    _place(parser)
    _who(parser)
    _at(parser)


def _add_correct(commands: _Commands[_Parser]) -> None:
    about = "let an entry count no more: say why; what is right is told by `kerfline add ... --replaces ENTRY`"
    parser = _command(commands, "correct", about)
    parser.add_argument("entry", metavar="ENTRY", help="number (17) or id, from `kerfline log`")
    parser.add_argument("--reason", required=True, metavar="TEXT", help="why it is wrong")
    parser.add_argument("--withdraw", action="store_true", help="nothing takes its place")
    _who(parser)
    _at(parser)


def _add_decisions(commands: _Commands[_Parser]) -> None:
    for name, about in (
        ("release", "release a stage on its evidence as it stands"),
        ("rework", "order a stage to be done again; all after it open again"),
        ("ask", "ask the crew to show something again"),
        ("waive", "waive what is missing or failed, or a whole stage, with reason and reference"),
    ):
        parser = _command(commands, name, about)
        parser.add_argument("stage", metavar="STAGE", help="id of the plan's stage")
        parser.add_argument("--sensor", metavar="ID", help="the plan's sensor: ID, LANE/ID or SITE/LANE/ID")
        needed = name in ("rework", "ask", "waive")
        parser.add_argument("--reason", required=needed, default="", metavar="TEXT", help="why, or what is to be done")
        parser.add_argument("--reference", required=name == "waive", default="", metavar="TEXT",
                            help="what allows it: a clause, a letter")  # fmt: skip
        if name == "waive":
            what = "what is waived, as `kerfline missing` and `kerfline flags` name it (default: the stage)"
            parser.add_argument("--items", nargs="+", default=[], metavar="ITEM", help=what)
        parser.add_argument("--seen", type=int, metavar="N", help="refuse if evidence came after entry N")
        _who(parser)
        _at(parser)


def _add_recompute(commands: _Commands[_Parser]) -> None:
    about = "measure photos and work out readings that are not yet; only what has changed is told"
    parser = _command(commands, "recompute", about)
    parser.add_argument("--sensor", metavar="ID", help="one sensor (default: all)")
    _who(parser)


def _add_views(commands: _Commands[_Parser]) -> None:
    for name, about, by_stage in (
        ("state", "show how the stages stand; with --stage in full", True),
        ("missing", "list what is still missing", True),
        ("flags", "list what is flagged, and why", True),
        ("log", "list the entries", False),
    ):
        parser = _command(commands, name, about)
        parser.add_argument("--sensor", metavar="ID", help="one sensor (default: all)")
        if by_stage:
            parser.add_argument("--stage", metavar="STAGE", help="one stage")
        parser.add_argument("--json", action="store_true", help="print JSON")
        _project(parser)


def _place(parser: _Parser) -> None:
    parser.add_argument("--sensor", metavar="ID", help="the plan's sensor; may be left out where there is only one")
    parser.add_argument("--stage", metavar="STAGE", help="needed only where the plan asks for it in several stages")


def _who(parser: _Parser) -> None:
    _project(parser)
    _person(parser)


def _project(parser: _Parser) -> None:
    parser.add_argument("--project", metavar="FOLDER",
                        help="the project (default: KERFLINE_PROJECT, else the folder you are in)")  # fmt: skip


def _person(parser: _Parser) -> None:
    parser.add_argument("--as", dest="who", metavar="ID", help="contact of the plan who acts (default: KERFLINE_AS)")
    parser.add_argument("--role", choices=("crew", "inspector", "auditor", "manager"),
                        help="in which of their roles (default: the first that may do it)")  # fmt: skip


def _at(parser: _Parser) -> None:
    parser.add_argument("--at", metavar="TIME", help="when: '2026-10-06 23:15', '23:15' or RFC 3339 (default: now)")


def _replaces(parser: _Parser) -> None:
    parser.add_argument("--replaces", metavar="ENTRY", help="the entry whose place it takes")
    parser.add_argument("--reason", default="", metavar="TEXT", help="with --replaces: why that entry is corrected")
