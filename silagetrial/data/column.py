"""One column of one table: what it is called, what it may hold, what it means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Column", "Kind", "column"]

Kind = Literal["id", "ids", "text", "choice", "number", "count", "datetime", "measured"]
"""What a cell may hold.

id: a name without spaces; ids: several, separated by spaces; choice: one of the listed words;
number: a decimal point, no thousands mark; count: a whole number from 0; datetime: ISO date or date
and time, local time of the farm; measured: a number, or ``<x`` for below a limit of x.
"""


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Parameters
    ----------
    name : str
        Heading in the file.
    kind : Kind
        What a cell may hold.
    required : bool
        The column must be there and filled in every line.
    unit : str
        Unit of the values as they stand in the file; ``[units]`` where trial.toml declares it;
        empty where there is none.
    description : str
        What the column means, in the words of the trade.
    choices : tuple of str
        The words allowed, for the kinds ``choice`` and ``ids``; empty: any.
    once_done : bool
        The column must be there; its cell may stay blank while the row is planned and nothing of
        it is done yet. Columns that are neither this nor `required` may be left out.
    """

    name: str
    kind: Kind
    required: bool
    unit: str
    description: str
    choices: tuple[str, ...] = ()
    once_done: bool = False


def column(
    name: str,
    kind: Kind,
    description: str,
    *,
    unit: str = "",
    required: bool = False,
    choices: tuple[str, ...] = (),
    once_done: bool = False,
) -> Column:
    """Return a column; what few columns have is left to be named."""
    return Column(name, kind, required, unit, description, choices, once_done)
