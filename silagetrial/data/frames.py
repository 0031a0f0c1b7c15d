"""From cells of text to typed data frames: one frame a table, all columns always there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from silagetrial.data.cells import CellFault, Value, parse_cell
from silagetrial.data.files import RawTable
from silagetrial.data.nearest import did_you_mean, nearest
from silagetrial.data.schema import TABLES, Column, file_name
from silagetrial.errors import Problem

__all__ = ["Rejected", "TypedTable", "empty_table", "typed_table"]


@dataclass(frozen=True)
class Rejected:
    """What stands in a file and could not be read: one cell, or a row with too few or too many.

    Parameters
    ----------
    line : int
        Line of the file.
    column : str or None
        Column of the cell; None for a whole row, whose cells may each be of any column.
    cells : tuple of str
        The text.
    """

    line: int
    column: str | None
    cells: tuple[str, ...]


@dataclass(frozen=True)
class TypedTable:
    """A table with typed columns.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a line of the file, ordered by the first column, then the others; the index, named
        ``line``, is the line of the file. Columns: all of the schema, further declared ones, and
        ``x_below`` for each measured column x.
    given : frozenset of str
        Columns that stand in the file.
    misspelt : frozenset of str
        Columns that stand in the file under a heading that is not quite theirs.
    rejected : tuple of Rejected
        What the file holds beyond the frame.
    """

    frame: pd.DataFrame
    given: frozenset[str]
    misspelt: frozenset[str] = frozenset()
    rejected: tuple[Rejected, ...] = ()


def empty_table(table: str, *, further: Sequence[str] = ()) -> TypedTable:
    """Return a table without rows, for a file that is not there."""
    columns = _columns(table, further)
    frame = _frame(columns, {column.name: [] for column in columns}, lines=())
    return TypedTable(frame, frozenset())


def typed_table(
    table: str, raw: RawTable, *, further: Sequence[str] = ()
) -> tuple[TypedTable, tuple[Problem, ...]]:
    """Read every cell of a table.

    Parameters
    ----------
    table : str
        Name of the table, a key of ``TABLES``.
    raw : RawTable
        Its cells.
    further : sequence of str
        Further text columns that trial.toml declares.

    Returns
    -------
    TypedTable, tuple of Problem
        Cells that cannot be read are missing in the frame and problems in the list.
    """
    columns = _columns(table, further)
    file = file_name(table)
    problems = [*_heading_problems(file, raw.heading, columns)]
    where = {name: j for j, name in reversed(list(enumerate(raw.heading)))}
    rejected = [Rejected(line, None, cells) for line, cells in raw.left_out.items()]
    values: dict[str, list[Value]] = {}
    for column in columns:
        cells = [""] * len(raw.rows)
        if column.name in where:
            cells = [row[where[column.name]] for row in raw.rows]
        parsed = [parse_cell(cell, column) for cell in cells]
        blank = Value(() if column.kind == "ids" else None)
        values[column.name] = [blank if isinstance(item, CellFault) else item for item in parsed]
        for line, cell, item in zip(raw.lines, cells, parsed, strict=True):
            if column.name in where and isinstance(item, CellFault):
                rejected.append(Rejected(line, column.name, (cell,)))
                problems.append(_faulty_cell(file, line, column.name, item))
    frame = _frame(columns, values, lines=raw.lines)
    read = TypedTable(
        _in_one_order(frame, columns),
        frozenset(where),
        _misspelt(raw.heading, columns),
        tuple(rejected),
    )
    return read, tuple(problems)


def _faulty_cell(file: str, line: int, column: str, fault: CellFault) -> Problem:
    return Problem("error", file, line, column, fault.found, fault.expected, fault.remedy)


def _misspelt(heading: Sequence[str], columns: Sequence[Column]) -> frozenset[str]:
    known = [column.name for column in columns]
    near = {nearest(name, known) for name in heading if name not in known}
    return frozenset(name for name in near if name is not None and name not in heading)


def _in_one_order(frame: pd.DataFrame, columns: Sequence[Column]) -> pd.DataFrame:
    """Return the rows in an order that does not depend on the order of the file."""
    by = [column.name for column in columns if column.kind != "ids"]
    if frame[by[0]].is_unique:
        by = by[:1]
    return frame.sort_values(by, na_position="last")


def _columns(table: str, further: Sequence[str]) -> tuple[Column, ...]:
    known = {column.name for column in TABLES[table]}
    added = tuple(
        Column(name, "text", False, "", "declared in trial.toml")
        for name in further
        if name not in known
    )
    return TABLES[table] + added


def _heading_problems(
    file: str, heading: tuple[str, ...], columns: Sequence[Column]
) -> Iterator[Problem]:
    known = [column.name for column in columns]
    for column in columns:
        if column.required and column.name not in heading:
            yield Problem(
                "error",
                file,
                1,
                column.name,
                f"no column {column.name}",
                f"a column {column.name}: {column.description}",
                f"add the column; if it has another heading, name it {column.name}",
            )
    for j, name in enumerate(heading):
        if name in heading[:j]:
            yield Problem(
                "error",
                file,
                1,
                name,
                f"the heading {name!r} twice",
                "each heading once",
                "remove or rename one of the two columns",
            )
        elif name not in known:
            yield _unknown_column(file, name, known)


def _unknown_column(file: str, name: str, known: Sequence[str]) -> Problem:
    close = nearest(name, known)
    return Problem(
        # A near miss is most likely a known column that would silently go unread.
        "warning" if close is None else "error",
        file,
        1,
        name or None,
        f"the heading {name!r}, which is not known",
        f"headings among {', '.join(known)}",
        did_you_mean(name, known, otherwise="the column is not read; remarks belong under note"),
    )


def _frame(
    columns: Sequence[Column], values: dict[str, list[Value]], *, lines: Sequence[int]
) -> pd.DataFrame:
    data: dict[str, pd.Series[Any]] = {}
    index = pd.Index(np.asarray(lines, dtype=np.int64), name="line")
    for column in columns:
        items = values[column.name]
        data[column.name] = _series(column, [item.value for item in items]).set_axis(index)
        if column.kind == "measured":
            limits = pd.Series([item.below for item in items], dtype="float64")
            data[f"{column.name}_below"] = limits.set_axis(index)
    return pd.DataFrame(data, index=index)


def _series(column: Column, values: list[object]) -> pd.Series[Any]:
    if column.kind in ("number", "count", "measured"):
        return pd.Series(values, dtype="float64")
    if column.kind == "datetime":
        return pd.Series(values, dtype="datetime64[us]")
    return pd.Series(values, dtype="object" if column.kind == "ids" else "str")
