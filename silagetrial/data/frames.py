"""From cells of text to typed data frames: one frame a table, all columns always there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, cast, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from silagetrial.data.cells import CellFault
from silagetrial.data.columns import BLANK, MixedMarks, ReadColumn, read_column
from silagetrial.data.files import RawTable, ragged_rows
from silagetrial.data.nearest import did_you_mean, nearest
from silagetrial.data.schema import TABLES, Column, Kind, file_name
from silagetrial.data.settings import Decimal
from silagetrial.errors import Problem

__all__ = ["Rejected", "TypedTable", "empty_table", "typed_table"]

_KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

FIRST_LINES: Final = 3
"""Lines named of a fault that is said once for a column."""


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
    file : str
        The file, or workbook and sheet; where there is none, the file it might stand in.
    """

    frame: pd.DataFrame
    given: frozenset[str]
    misspelt: frozenset[str] = frozenset()
    rejected: tuple[Rejected, ...] = ()
    file: str = ""


def empty_table(table: str, *, further: Sequence[str] = ()) -> TypedTable:
    """Return a table without rows, for a file that is not there."""
    columns = _columns(table, further)
    frame = _frame(columns, {}, lines=())
    return TypedTable(frame, frozenset(), file=file_name(table))


def typed_table(
    table: str,
    raw: RawTable,
    *,
    further: Sequence[str] = (),
    decimal: Decimal | None = None,
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
    decimal : {".", ","} or None
        The decimal mark that trial.toml declares; None: that of each column.

    Returns
    -------
    TypedTable, tuple of Problem
        Cells that cannot be read are missing in the frame and problems in the list.
    """
    columns = _columns(table, further)
    file = raw.file
    problems = [*ragged_rows(raw), *_heading_problems(file, raw.heading, columns)]
    where = {name: j for j, name in reversed(list(enumerate(raw.heading)))}
    rejected = [Rejected(line, None, cells) for line, cells in raw.left_out.items()]
    read: dict[str, ReadColumn] = {}
    for column in columns:
        if column.name not in where:
            continue
        at = where[column.name]
        cells, texts = raw.columns[at], raw.texts[at]
        held = read[column.name] = read_column(cells, column, decimal=decimal, texts=texts)
        said = set() if held.mixed is None else set(held.mixed.commas)
        if held.mixed is not None:
            problems.append(_two_marks(file, raw.lines, column.name, cells, held.mixed))
        for k, fault in held.faults:
            rejected.append(Rejected(raw.lines[k], column.name, (cells[k],)))
            if k not in said:
                problems.append(_faulty_cell(file, raw.lines[k], column.name, fault))
    frame = _frame(columns, read, lines=raw.lines)
    if columns[0].name in where:
        frame = frame.iloc[_in_one_order(raw.columns[where[columns[0].name]])]
    if not frame[columns[0].name].is_unique:
        by = [column.name for column in columns if column.kind != "ids"]
        frame = frame.sort_values(by, na_position="last")
    typed = TypedTable(
        frame, frozenset(where), _misspelt(raw.heading, columns), tuple(rejected), file
    )
    return typed, tuple(problems)


def _faulty_cell(file: str, line: int, column: str, fault: CellFault) -> Problem:
    return Problem("error", file, line, column, fault.found, fault.expected, fault.remedy)


def _two_marks(
    file: str, lines: Sequence[int], column: str, cells: Sequence[str], mixed: MixedMarks
) -> Problem:
    """Say once for a column that both decimal marks stand in it; the rarer one first."""
    marks = [("comma", mixed.commas), ("point", mixed.points)]
    marks.sort(key=lambda mark: len(mark[1]))
    parts = []
    for name, places in marks:
        there = sorted((lines[k], cells[k]) for k in places)
        number = f"{len(there)} cell" + ("" if len(there) == 1 else "s")
        parts.append(f"a {name} in {number}, as {there[0][1]!r} ({_first_lines(there)})")
    return Problem(
        "error",
        file,
        min(lines[k] for k in marks[0][1]),
        column,
        "two decimal marks in one column: " + ", and ".join(parts),
        "one decimal mark in a column",
        "write 3.5, not 3,5, and 1234 whole, in every line of the column",
    )


def _first_lines(there: Sequence[tuple[int, str]]) -> str:
    """Name the first lines of some cells: ``line 3``, ``lines 3, 4, 5 and 72 more``."""
    named = [str(line) for line, _ in there[:FIRST_LINES]]
    more = len(there) - len(named)
    if len(there) == 1:
        return f"line {named[0]}"
    *most, last = [*named, *([f"{more} more"] if more else [])]
    return f"lines {', '.join(most)} and {last}"


def _misspelt(heading: Sequence[str], columns: Sequence[Column]) -> frozenset[str]:
    known = [column.name for column in columns]
    near = {nearest(name, known) for name in heading if name not in known}
    return frozenset(name for name in near if name is not None and name not in heading)


def _in_one_order(names: Sequence[str]) -> list[int]:
    """Return an order of rows that is not that of the file: by name, blank ones last."""
    order = sorted(range(len(names)), key=names.__getitem__)
    blank = names.count("")
    return [*order[blank:], *order[:blank]]


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
        if (column.required or column.once_done) and column.name not in heading:
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
    columns: Sequence[Column], read: Mapping[str, ReadColumn], *, lines: Sequence[int]
) -> pd.DataFrame:
    data: dict[str, Any] = {}
    index = pd.Index(np.asarray(lines, dtype=np.int64), name="line")
    absent = {kind: _array(kind, [BLANK.get(kind)] * len(lines)) for kind in _KINDS}
    for column in columns:
        there = column.name in read
        values = _array(column.kind, read[column.name].values) if there else absent[column.kind]
        data[column.name] = values
        if column.kind == "measured":
            limits = read[column.name].below if there else None
            data[f"{column.name}_below"] = absent["number"] if limits is None else _floats(limits)
    return pd.DataFrame(data, index=index)


def _array(kind: Kind, values: Sequence[object]) -> Any:
    if kind in ("number", "count", "measured"):
        return _floats(values)
    if kind == "datetime":
        return np.array(values, dtype="datetime64[us]")
    if kind == "ids":
        return pd.Series(list(values), dtype="object").array
    return pd.Series(cast("list[str]", values), dtype="str").array


def _floats(values: Sequence[object]) -> NDArray[np.float64]:
    return np.array(values, dtype=np.float64)
