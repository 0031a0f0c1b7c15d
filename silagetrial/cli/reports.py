"""The commands that write a report, and that run one again."""

from __future__ import annotations

import argparse
import json
import sys

import silagetrial
from silagetrial.cli.arguments import add_force, day, progress
from silagetrial.errors import NoAnswer, NotReproduced
from silagetrial.terminal import show

__all__ = ["describe_report", "describe_reproduce"]


def describe_report(parser: argparse.ArgumentParser) -> None:
    """Describe the command that writes a report."""
    parser.description = (
        "Analyse a trial and write report.html, report.ipynb, results.json, methods.txt, "
        "references.bib, manifest.json, figures, tables and a copy of the input into one folder. "
        "The answer in a few short paragraphs goes to standard output."
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
    parser.add_argument(
        "--interim",
        action="store_true",
        help="a look before the last opening: title and first page say so, and the look is logged",
    )
    parser.add_argument(
        "--pdf",
        action="store_true",
        help="write report.pdf too, to print or to send (needs silagetrial[pdf])",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(run=_report)


def describe_reproduce(parser: argparse.ArgumentParser) -> None:
    """Describe the command that runs a finished report again."""
    parser.description = (
        "Check a finished report, wherever it was moved, and run it again from its own data: its "
        "files against manifest.json, the environment and the seed, and every value of "
        "results.json against the new one. Where nothing differs that numbers depend on, they must "
        "be equal to the last digit, elsewhere to a share of 0.00001. What differs is named, and "
        "why. Nothing is written in the folder. Exit code 5 when it is not reproduced."
    )
    parser.add_argument("folder", metavar="DIR", help="the folder of a finished report")
    parser.add_argument(
        "--json", action="store_true", help="say the same as JSON, for another program"
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(run=_reproduce)


def _reproduce(arguments: argparse.Namespace) -> int:
    loud = sys.stderr.isatty() and not arguments.quiet
    found = silagetrial.reproduce(arguments.folder, progress=progress if loud else None)
    show(json.dumps(found.to_json(), indent=2) if arguments.json else str(found))
    return 0 if found.reproduced else NotReproduced.exit_code


def _report(arguments: argparse.Namespace) -> int:
    loud = sys.stderr.isatty() and not arguments.quiet
    report = silagetrial.write_report(
        arguments.folder,
        arguments.out,
        date=arguments.date,
        force=arguments.force,
        pdf=arguments.pdf,
        interim=arguments.interim,
        progress=progress if loud else None,
    )
    show("\n".join([*report.summary, f"Report: {report.path / 'report.html'}"]))
    return 0 if report.answered else NoAnswer.exit_code
