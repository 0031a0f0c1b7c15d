"""What an OpenDocument sheet holds beyond the cells that its reader gives.

References
----------
OpenDocument 1.3, part 3 (OASIS, 2021): 9.1.4 table cells, 19.615 ``table:formula``, 19.676
``table:number-columns-spanned``.
"""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

__all__ = ["Range", "merged_and_empty_formulas", "too_many_repeats"]

_TABLE: Final = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_OFFICE: Final = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"

Range = tuple[tuple[int, int], tuple[int, int]]


def too_many_repeats(path: Path, *, most: int) -> bool:
    """Tell whether cells that hold something are repeated so often that they fill the memory."""
    with zipfile.ZipFile(path) as packed:
        root = ElementTree.fromstring(packed.read("content.xml"))
    total = 0
    for row in root.iter(f"{_TABLE}table-row"):
        wide = sum(
            _times(cell, "number-columns-repeated")
            for cell in row
            if cell.get(f"{_OFFICE}value-type") is not None
        )
        total += wide * _times(row, "number-rows-repeated")
    return total > most


def merged_and_empty_formulas(
    path: Path, names: Sequence[str]
) -> dict[str, tuple[list[Range], list[tuple[int, int, str]]]]:
    """Return merged ranges, and row, column from 0 and words of formulas without a value, by sheet.

    Rows of ranges count from 0, those of formulas from 1, as in a workbook of the other format.
    """
    with zipfile.ZipFile(path) as packed:
        root = ElementTree.fromstring(packed.read("content.xml"))
    found = {}
    for table in root.iter(f"{_TABLE}table"):
        name = table.get(f"{_TABLE}name", "")
        if name in names:
            found[name] = _of_sheet(table)
    return found


def _of_sheet(
    table: ElementTree.Element,
) -> tuple[list[Range], list[tuple[int, int, str]]]:
    merged: list[Range] = []
    empty: list[tuple[int, int, str]] = []
    top = 0
    for row in table.iter(f"{_TABLE}table-row"):
        left = 0
        for cell in row:
            down, right = (
                _times(cell, "number-rows-spanned"),
                _times(cell, "number-columns-spanned"),
            )
            if down > 1 or right > 1:
                merged.append(((top, left), (top + down - 1, left + right - 1)))
            formula = cell.get(f"{_TABLE}formula")
            if formula is not None and cell.get(f"{_OFFICE}value-type") is None:
                empty.append((top + 1, left, "a formula without a value"))
            left += _times(cell, "number-columns-repeated")
        top += _times(row, "number-rows-repeated")
    return merged, empty


def _times(element: ElementTree.Element, attribute: str) -> int:
    return int(element.get(f"{_TABLE}{attribute}", "1"))
