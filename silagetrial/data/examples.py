"""An example of what each column may hold, for those who fill in an empty trial."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from silagetrial.data.schema import Column, Kind

__all__ = ["example_of"]

_OF_COLUMN: Final[Mapping[str, str]] = {
    "bale": "A07-net", "bales": "A07-net", "pair": "A07", "lot": "first-cut", "site": "Alder Farm",
    "field": "long meadow", "cut": "1", "crop": "grass", "additive": "none", "run": "2",
    "binding": "net", "binding_seen": "net", "baler": "1", "roll": "3", "store": "row 2",
    "planned_opening": "2 months", "sample": "S107", "of": "A07-net", "zone": "outer 20 cm",
    "of_sample": "S107", "opening": "2 months", "laboratory": "North", "batch": "1",
    "report": "R-2031", "method": "gas chromatography", "supersedes": "S095",
    "weighing": "A07-net-1", "scale": "platform", "note": "dropped once", "cause": "bird",
    "binding_kg": "0.4", "film_kg": "1.1", "diameter": "1.25", "width": "1.2", "pH": "4.5",
    "gross": "678.5", "tare": "75", "check_mass": "500", "check_reading": "500.5", "step": "0.5",
    "film_thickness": "25", "dm": "352", "fresh_kg": "0.6", "depth": "45", "surface_share": "3",
    "discarded_kg": "4.5",
    "scorer": "AB", "temperature": "18.5", "logger": "T4", "rise": "2", "hours": "96",
    "photo": "photos/A07-net.jpg",
}  # fmt: skip

_OF_KIND: Final[Mapping[Kind, str]] = {
    "id": "A07", "ids": "A07", "text": "in words", "number": "6", "count": "2",
    "datetime": "2026-05-31 14:30", "measured": "12.4",
}  # fmt: skip


def example_of(column: Column) -> str:
    """Return an example of a cell of a column, as it is typed."""
    if column.choices:
        return column.choices[0]
    return _OF_COLUMN.get(column.name, _OF_KIND[column.kind])
