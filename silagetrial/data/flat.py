"""One flat table, a row for each bale and opening, parted into the tables of a trial.

What trial.toml says under ``[flat]`` names for each heading where its cells belong: ``bales.pair``,
``day0.dm`` (crop at baling), ``wrapping.gross`` (weighing at wrapping), ``opening.dm`` and
``opening.gross`` (sample and weighing at opening, or core). What is of a bale, or of its crop,
stands in each of its rows and must be the same in all of them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from silagetrial.data.files import RawTable
from silagetrial.data.flat_headings import (
    PARTS,
    heading_of,
    is_target,
    split_target,
    target_problems,
)
from silagetrial.data.schema import TABLES
from silagetrial.data.settings import Flat, Settings
from silagetrial.errors import Problem

__all__ = ["FLAT_TABLES", "as_told", "parted"]

FLAT_TABLES: Final = ("bales", "samples", "weighings")
"""Tables that a flat table holds; the others may stand beside it."""

_FURTHER_ON: Final = 1_000_000
"""Added to the line of a second row that one line of the file gives to the same table."""

_NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("bale",),
    "samples": ("sample", "of", "taken_on", "kind"),
    "weighings": ("weighing", "bales", "weighed_at", "gross"),
}
"""Columns of a table that are there whatever is named."""

_KEY: Final = {"bales": "bale", "samples": "sample", "weighings": "weighing"}
_MADE_OF_BALE: Final = frozenset({"of", "bales", "sample", "weighing"})
"""Columns that are made of the name of the bale where no heading gives them."""

_MADE_OF: Final[Mapping[tuple[str, str], tuple[tuple[str, str], ...]]] = {
    ("day0", "taken_on"): (("bales", "baled_at"), ("bales", "film_wrapped_at")),
    ("wrapping", "weighed_at"): (("bales", "film_wrapped_at"),),
    ("opening", "weighed_at"): (("opening", "taken_on"),),
}
"""Times that are those of another column where no heading gives them."""

_ALWAYS: Final = ("bales", "opening")
"""Parts with a row also where nothing is filled in yet."""


@dataclass(frozen=True)
class _Row:
    """One row for a table: the part it is of, what the file says, and what stands else."""

    table: str
    part: str
    values: Mapping[str, str]
    otherwise: Mapping[str, str]


@dataclass
class _Table:
    """Rows of one table while they are put together, by name, with their line."""

    rows: dict[str, tuple[int, dict[str, str]]] = field(default_factory=dict)

    def put(self, line: int, row: _Row) -> Iterator[tuple[str, str, str]]:
        """Add a row, or fill in one that is there; yield column, cell and the other cell."""
        values = row.values
        key = _KEY[row.table]
        name = values.get(key) or row.otherwise[key]
        _, there = self.rows.setdefault(name, (line, {**row.otherwise, **values}))
        for name, cell in values.items():
            if cell and not there.get(name):
                there[name] = cell
            elif cell and there[name] != cell:
                yield name, cell, there[name]


def parted(raw: RawTable, settings: Settings) -> tuple[dict[str, RawTable], tuple[Problem, ...]]:
    """Return the tables of a flat table.

    Parameters
    ----------
    raw : RawTable
        The flat table.
    settings : Settings
        With `Settings.flat`.

    Returns
    -------
    dict of str to RawTable, tuple of Problem
        `FLAT_TABLES`; lines are those of the file, the second row that a line gives to a table
        further on: `as_told` turns them back.
    """
    flat = settings.flat
    assert flat is not None
    problems = [*target_problems(raw, flat)]
    targets = [
        (raw.heading.index(heading), *split_target(target))
        for heading, names in flat.columns.items()
        if heading in raw.heading
        for target in names
        if is_target(target)
    ]
    same = {split_target(target): cell for target, cell in flat.same.items() if is_target(target)}
    tables = {table: _Table() for table in FLAT_TABLES}
    seen: dict[str, int] = {}
    kind = "opening" if settings.design == "separate" else "core"
    for line, cells in zip(raw.lines, raw.rows, strict=True):
        parts: dict[str, dict[str, str]] = {part: {} for part in PARTS}
        for (part, column), value in same.items():
            parts[part][column] = value
        for at, part, column in targets:
            parts[part][column] = cells[at]
        filled = {part for at, part, _ in targets if cells[at]}
        bale = parts["bales"].get("bale", "")
        if not bale:
            problems.append(_without_bale(raw.file, line, flat))
            continue
        seen[bale] = seen.get(bale, 0) + 1
        for row in _rows_of(parts, bale, seen[bale], kind):
            if row.part in filled or row.part in _ALWAYS:
                on = _FURTHER_ON if row.part in ("day0", "wrapping") else 0
                for column, cell, other in tables[row.table].put(line + on, row):
                    target = (row.part, column)
                    problems.append(_differs(raw.file, line, flat, target, cell, other))
    return {name: _as_raw(raw.file, name, made) for name, made in tables.items()}, (*problems,)


def _rows_of(
    parts: Mapping[str, Mapping[str, str]], bale: str, number: int, kind: str
) -> Iterator[_Row]:
    """Yield each row that one line of the file gives."""
    bales, day0, wrapping = parts["bales"], _filled(parts["day0"]), _filled(parts["wrapping"])
    yield _Row("bales", "bales", bales, {})
    made, wrapped = bales.get("baled_at", ""), bales.get("film_wrapped_at", "")
    of = day0.get("of") or bale
    if day0:
        crop = {"sample": f"{of}-day0", "taken_on": made or wrapped, "kind": "day0", "of": of}
        yield _Row("samples", "day0", day0, crop)
    if wrapping:
        first = {"weighing": f"{bale}-w0", "weighed_at": wrapped, "bales": bale}
        yield _Row("weighings", "wrapping", wrapping, first)
    sample, weighing = (
        {
            name: cell
            for name, cell in _filled(parts["opening"]).items()
            if name in {column.name for column in TABLES[table]} - {*without}
        }
        for table, without in (("samples", ()), ("weighings", ("note",)))
    )
    later = {"sample": f"{bale}-{number}", "kind": kind, "of": bale}
    yield _Row("samples", "opening", sample, later)
    if weighing:
        when = sample.get("taken_on", "") if weighing.get("gross") else ""
        again = {"weighing": f"{bale}-w{number}", "weighed_at": when, "bales": bale}
        yield _Row("weighings", "opening", weighing, again)


def _filled(values: Mapping[str, str]) -> dict[str, str]:
    return {name: cell for name, cell in values.items() if cell}


def _as_raw(file: str, table: str, made: _Table) -> RawTable:
    there = {name for _, values in made.rows.values() for name in values}
    names = (*_NEEDED[table], *sorted(there - {*_NEEDED[table]}))
    if table == "bales":
        names = tuple(name for name in names if name in there or name == "bale")
    return RawTable(
        file,
        names,
        tuple(line for line, _ in made.rows.values()),
        tuple(tuple(values.get(name, "") for name in names) for _, values in made.rows.values()),
    )


def _without_bale(file: str, line: int, flat: Flat) -> Problem:
    return Problem(
        "error",
        file,
        line,
        heading_of(flat, "bales", "bale"),
        "a row without the name of a bale",
        "a bale in each row",
        "write the name, or remove the row, such as one of units or of means",
    )


def _differs(
    file: str, line: int, flat: Flat, target: tuple[str, str], cell: str, other: str
) -> Problem:
    return Problem(
        "error",
        file,
        line,
        heading_of(flat, *target),
        f"{cell!r}, and {other!r} in an earlier row of the same {_OF_WHAT[target[0]]}",
        "the same in all rows",
        "see which is right and correct the other" + (_OF_EACH if target[0] == "day0" else ""),
    )


_OF_EACH: Final = (
    '; where each bale had a sample of its own, write "day0.of" beside "bales.bale" under '
    "[flat.columns]"
)


_OF_WHAT: Final = {
    "bales": "bale",
    "day0": "sample of the crop",
    "wrapping": "weighing",
    "opening": "sample or weighing",
}


def as_told(problems: Sequence[Problem], file: str, flat: Flat) -> list[Problem]:
    """Return problems in the lines and headings of the flat table.

    Parameters
    ----------
    problems : sequence of Problem
    file : str
        The flat table, as problems name it.
    flat : Flat
    """
    told = (_told(problem, flat) if problem.file == file else problem for problem in problems)
    return list(dict.fromkeys(told))  # a time that stands for others is told of once


def _told(problem: Problem, flat: Flat) -> Problem:
    line, column = problem.line, problem.column
    second = line is not None and line > _FURTHER_ON
    if column is not None and column not in flat.columns:
        first, then = ("day0", "wrapping"), ("opening", "bales")
        column = next(
            (
                heading
                for part in ((*first, *then) if second else (*then, *first))
                for source in ((part, column), *_MADE_OF.get((part, column), ()))
                if (heading := heading_of(flat, *source)) in flat.columns
            ),
            column if column in _MADE_OF_BALE else _target(column, second=second),
        )
        if column in _MADE_OF_BALE:
            column = heading_of(flat, "bales", "bale")
    return replace(
        problem,
        line=line - _FURTHER_ON if second and line is not None else line,
        column=column,
        found=_LINE.sub(_earlier_line, problem.found),
        remedy=_LINE.sub(_earlier_line, problem.remedy),
    )


def _target(column: str, *, second: bool) -> str:
    """Return a column that no heading gives as it is named in trial.toml, where it is one."""
    parts = {
        "bales": "bales",
        "samples": "day0" if second else "opening",
        "weighings": "wrapping" if second else "opening",
    }
    tables = (name for name in FLAT_TABLES if any(c.name == column for c in TABLES[name]))
    table = next(tables, None)
    return column if table is None else f"{parts[table]}.{column}"


_LINE: Final = re.compile(r"(?<=\bline )1\d{6}\b")


def _earlier_line(match: re.Match[str]) -> str:
    return str(int(match[0]) - _FURTHER_ON)
