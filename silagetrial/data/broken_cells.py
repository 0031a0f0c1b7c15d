"""Cells of a workbook that look blank and are not: errors, formulas that were never calculated."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, TypeAlias
from xml.etree import ElementTree

__all__ = ["broken_cells", "column_number", "parts_of"]

_FORMULA_OR_ERROR: Final = re.compile(rb'<f\b|\bt="e"')
_PLACE: Final = re.compile(r"([A-Z]+)([0-9]+)")

Broken: TypeAlias = "tuple[int, int, str]"


def broken_cells(path: Path, names: Sequence[str]) -> dict[str, list[Broken]]:
    """Return row, column from 0 and content of cells with an error or an uncalculated formula.

    The reader gives such cells as blank ones, so the sheets that have any are looked at again.
    """
    broken: dict[str, list[Broken]] = {}
    with zipfile.ZipFile(path) as packed:
        parts = parts_of(packed)
        for name in names:
            content = packed.read(parts[name])
            if _FORMULA_OR_ERROR.search(content):
                broken[name] = list(_broken_in(ElementTree.fromstring(content)))
    return broken


def parts_of(packed: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of the packed file that holds each sheet (ECMA-376, part 1, 18.2.19)."""
    related = ElementTree.fromstring(packed.read("xl/_rels/workbook.xml.rels"))
    targets = {item.get("Id"): item.get("Target", "") for item in related}
    parts = {}
    for item in ElementTree.fromstring(packed.read("xl/workbook.xml")).iter():
        if item.tag.endswith("}sheet"):
            key = next(value for name, value in item.items() if name.endswith("}id"))
            target = targets[key]
            part = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
            parts[item.get("name", "")] = part
    return parts


def _broken_in(sheet: ElementTree.Element) -> Iterator[Broken]:
    """Yield such cells of one sheet (ECMA-376, part 1, 18.3.1.4)."""
    for cell in sheet.iter():
        if not cell.tag.endswith("}c"):
            continue
        inside = {part.tag.rpartition("}")[2]: part.text for part in cell}
        if cell.get("t") == "e":
            what = inside.get("v") or "#?"
        elif "f" in inside and not inside.get("v") and cell.get("t") != "str":
            what = "a formula without a value"
        else:
            continue
        place = _PLACE.fullmatch(cell.get("r", ""))
        if place is not None:
            yield int(place[2]), column_number(place[1]), what


def column_number(letters: str) -> int:
    """Return the number of a column from 0: A is 0, Z 25, AA 26."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number - 1
