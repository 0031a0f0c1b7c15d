"""What a sheet of an .xlsx workbook holds beside the cells that its reader gives.

References
----------
ECMA-376, part 1 (2016): 18.2.19 sheet, 18.3.1.4 c (cell), 18.3.1.55 mergeCell, 18.3.1.73 row,
18.8.10 cellXfs, 18.8.20 fill.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final
from xml.etree import ElementTree

from silagetrial.data.sheet_marks import OWN_FILLS, Beside, Broken

__all__ = ["beside_the_cells"]

_MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_FORMULA_ERROR_OR_HIDDEN: Final = re.compile(rb'<f\b|\bt="e"|\bhidden=')
_PLACE: Final = re.compile(r"([A-Z]+)([0-9]+)")


def beside_the_cells(path: Path, names: Sequence[str]) -> dict[str, Beside]:
    """Return what the sheets of these names hold beside the values of their cells.

    The reader gives broken cells as blank ones, so the sheets that have any are looked at again.
    Merged cells are known to the reader.
    """
    found = {}
    with zipfile.ZipFile(path) as packed:
        parts = _parts_of(packed)
        fills = _fills(packed)
        for name in names:
            content = packed.read(parts[name])
            if fills or _FORMULA_ERROR_OR_HIDDEN.search(content):
                found[name] = _of_sheet(ElementTree.fromstring(content), fills)
    return found


def _of_sheet(sheet: ElementTree.Element, fills: Mapping[str, str]) -> Beside:
    return Beside(
        broken=tuple(_broken_in(sheet)),
        hidden=tuple(
            int(row.get("r", "0"))
            for row in sheet.iter(f"{_MAIN}row")
            if row.get("hidden") in ("1", "true")
        ),
        coloured=tuple(sorted(_coloured(sheet, fills))),
    )


def _parts_of(packed: zipfile.ZipFile) -> dict[str, str]:
    """Return the part of the packed file that holds each sheet."""
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
    """Yield cells of one sheet that look blank and are not."""
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
            yield int(place[2]), _column_number(place[1]), what


def _column_number(letters: str) -> int:
    """Return the number of a column from 0: A is 0, Z 25, AA 26."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number - 1


def _fills(packed: zipfile.ZipFile) -> Mapping[str, str]:
    """Return number of a cell format to its colour, for formats with a colour of the user's own."""
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
    """Yield line and column of filled cells that hold something."""
    for cell in sheet.iter(f"{_MAIN}c"):
        place = _PLACE.fullmatch(cell.get("r", ""))
        if place is not None and cell.get("s") in fills and len(cell):
            yield int(place[2]), _column_number(place[1])
