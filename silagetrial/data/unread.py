"""What stands in the files of a trial and was not read: no reason to say that it is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from silagetrial.data.frames import TypedTable
from silagetrial.data.nearest import name_key

__all__ = ["REFERS", "rejected_cells", "unsure_names"]

REFERS: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("bale", "pair", "lot"),
    "samples": ("of", "kind", "taken_on"),
    "sample_parts": ("sample", "bale"),
    "weighings": ("bales", "weighed_at"),
    "events": ("bale", "what", "at"),
    "scales": ("scale",),
    "blind_key": ("sample",),
    "mould": ("bale", "seen_at"),
    "temperatures": ("bale", "measured_at"),
    "aerobic": ("bale", "opened_at"),
}
"""Columns of each table by which it is looked up from another."""


def rejected_cells(read: TypedTable) -> frozenset[tuple[int, str]]:
    """Return line and column of cells that hold something that could not be read."""
    return frozenset((item.line, item.column) for item in read.rejected if item.column is not None)


def unsure_names(table: str, read: TypedTable) -> frozenset[tuple[str, ...]]:
    """Return the keys of names that rows which were not read in full may be about.

    Parameters
    ----------
    table : str
        Name of the table, a key of `REFERS`.
    read : TypedTable
    """
    columns = [name for name in REFERS[table] if name in read.given]
    names = {
        cell
        for item in read.rejected
        if item.column is None or item.column in columns
        for cell in item.cells
    }
    faulty = {item.line for item in read.rejected if item.column in columns}
    for _, *cells in read.frame.loc[sorted(faulty), columns].itertuples(name=None):
        names |= {word for cell in cells for word in _words(cell)}
    return frozenset(key for key in map(name_key, names) if key)


def _words(cell: object) -> tuple[str, ...]:
    if isinstance(cell, tuple):
        return cell
    return (cell,) if isinstance(cell, str) else ()
