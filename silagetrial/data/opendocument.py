"""What a sheet of an .ods workbook holds beside the cells that its reader gives.

References
----------
OpenDocument 1.3, part 3 (OASIS, 2021): 9.1.4 table cells, 19.615 ``table:formula``, 19.676
``table:number-columns-spanned``; ``table:visibility`` of rows, ``table:default-cell-style-name`` of
rows and columns, ``fo:background-color`` of cells (chapters 9, 17 and 20).
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from silagetrial.data.sheet_marks import OWN_FILLS, Beside, Broken, Range

__all__ = ["beside_the_cells", "too_many_repeats"]

_TABLE: Final = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE: Final = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_STYLE: Final = "{urn:oasis:names:tc:opendocument:xmlns:style:1.0}"
_FO: Final = "{urn:oasis:names:tc:opendocument:xmlns:xsl-fo-compatible:1.0}"


def too_many_repeats(path: Path, *, most: int) -> bool:
    """Tell whether cells that hold something are repeated so often that they fill the memory."""
    with zipfile.ZipFile(path) as packed:
        root = ElementTree.fromstring(packed.read("content.xml"))
    total = 0
    for row in root.iter(f"{_TABLE}table-row"):
        wide = sum(_times(cell, "number-columns-repeated") for cell in row if _is_filled(cell))
        total += wide * _times(row, "number-rows-repeated")
    return total > most


def beside_the_cells(path: Path, names: Sequence[str]) -> dict[str, Beside]:
    """Return what the sheets of these names hold beside the values of their cells."""
    with zipfile.ZipFile(path) as packed:
        root = ElementTree.fromstring(packed.read("content.xml"))
        coloured = _coloured_styles(packed, root)
    return {
        name: _of_sheet(table, coloured)
        for table in root.iter(f"{_TABLE}table")
        if (name := table.get(f"{_TABLE}name", "")) in names
    }


def _coloured_styles(packed: zipfile.ZipFile, root: ElementTree.Element) -> frozenset[str]:
    """Return the styles of cells with a colour of the user's own, be it that of a parent style."""
    named = packed.namelist()
    roots = [ElementTree.fromstring(packed.read(n)) for n in ("styles.xml",) if n in named]
    own: dict[str, str | None] = {}
    parents: dict[str, str] = {}
    for style in (style for one in (*roots, root) for style in one.iter(f"{_STYLE}style")):
        if style.get(f"{_STYLE}family") != "table-cell":
            continue
        name = style.get(f"{_STYLE}name", "")
        properties = style.find(f"{_STYLE}table-cell-properties")
        own[name] = None if properties is None else properties.get(f"{_FO}background-color")
        parents[name] = style.get(f"{_STYLE}parent-style-name", "")
    return frozenset(name for name in own if _is_coloured(name, own, parents))


def _is_coloured(name: str, own: Mapping[str, str | None], parents: Mapping[str, str]) -> bool:
    seen: set[str] = set()
    while own.get(name) is None and name in parents and name not in seen:
        seen.add(name)
        name = parents[name]
    colour = own.get(name) or "transparent"
    return colour != "transparent" and colour.removeprefix("#").upper() not in OWN_FILLS


def _of_sheet(table: ElementTree.Element, coloured: frozenset[str]) -> Beside:
    merged: list[Range] = []
    broken: list[Broken] = []
    hidden: list[int] = []
    filled: list[tuple[int, int]] = []
    of_columns = _styles_of_columns(table)
    top = 0
    for row in table.iter(f"{_TABLE}table-row"):
        of_row = row.get(f"{_TABLE}default-cell-style-name")
        for left, cell in _placed(row):
            down, right = (
                _times(cell, "number-rows-spanned"),
                _times(cell, "number-columns-spanned"),
            )
            if down > 1 or right > 1:
                merged.append(((top, left), (top + down - 1, left + right - 1)))
            if cell.get(f"{_TABLE}formula") is not None and not _is_filled(cell):
                broken.append((top + 1, left, "a formula without a value"))
            of_column = of_columns.get(left)
            style = cell.get(f"{_TABLE}style-name") or of_row or of_column
            if style in coloured and _is_filled(cell):
                wide = _times(cell, "number-columns-repeated")
                filled += [(top + 1, left + k) for k in range(wide)]
        if row.get(f"{_TABLE}visibility") in ("collapse", "filter") and any(map(_is_filled, row)):
            hidden += range(top + 1, top + 1 + _times(row, "number-rows-repeated"))
        top += _times(row, "number-rows-repeated")
    return Beside(tuple(merged), tuple(broken), tuple(hidden), tuple(filled))


def _placed(row: ElementTree.Element) -> Iterator[tuple[int, ElementTree.Element]]:
    """Yield the cells of a row, each with its first column from 0."""
    left = 0
    for cell in row:
        yield left, cell
        left += _times(cell, "number-columns-repeated")


def _styles_of_columns(table: ElementTree.Element) -> dict[int, str]:
    """Return the style that cells of a column have unless they, or their row, name another."""
    styles: dict[int, str] = {}
    left = 0
    for column in table.iter(f"{_TABLE}table-column"):
        wide = _times(column, "number-columns-repeated")
        style = column.get(f"{_TABLE}default-cell-style-name")
        if style is not None:
            styles |= dict.fromkeys(range(left, left + min(wide, _WIDEST)), style)
        left += wide
    return styles


_WIDEST: Final = 1024
"""Columns to the right of which no table of a trial reaches; a sheet may name 16,384."""


def _is_filled(cell: ElementTree.Element) -> bool:
    return cell.get(f"{_OFFICE}value-type") is not None


def _times(element: ElementTree.Element, attribute: str) -> int:
    return int(element.get(f"{_TABLE}{attribute}", "1"))
