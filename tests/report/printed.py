"""A page as Chromium prints it: whether sheets cut tables, rows or pictures.

Chromium writes tagged PDF: each row of a table is an element of the PDF's structure, and names the
pieces of content on each sheet that belong to it (ISO 32000-1:2008, 14.7.4).
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pdfplumber
from pdfminer.pdftypes import resolve1


@dataclass(frozen=True)
class Part:
    """What a sheet holds of a row: its text, top and bottom in points."""

    text: str
    top: float
    bottom: float


@dataclass(frozen=True)
class Row:
    """A row of a table by sheet; a heading is one whose cells are all headings."""

    heading: bool
    on: dict[int, Part]

    @property
    def cut(self) -> bool:
        """Whether sheets share its text; a heading or foot that is repeated is whole on each."""
        return len({part.text for part in self.on.values()}) > 1


@dataclass(frozen=True)
class Printed:
    """A printed page."""

    tables: list[list[Row]]
    outside: list[str]
    pictures: int
    room: float
    sheets: int


def read_printed(pdf: bytes, *, margin: float) -> Printed:
    """Read a PDF; the margin, in points, is the least of the page's four."""
    with pdfplumber.open(io.BytesIO(pdf)) as document:
        sheets = document.pages
        pieces: dict[tuple[int, int], list[Any]] = {}
        for sheet in sheets:
            for char in sheet.chars:
                pieces.setdefault((sheet.page_number, char["mcid"]), []).append(char)
        numbers = {sheet.page_obj.pageid: sheet.page_number for sheet in sheets}
        root = resolve1(document.doc.catalog["StructTreeRoot"])
        return Printed(
            tables=[
                [_row(row, numbers, pieces) for row in _all("TR", table)]
                for table in _all("Table", root)
            ],
            outside=[
                f"sheet {sheet.page_number}: {thing.get('text', 'a picture')!r} is cut off"
                for sheet in sheets
                for thing in (*sheet.chars, *sheet.images)
                if not (_of_the_sheet(thing) or _within(thing, sheet, margin - 1.0))
            ],
            pictures=sum(len(sheet.images) for sheet in sheets),
            room=min(float(sheet.height) for sheet in sheets) - 2 * margin,
            sheets=len(sheets),
        )


def cuts(printed: Printed, *, pictures: int, long: int) -> list[str]:
    """What the sheets cut: rows, pictures, headings of tables, and tables that would have fitted.

    A table of `long` rows or more may be parted.
    """
    found = list(printed.outside)
    if printed.pictures != pictures:
        found.append(f"{pictures} pictures are printed as {printed.pictures} pieces")
    for rows in printed.tables:
        headings = [row for row in rows if row.heading]
        name = "".join(part.text for row in headings for part in list(row.on.values())[:1])
        found += [f"row {k} of {name!r} is cut" for k, row in enumerate(rows) if row.cut]
        sheets = {sheet for row in rows for sheet in row.on}
        if len(sheets) > 1 and len(rows) < long and _height(rows, sheets) < printed.room:
            found.append(f"{name!r} is parted over {len(sheets)} sheets")
        found += [
            f"sheet {sheet} lacks the heading {name!r}"
            for row in headings
            for sheet in sorted(sheets - set(row.on))
        ]
    return found


def _height(rows: list[Row], sheets: set[int]) -> float:
    total = 0.0
    for sheet in sheets:
        parts = [row.on[sheet] for row in rows if sheet in row.on]
        total += max(part.bottom for part in parts) - min(part.top for part in parts)
    return total


def _of_the_sheet(thing: Any) -> bool:
    """Whether it belongs to no content of the page, as its number in the margin."""
    return thing["object_type"] == "char" and thing["mcid"] is None


def _within(thing: Any, sheet: Any, margin: float) -> bool:
    right, bottom = float(sheet.width) - margin, float(sheet.height) - margin
    inside = thing["x0"] >= margin and thing["x1"] <= right
    return bool(inside and thing["top"] >= margin and thing["bottom"] <= bottom)


def _kids(node: Any) -> list[Any]:
    kids = resolve1(node.get("K", [])) if isinstance(node, dict) else []
    return [resolve1(kid) for kid in (kids if isinstance(kids, list) else [kids])]


def _kind(node: Any) -> str:
    return str(node["S"].name) if isinstance(node, dict) and "S" in node else ""


def _all(kind: str, node: Any) -> Iterator[Any]:
    for kid in _kids(node):
        if _kind(kid) == kind:
            yield kid
        yield from _all(kind, kid)


def _pieces(node: Any, numbers: dict[int, int], sheet: int = 0) -> Iterator[tuple[int, int]]:
    """The sheet and the number of each piece of content below a node of the structure."""
    if isinstance(node, int):
        yield sheet, node
        return
    sheet = numbers[node["Pg"].objid] if "Pg" in node else sheet
    if "MCID" in node:
        yield sheet, node["MCID"]
    for kid in _kids(node):
        yield from _pieces(kid, numbers, sheet)


def _row(node: Any, numbers: dict[int, int], pieces: dict[tuple[int, int], list[Any]]) -> Row:
    chars: dict[int, list[Any]] = {}
    for sheet, mcid in _pieces(node, numbers):
        chars.setdefault(sheet, []).extend(pieces.get((sheet, mcid), []))
    cells = [_kind(kid) for kid in _kids(node)]
    return Row(
        heading="TD" not in cells,
        on={
            sheet: Part(
                text="".join(char["text"] for char in found if char["text"].strip()),
                top=min(char["top"] for char in found),
                bottom=max(char["bottom"] for char in found),
            )
            for sheet, found in chars.items()
            if found
        },
    )
