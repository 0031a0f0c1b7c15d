"""The commands about a trial's records: start, check, status, columns and entry."""

from __future__ import annotations

import argparse
import datetime as dt
import json
from pathlib import Path
from typing import Final

import silagetrial
from silagetrial.cli.arguments import add_force, day
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
    _add_date(parser, "the day that no date may be later than")
    parser.set_defaults(run=_check)


def describe_start(parser: argparse.ArgumentParser) -> None:
    """Describe the command that writes an empty trial."""
    parser.description = (
        "Write an empty trial: trial.toml to fill in, and a table for each kind of record with "
        "every column explained; or the demonstration, or a plan to begin with. A trial with bales "
        "drawn at random is written by plan."
    )
    parser.add_argument("folder", metavar="DIR", help="the folder to write: new or empty")
    kinds = parser.add_mutually_exclusive_group()
    kinds.add_argument(
        "--workbook",
        action="store_true",
        help="one workbook with drop-down lists in place of CSV files",
    )
    kinds.add_argument(
        "--demo", action="store_true", help="the demonstration trial, every number invented"
    )
    kinds.add_argument(
        "--plan",
        action="store_true",
        help="plan.toml of the demonstration, every figure invented, to be changed",
    )
    add_force(parser)
    parser.set_defaults(run=_start)


def describe_status(parser: argparse.ArgumentParser) -> None:
    """Describe the command that says what is to be done."""
    parser.description = (
        "Say what is due, overdue, late or missing, while a bale can still be weighed or sampled."
    )
    parser.add_argument("folder", metavar="FOLDER", help="the trial folder")
    _add_date(parser, "the day it is for")
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
    add_force(parser, "both sheets")
    parser.set_defaults(run=_entry)


def _add_date(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument("--date", metavar="YYYY-MM-DD", type=day, help=f"{what} (default: today)")


def _today(arguments: argparse.Namespace) -> dt.date:
    """Return the day that was given, or today."""
    given: dt.date | None = arguments.date
    return given or dt.datetime.now().astimezone().date()


def _check(arguments: argparse.Namespace) -> int:
    trial = silagetrial.read_trial(arguments.folder, today=_today(arguments))
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
    folder = arguments.folder
    there = Path(folder)
    gone = sorted(item.name for item in there.iterdir()) if there.is_dir() else []
    if arguments.demo or arguments.plan:
        written = silagetrial.start_demo(folder, plan=arguments.plan, force=arguments.force)
    else:
        written = silagetrial.start_trial(
            folder, workbook=arguments.workbook, force=arguments.force
        )
    if arguments.demo:
        then = (
            "Every number is invented.",
            f"Make the report: silagetrial report {folder} --out {_beside(folder) / 'report'}",
        )
    elif arguments.plan:
        then = (
            "Every figure is invented: write your own in plan.toml, and remove invented = true.",
            f"See what the trial could find: silagetrial power {folder}",
        )
    else:
        then = (
            "Fill in trial.toml first: the bindings, the openings, the units of the laboratory.",
            f"Look at any time for what is missing: silagetrial check {folder}",
        )
    replaced = [f"Replaced, and gone: {', '.join(gone)}"] if gone else []
    show("\n".join([*replaced, *map(str, written), *then]))
    return 0


def _beside(folder: str) -> Path:
    """Return the folder in which a folder lies, as the user would write it."""
    path = Path(folder)
    return path.parent if path.name else Path("..")


def _status(arguments: argparse.Namespace) -> int:
    today = _today(arguments)
    trial = silagetrial.read_trial(arguments.folder, today=today)
    table = silagetrial.status(trial, today=today)
    show(silagetrial.status_text(trial, table))
    return 0


def _columns(arguments: argparse.Namespace) -> int:
    if arguments.table in (_PLAN, _PLAN.removesuffix(".toml")):
        show(silagetrial.describe_plan(width=width()))
    else:
        show(silagetrial.describe_columns(arguments.table, width=width()))
    return 0


def _entry(arguments: argparse.Namespace) -> int:
    written = silagetrial.write_entry_sheets(
        arguments.folder, arguments.laboratory, number=arguments.number, force=arguments.force
    )
    show("Entry sheets: " + " and ".join(map(str, written)))
    return 0
