"""What arguments of several commands may hold, and what a long command says on standard error."""

from __future__ import annotations

import argparse
import datetime as dt
import sys

__all__ = ["add_force", "day", "progress"]


def add_force(parser: argparse.ArgumentParser, what: str = "the folder") -> None:
    """Add the option that replaces what was not written by this program."""
    parser.add_argument(
        "--force",
        action="store_true",
        help=f"replace {what}, whatever stands there now; what is read is never replaced",
    )


def day(text: str) -> dt.date:
    """Return the day that an argument names."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        message = f"{text!r} is not a date of the form YYYY-MM-DD"
        raise argparse.ArgumentTypeError(message) from None


def progress(line: str) -> None:
    """Say a line on standard error."""
    print(f"silagetrial: {line}", file=sys.stderr, flush=True)
