"""The command line: arguments in, exit code out, nothing else.

Exit codes: 0 done, 1 unexpected, 2 usage, 3 data problems, 4 no answer the design supports.
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import shutil
import sys
from collections.abc import Sequence
from typing import NoReturn

import silagetrial
from silagetrial.errors import DataProblems, NoAnswer, SilageTrialError, UsageError

__all__ = ["main"]


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with the arguments as every other error of the package is said."""

    def error(self, message: str) -> NoReturn:
        """Print found, expected and remedy, and leave with the exit code for usage."""
        error = UsageError(
            found=message,
            expected=self.format_usage().removeprefix("usage: ").strip(),
            remedy=f"see `{self.prog} --help`",
        )
        self.exit(UsageError.exit_code, f"{error}\n")


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        message = f"{text!r} is not a date of the form YYYY-MM-DD"
        raise argparse.ArgumentTypeError(message) from None


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="silagetrial",
        description="Compare bale bindings in wrapped silage bales: from a trial folder to a "
        "report whose every number can be checked.",
        epilog="Exit codes: 0 done, 1 unexpected, 2 usage, 3 problems in the data, 4 no answer "
        "the design supports.",
    )
    parser.add_argument(
        "--version", action="version", version=f"silagetrial {silagetrial.__version__}"
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _describe_check(commands.add_parser("check", help="list every problem in a trial folder"))
    _describe_columns(
        commands.add_parser("columns", help="list the columns and settings a trial folder may have")
    )
    _describe_report(commands.add_parser("report", help="analyse a trial and write the report"))
    return parser


def _describe_check(parser: argparse.ArgumentParser) -> None:
    parser.description = "Read a trial folder and list every problem in it, with file and line."
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    parser.set_defaults(run=_check)


def _describe_columns(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "List every table of a trial folder with its columns, and the keys of trial.toml."
    )
    parser.add_argument(
        "table", metavar="TABLE", nargs="?", help="one table, or trial.toml (default: all)"
    )
    parser.set_defaults(run=_columns)


def _describe_report(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Analyse a trial and write report.html, report.ipynb, results.json, manifest.json and a "
        "copy of the input into one folder. The answer in three short paragraphs goes to standard "
        "output."
    )
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    parser.add_argument(
        "--out",
        metavar="DIR",
        required=True,
        help="the folder to write: new, empty, or an earlier report as it was written, which is "
        "replaced",
    )
    parser.add_argument(
        "--date",
        metavar="YYYY-MM-DD",
        type=_date,
        help="the date shown on the report (default: SOURCE_DATE_EPOCH, else none)",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(run=_report)


def _check(arguments: argparse.Namespace) -> int:
    trial = silagetrial.read_trial(arguments.folder)
    listed = silagetrial.list_problems(trial.problem_list, width=_width())
    none = f"No problems found in {arguments.folder}."
    _show(f"{trial.problems.title}\n\n{listed}" if listed else none)
    return DataProblems.exit_code if trial.errors else 0


def _columns(arguments: argparse.Namespace) -> int:
    _show(silagetrial.describe_columns(arguments.table, width=_width()))
    return 0


def _report(arguments: argparse.Namespace) -> int:
    loud = sys.stderr.isatty() and not arguments.quiet
    report = silagetrial.write_report(
        arguments.folder,
        arguments.out,
        date=arguments.date,
        progress=_progress if loud else None,
    )
    _show("\n".join([*report.summary, f"Report: {report.path / 'report.html'}"]))
    return 0 if report.answered else NoAnswer.exit_code


def _width() -> int:
    return shutil.get_terminal_size().columns


def _show(text: str) -> None:
    """Print on standard output; a reader who has had enough, such as ``head``, is no error."""
    try:
        print(_printable(text), flush=True)
    except BrokenPipeError:
        # What is left in the buffer must go somewhere when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _printable(text: str) -> str:
    """Return the text in what standard output can show; a minus sign stays a minus sign."""
    encoding = sys.stdout.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        plain = text.translate({ord("\N{MINUS SIGN}"): "-", ord("\N{EN DASH}"): "-"})
        return plain.encode(encoding, errors="replace").decode(encoding)
    return text


def _progress(line: str) -> None:
    print(f"silagetrial: {line}", file=sys.stderr, flush=True)


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
    chosen = _parser().parse_args(arguments)
    try:
        return int(chosen.run(chosen))
    except SilageTrialError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
