"""Files of a trial stay in its folder: what a link leads to elsewhere is not read."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from silagetrial.data.laboratory.keys import LABORATORIES_FILE
from silagetrial.data.open_workbook import WORKBOOKS
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import TABLES, file_name
from silagetrial.errors import DataProblems, Problem

__all__ = ["LARGEST_TABLE", "refuse_outside"]

LARGEST_TABLE: Final = 200_000_000
"""Bytes of a file of text; 200,000 samples take a tenth of it."""

_READ: Final = (SETTINGS_FILE, LABORATORIES_FILE, *map(file_name, TABLES))


def refuse_outside(folder: Path) -> None:
    """Refuse files that a link leads out of the folder, or that would fill the memory.

    Parameters
    ----------
    folder : pathlib.Path
        The trial's folder; it may itself be a link.

    Raises
    ------
    DataProblems
        With each of the files of fixed names and the workbooks.
    """
    home = folder.resolve()
    problems = []
    for entry in sorted(folder.iterdir()):
        is_text = entry.name in _READ
        if not (is_text or entry.suffix.lower() in WORKBOOKS) or not entry.is_file():
            continue
        if entry.is_symlink() and not entry.resolve().is_relative_to(home):
            problems.append(
                _problem(
                    entry.name,
                    "a link that leads out of the trial's folder",
                    "a file in the folder itself",
                    "copy the file into the folder in place of the link",
                )
            )
        elif is_text and entry.stat().st_size > LARGEST_TABLE:
            problems.append(
                _problem(
                    entry.name,
                    f"a file of {entry.stat().st_size / 1e6:.0f} MB",
                    f"at most {LARGEST_TABLE / 1e6:.0f} MB",
                    "see whether this is the table of a trial; part it into several trials if so",
                )
            )
    if problems:
        raise DataProblems(problems)


def _problem(file: str, found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", file, None, None, found, expected, remedy)
