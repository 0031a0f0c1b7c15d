"""What a sheet says by other means than its cells: merged cells, hidden rows, colour.

None of it is read. Merged cells are errors, since all but the first of them are blank; hidden rows
are read like all others, and colour is not, so both are told.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from silagetrial.data.broken_cells import column_number, parts_of
from silagetrial.errors import Problem, Severity

__all__ = ["OWN_FILLS", "merged_cells", "sheet_marks"]

OWN_FILLS: Final = frozenset({"FFF2CC", "D9D9D9", "333333", "FFFFFF"})
"""Colours of the workbooks written by this package: they say who fills a cell, and no more."""

_MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_SHOWN: Final = 5


def merged_cells(
    file: str, ranges: Sequence[tuple[tuple[int, int], tuple[int, int]]], heading: Sequence[str]
) -> Iterator[Problem]:
    """Yield each range of merged cells within the columns of a table.

    Parameters
    ----------
    file : str
        Workbook and sheet.
    ranges : sequence
        First and last cell of each, (row, column) from 0.
    heading : sequence of str
    """
    for (top, left), (bottom, right) in sorted(ranges):
        if left < len(heading):
            lines = f"{top + 1} to {bottom + 1}" if bottom > top else f"{top + 1}"
            yield _problem(
                file,
                top + 1,
                heading[left] or None,
                f"merged cells, line {lines}, {right - left + 1} columns wide: only the first of "
                "them holds what is written",
                "a cell for each line and column",
                "undo the merging and write the value into each line it is meant for",
                "error",
            )


def sheet_marks(path: Path, names: Sequence[str]) -> Iterator[tuple[str, Problem]]:
    """Yield name of the sheet and problem for hidden rows and colours of an .xlsx workbook.

    The file of each problem is the name of its sheet, for the caller to complete.
    """
    with zipfile.ZipFile(path) as packed:
        parts = parts_of(packed)
        fills = _fills(packed)
        for name in names:
            content = packed.read(parts[name])
            if b"hidden=" not in content and not fills:
                continue
            sheet = ElementTree.fromstring(content)
            hidden = [
                int(row.get("r", "0"))
                for row in sheet.iter(f"{_MAIN}row")
                if row.get("hidden") in ("1", "true")
            ]
            if hidden:
                yield name, _hidden_rows(name, hidden)
            coloured = sorted(_coloured(sheet, fills))
            if coloured:
                yield name, _colours(name, coloured)


def _fills(packed: zipfile.ZipFile) -> Mapping[str, str]:
    """Return number of a cell format to its colour, for formats with a colour of the user's own.

    References
    ----------
    ECMA-376, part 1, 18.8.10 (cellXfs) and 18.8.20 (fill).
    """
    if "xl/styles.xml" not in packed.namelist():
        return {}
    styles = ElementTree.fromstring(packed.read("xl/styles.xml"))
    colours = []
    for fill in styles.iterfind(f"{_MAIN}fills/{_MAIN}fill"):
        solid = fill.find(f"{_MAIN}patternFill[@patternType='solid']/{_MAIN}fgColor")
        colours.append("" if solid is None else solid.get("rgb", solid.get("theme", "?"))[-6:])
    formats = {}
    for number, form in enumerate(styles.iterfind(f"{_MAIN}cellXfs/{_MAIN}xf")):
        at = int(form.get("fillId", "0"))
        if at < len(colours) and colours[at] and colours[at].upper() not in OWN_FILLS:
            formats[str(number)] = colours[at]
    return formats


def _coloured(sheet: ElementTree.Element, fills: Mapping[str, str]) -> Iterator[tuple[int, int]]:
    """Yield row and column of filled cells below the heading that hold something."""
    for cell in sheet.iter(f"{_MAIN}c"):
        place = re.fullmatch(r"([A-Z]+)([0-9]+)", cell.get("r", ""))
        if place is not None and cell.get("s") in fills and len(cell) and int(place[2]) > 1:
            yield int(place[2]), column_number(place[1])


def _hidden_rows(name: str, hidden: Sequence[int]) -> Problem:
    return _problem(
        name,
        hidden[0],
        None,
        f"{_counted(len(hidden), 'hidden row')} (line {_listed(hidden)})",
        "rows in sight",
        "they are read as all others are; show them, and delete those that are not meant",
        "warning",
    )


def _colours(name: str, cells: Sequence[tuple[int, int]]) -> Problem:
    lines = sorted({line for line, _ in cells})
    return _problem(
        name,
        lines[0],
        None,
        f"{_counted(len(cells), 'coloured cell')} (line {_listed(lines)})",
        "what a colour means, in a column",
        "colour is not read: if it says anything, such as a doubtful value, write it under note or "
        "as an event",
        "warning",
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _listed(lines: Sequence[int]) -> str:
    more = f" and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
    return ", ".join(map(str, lines[:_SHOWN])) + more


def _problem(
    file: str,
    line: int,
    column: str | None,
    found: str,
    expected: str,
    remedy: str,
    severity: Severity,
) -> Problem:
    return Problem(severity, file, line, column, found, expected, remedy)
