"""The commands about a trial's records: start, check, status, columns and entry."""

from __future__ import annotations

import argparse
import datetime as dt
import json
from typing import Final

import silagetrial
from silagetrial.cli.arguments import day
from silagetrial.errors import DataProblems
from silagetrial.terminal import show, width

__all__ = [
    "describe_check",
    "describe_columns",
    "describe_entry",
    "describe_start",
    "describe_status",
]

_PLAN: Final = "plan.toml"


def describe_check(parser: argparse.ArgumentParser) -> None:
    """Describe the command that lists every problem."""
    parser.description = "Read a trial folder and list every problem in it, with file and line."
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    parser.add_argument(
        "--json", action="store_true", help="say the same as JSON, for another program"
    )
    parser.set_defaults(run=_check)


def describe_start(parser: argparse.ArgumentParser) -> None:
    """Describe the command that writes an empty trial."""
    parser.description = (
        "Write an empty trial: trial.toml to fill in, and a table for each kind of record with "
        "every column explained. A trial with bales drawn at random is written by plan."
    )
    parser.add_argument("folder", metavar="DIR", help="the folder to write: new or empty")
    parser.add_argument(
        "--workbook",
        action="store_true",
        help="one workbook with drop-down lists in place of CSV files",
    )
    parser.set_defaults(run=_start)


def describe_status(parser: argparse.ArgumentParser) -> None:
    """Describe the command that says what is to be done."""
    parser.description = (
        "Say what is due, overdue or missing, while a bale can still be weighed or sampled."
    )
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    parser.add_argument(
        "--date", metavar="YYYY-MM-DD", type=day, help="the day it is for (default: today)"
    )
    parser.set_defaults(run=_status)


def describe_columns(parser: argparse.ArgumentParser) -> None:
    """Describe the command that lists columns and settings."""
    parser.description = (
        "List every table of a trial folder with its columns, and the keys of trial.toml and "
        "laboratories.toml; for plan.toml its keys, and sizes of variation to start from."
    )
    parser.add_argument(
        "table",
        metavar="TABLE",
        nargs="?",
        help="one table, trial.toml, laboratories.toml (default: all of these) or plan.toml",
    )
    parser.set_defaults(run=_columns)


def describe_entry(parser: argparse.ArgumentParser) -> None:
    """Describe the command that writes entry sheets."""
    parser.description = (
        "Write two entry sheets for a laboratory report on paper or as a PDF, the codes of samples "
        "without results filled in. Type the report into both, one independently of the other: "
        "what differs is found when the trial is read."
    )
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    parser.add_argument("laboratory", metavar="LABORATORY", help="as in laboratories.toml")
    parser.add_argument("number", metavar="NUMBER", help="number of the report")
    parser.set_defaults(run=_entry)


def _check(arguments: argparse.Namespace) -> int:
    trial = silagetrial.read_trial(arguments.folder)
    if arguments.json:
        show(json.dumps(silagetrial.understood(trial), indent=2, ensure_ascii=False))
        return DataProblems.exit_code if trial.errors else 0
    listed = silagetrial.list_problems(trial.problem_list, width=width())
    none = f"No problems found in {arguments.folder}."
    said = f"{trial.problems.title}\n\n{listed}" if listed else none
    show(
        "\n\n".join(part for part in (said, str(trial), silagetrial.pair_grid_text(trial)) if part)
    )
    return DataProblems.exit_code if trial.errors else 0


def _start(arguments: argparse.Namespace) -> int:
    written = silagetrial.start_trial(arguments.folder, workbook=arguments.workbook)
    show(
        "\n".join(
            [
                *map(str, written),
                "Fill in trial.toml first: the bindings, the openings, the units of the "
                "laboratory.",
                f"Look at any time for what is missing: silagetrial check {arguments.folder}",
            ]
        )
    )
    return 0


def _status(arguments: argparse.Namespace) -> int:
    trial = silagetrial.read_trial(arguments.folder)
    today = arguments.date or dt.datetime.now().astimezone().date()
    table = silagetrial.status(trial, today=today)
    show(silagetrial.status_text(trial, table))
    return 0


def _columns(arguments: argparse.Namespace) -> int:
    if arguments.table == _PLAN:
        show(silagetrial.describe_plan(width=width()))
    else:
        show(silagetrial.describe_columns(arguments.table, width=width()))
    return 0


def _entry(arguments: argparse.Namespace) -> int:
    written = silagetrial.write_entry_sheets(
        arguments.folder, arguments.laboratory, number=arguments.number
    )
    show("Entry sheets: " + " and ".join(map(str, written)))
    return 0
