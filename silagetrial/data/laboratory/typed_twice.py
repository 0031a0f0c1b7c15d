"""A report that cannot be read by machine, typed twice: what both entry sheets say alike."""

from __future__ import annotations

from collections.abc import Sequence

from silagetrial.data.laboratory.mapping import Laboratory
from silagetrial.data.laboratory.readings import read_result
from silagetrial.data.laboratory.shapes import Entry
from silagetrial.errors import Problem

__all__ = ["typed_alike"]


def typed_alike(
    first: Sequence[Entry], second: Sequence[Entry], laboratory: Laboratory
) -> tuple[tuple[Entry, ...], tuple[Problem, ...]]:
    """Compare what was typed twice.

    Returns
    -------
    tuple of Entry, tuple of Problem
        The cells that are alike, as in the first sheet, and a problem for each that is not.
    """
    again = {(entry.sample, entry.quantity.heading): entry for entry in second}
    problems = []
    alike = []
    for entry in first:
        other = again.pop((entry.sample, entry.quantity.heading), None)
        if other is None:
            problems.append(_alone(entry, "second"))
        elif _says(entry, laboratory) == _says(other, laboratory):
            alike.append(entry)
        else:
            problems.append(
                Problem(
                    "error",
                    entry.file,
                    entry.line,
                    entry.quantity.heading,
                    f"sample {entry.sample}: {entry.text!r} here, {other.text!r} in line "
                    f"{other.line} of {other.file}",
                    "the same in both entry sheets",
                    "look at the report and correct the sheet that is wrong",
                )
            )
    return tuple(alike), (*problems, *(_alone(entry, "first") for entry in again.values()))


def _says(entry: Entry, laboratory: Laboratory) -> object:
    return read_result(entry.text, laboratory=laboratory, quantity=entry.quantity)


def _alone(entry: Entry, other: str) -> Problem:
    return Problem(
        "error",
        entry.file,
        entry.line,
        entry.quantity.heading,
        f"sample {entry.sample}: {entry.text!r}, not in the {other} entry sheet",
        "the same samples and results in both entry sheets",
        "type it into the other one as well",
    )
