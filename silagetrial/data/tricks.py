"""What spreadsheets and their users do to a table, told in words before its cells are read.

A row that is no row of the table (a second heading, units under the heading, means at the bottom)
is a problem and left out, so that each of its cells is not a problem as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from silagetrial.data.changed_names import any_match, changed_names
from silagetrial.data.files import RawTable
from silagetrial.data.schema import TABLES
from silagetrial.errors import Problem, Severity

__all__ = ["without_tricks"]

_ERROR: Final = re.compile(r"#(?:DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!|WERT!|BEZUG!)|Err:\d{3}")
_UNIT: Final = re.compile(
    r"[\[(]?\s*(?:kg|g|t|lb|cm|mm|m|mil|inch|ft|%|°c|°f|ph|days?|hours?|h|date|time|no\.?|number"
    r"|(?:m?g|mmol)/kg\b.*|%\s.*|(?:log\S*\s*)?cfu/g\b.*|yyyy.*|-)\s*[\])]?",
    re.IGNORECASE,
)
_SUMMARY: Final = re.compile(
    r"(?:mean|average|avg|median|sum|total|std?\.? ?dev\.?|standard deviation"
    r"|s\.?d\.?|s\.?e\.?m?\.?|min|max|minimum|maximum|count|cv ?%?|mittel(?:wert)?"
    r"|durchschnitt|summe|gesamt|standardabweichung|moyenne|media|gemiddelde)\s*[:=]?",
    re.IGNORECASE,
)
_SHOWN: Final = 3


def without_tricks(
    table: str, raw: RawTable, *, further: Sequence[str] = ()
) -> tuple[RawTable, tuple[Problem, ...]]:
    """Return a table without rows that are none of its own, and what a spreadsheet did to it.

    Parameters
    ----------
    table : str
        Name of the table, a key of ``TABLES``.
    raw : RawTable
        Its cells.
    further : sequence of str
        Further columns that trial.toml declares.
    """
    known = {column.name for column in TABLES[table]} | {*further}
    problems: list[Problem] = []
    raw = _from_the_heading(raw, known, problems)
    raw = _without_rows(raw, _second_headings(raw, known), problems)
    raw = _without_rows(raw, _unit_rows(table, raw), problems)
    raw = _without_rows(raw, _summary_rows(raw), problems)
    problems += _broken(raw)
    problems += changed_names(table, raw)
    return raw, tuple(problems)


def _problem(
    raw: RawTable,
    line: int,
    column: str | None,
    found: str,
    expected: str,
    remedy: str,
    severity: Severity = "error",
) -> Problem:
    return Problem(severity, raw.file, line, column, found, expected, remedy)


def _from_the_heading(raw: RawTable, known: set[str], problems: list[Problem]) -> RawTable:
    """Return the table from its heading on, where lines of text stand above it."""
    if known & {*raw.heading}:
        return raw
    everything = sorted([*zip(raw.lines, raw.rows, strict=True), *raw.left_out.items()])
    for line, cells in everything[:_HEADING_WITHIN]:
        heading = tuple(cells)
        if len(known & {*heading}) >= 2:
            problems.append(
                _problem(
                    raw,
                    line,
                    None,
                    f"the heading in line {line}, below other text",
                    "the heading in the first line of the table",
                    "remove the lines above it; notes belong under note or into trial.toml",
                )
            )
            below = [(at, row) for at, row in everything if at > line]
            wide = len(heading)
            fitting = [(at, _of_width(row, wide)) for at, row in below if len(row) <= wide]
            return replace(
                raw,
                heading=heading,
                lines=tuple(at for at, _ in fitting),
                rows=tuple(row for _, row in fitting),
                left_out={at: row for at, row in below if len(row) > wide},
            )
    return raw


_HEADING_WITHIN: Final = 10


def _of_width(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (*row, *[""] * (width - len(row)))


def _without_rows(
    raw: RawTable, found: Iterator[tuple[int, Problem]], problems: list[Problem]
) -> RawTable:
    """Return the table without the rows found, by their number, each with its problem."""
    out = dict(found)
    if not out:
        return raw
    problems += out.values()
    kept = [k for k in range(len(raw.rows)) if k not in out]
    return replace(
        raw,
        lines=tuple(raw.lines[k] for k in kept),
        rows=tuple(raw.rows[k] for k in kept),
    )


def _second_headings(raw: RawTable, known: set[str]) -> Iterator[tuple[int, Problem]]:
    """Find a heading among the rows: the beginning of a second table, and all below it."""
    every = [column for columns in TABLES.values() for column in columns]
    # Words such as sample and opening are headings of one column and values of another.
    anywhere = known | {column.name for column in every}
    anywhere -= {word for column in every for word in column.choices}
    if sum(not anywhere.isdisjoint(texts) for texts in raw.texts) < 2:
        return
    for k, row in enumerate(raw.rows):
        names = anywhere.intersection(row)
        if len(names) < 2 or 2 * len(names) < sum(map(bool, row)):
            continue
        line = raw.lines[k]
        again = row == raw.heading
        yield (
            k,
            _problem(
                raw,
                line,
                None,
                f"a second heading ({', '.join(sorted(names)[:_SHOWN])})",
                "one table in a file or sheet, with one heading",
                "remove the line: the rows below it are read under the first heading"
                if again
                else "move this heading and the rows below it into a file or sheet of their own",
            ),
        )
        if not again:
            for further in range(k + 1, len(raw.rows)):
                yield further, _below_second(raw, raw.lines[further], line)
            return


def _below_second(raw: RawTable, line: int, heading: int) -> Problem:
    return _problem(
        raw,
        line,
        None,
        f"a row below the second heading, in line {heading}",
        "one table in a file or sheet, with one heading",
        "move it with its heading; it is not read",
        "warning",
    )


def _unit_rows(table: str, raw: RawTable) -> Iterator[tuple[int, Problem]]:
    """Find a row of units under the heading: units where numbers and times should stand."""
    kinds = {column.name: column.kind for column in TABLES[table]}
    measured = [
        k
        for k, name in enumerate(raw.heading)
        if kinds.get(name) in ("number", "count", "measured", "datetime")
    ]
    if not raw.rows:
        return
    cells = [raw.rows[0][k] for k in measured if raw.rows[0][k]]
    if any(cell != "-" for cell in cells) and all(_UNIT.fullmatch(cell) for cell in cells):
        yield (
            0,
            _problem(
                raw,
                raw.lines[0],
                None,
                f"a row of units ({', '.join(cells[:_SHOWN])}) under the heading",
                "the first bale, sample or weighing",
                "remove the row; units of results stand under [units] of trial.toml, the others "
                "are those of the column (silagetrial columns)",
            ),
        )


def _summary_rows(raw: RawTable) -> Iterator[tuple[int, Problem]]:
    """Find means and sums among the rows."""
    firsts: Sequence[str] = raw.columns[0]
    if "" in firsts:
        firsts = [next(cell for cell in row if cell) for row in raw.rows]
    if not any_match(_SUMMARY, firsts):
        return
    for k, first in enumerate(firsts):
        if _SUMMARY.fullmatch(first):
            yield (
                k,
                _problem(
                    raw,
                    raw.lines[k],
                    None,
                    f"a row of results of a calculation, {first!r}",
                    "rows of the table only",
                    "remove the row: what is calculated from the table belongs into another sheet; "
                    "if it is a name, choose another",
                ),
            )


def _broken(raw: RawTable) -> Iterator[Problem]:
    """Find cells with an error that the spreadsheet left there as text."""
    for name, texts, cells in zip(raw.heading, raw.texts, raw.columns, strict=True):
        whole = "\0".join(texts)
        if "#" not in whole and "Err:" not in whole:
            continue
        for line, cell in zip(raw.lines, cells, strict=True):
            if _ERROR.fullmatch(cell):
                yield _problem(
                    raw,
                    line,
                    name or None,
                    f"{cell}, an error of the spreadsheet",
                    "a value, or a formula with its value",
                    "mend the formula and save the table again, or type the value",
                )
