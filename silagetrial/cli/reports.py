"""The command that writes a report."""

from __future__ import annotations

import argparse
import sys

import silagetrial
from silagetrial.cli.arguments import add_force, day, progress
from silagetrial.errors import NoAnswer
from silagetrial.terminal import show

__all__ = ["describe_report"]


def describe_report(parser: argparse.ArgumentParser) -> None:
    """Describe the command that writes a report."""
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
        type=day,
        help="the date shown on the report (default: SOURCE_DATE_EPOCH, else none)",
    )
    add_force(parser)
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(run=_report)


def _report(arguments: argparse.Namespace) -> int:
    loud = sys.stderr.isatty() and not arguments.quiet
    report = silagetrial.write_report(
        arguments.folder,
        arguments.out,
        date=arguments.date,
        force=arguments.force,
        progress=progress if loud else None,
    )
    show("\n".join([*report.summary, f"Report: {report.path / 'report.html'}"]))
    return 0 if report.answered else NoAnswer.exit_code
