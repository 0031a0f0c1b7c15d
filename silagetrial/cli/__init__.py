"""The command line: arguments in, exit code out, nothing else.

Exit codes: 0 done, 1 unexpected, 2 usage, 3 data problems, 4 no answer the design supports, 5 a
report not reproduced, 130 a simulation interrupted from the keyboard.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import silagetrial
from silagetrial.cli.api import describe_api
from silagetrial.cli.parser import Parser
from silagetrial.cli.plans import INTERRUPTED, describe_plan, describe_power
from silagetrial.cli.records import (
    describe_check,
    describe_columns,
    describe_entry,
    describe_start,
    describe_status,
)
from silagetrial.cli.reports import describe_report, describe_reproduce
from silagetrial.cli.welcome import WELCOME
from silagetrial.errors import SilageTrialError
from silagetrial.terminal import show

__all__ = ["INTERRUPTED", "main"]


def _parser(words: Sequence[str]) -> Parser:
    parser = Parser(
        prog="silagetrial",
        description="Compare bale bindings in wrapped silage bales: from a trial folder to a "
        "report whose every number can be checked.",
        epilog="Exit codes: 0 done, 1 unexpected, 2 usage, 3 problems in the data, 4 no answer "
        "the design supports, 5 a report not reproduced, 130 a simulation interrupted.",
    )
    parser.add_argument(
        "--version", action="version", version=f"silagetrial {silagetrial.__version__}"
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    describe_start(commands.add_parser("start", help="write an empty trial folder"))
    describe_check(commands.add_parser("check", help="list every problem in a trial folder"))
    describe_status(
        commands.add_parser("status", help="say what is due, overdue, late or missing on a day")
    )
    describe_columns(
        commands.add_parser("columns", help="list the columns and settings a trial folder may have")
    )
    describe_entry(
        commands.add_parser("entry", help="write entry sheets for a laboratory report as a PDF")
    )
    describe_plan(
        commands.add_parser("plan", help="lay a trial out and write the folder for its data")
    )
    describe_power(
        commands.add_parser("power", help="say how many pairs a trial needs and what it can see")
    )
    describe_report(commands.add_parser("report", help="analyse a trial and write the report"))
    describe_reproduce(
        commands.add_parser("reproduce", help="check a finished report and run it again")
    )
    describe_api(commands.add_parser("api", help="say where the page of the Python functions is"))
    parser.commands = commands.choices
    for each in (parser, *parser.commands.values()):
        each.words = words
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``silagetrial``; by default those of the process.

    Returns
    -------
    int
        The exit code; an error of the package is printed on standard error.
    """
    words = sys.argv[1:] if arguments is None else arguments
    if not words:
        show(WELCOME.rstrip("\n"))
        return 0
    chosen = _parser(words).parse_args(words)
    try:
        return int(chosen.run(chosen))
    except SilageTrialError as error:
        print(error, file=sys.stderr)
        return error.exit_code
