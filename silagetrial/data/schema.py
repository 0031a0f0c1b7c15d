"""The one source of a trial's tables and columns.

Reading, checking, the blank files of a plan and the machine-readable description
(`package.datapackage`) all come from `TABLES`; nothing else in the package lists columns.
"""

from __future__ import annotations

from typing import Final

from silagetrial.data.column import Column, Kind, column
from silagetrial.data.schema_opened import AEROBIC, MOULD, TEMPERATURES
from silagetrial.data.schema_samples import ANALYTES, BLIND_KEY, COUNTS, SAMPLE_PARTS, SAMPLES

__all__ = [
    "ANALYTES",
    "COUNTS",
    "OPTIONAL_TABLES",
    "PLANNABLE_EVENTS",
    "SHEET",
    "SPARE",
    "TABLES",
    "Column",
    "Kind",
    "file_name",
]

SPARE: Final = "spare"
"""Word under planned_opening for a bale made in case another is lost."""


_BALES: Final = (
    column("bale", "id", "name of the bale, as on its tag", required=True),
    column("pair", "id", "pair (set, with three bindings) made one after another from one swath"),
    column("lot", "id", "bales made of the same crop at one time"),
    column("site", "text", "farm", required=True),
    column("field", "text", "field on the farm"),
    column("cut", "text", "cut of the year"),
    column("crop", "text", "crop, for example grass"),
    column("additive", "text", "silage additive used"),
    column(
        "run",
        "text",
        "consecutive bales of one binding, where the binding was not switched for every bale",
    ),
    column("order", "count", "place in the order of baling"),
    column(
        "binding",
        "text",
        "what holds the bale in the chamber, named as in trial.toml",
        required=True,
    ),
    column("baled_at", "datetime", "bale leaves the chamber"),
    column(
        "film_wrapped_at", "datetime", "wrapped with stretch film: day 0 of storage", once_done=True
    ),
    column("baler", "text", "machine that made the bale"),
    column("roll", "text", "roll of binding used"),
    column("breaks", "count", "times the binding broke or was started again on the bale"),
    column("binding_layers", "number", "turns of binding round the bale"),
    column("film_layers", "number", "layers of stretch film"),
    column("film_thickness", "number", "thickness of one layer of stretch film", unit="µm"),
    column("binding_kg", "number", "mass of the binding on the bale", unit="kg"),
    column("film_kg", "number", "mass of the stretch film on the bale", unit="kg"),
    column("diameter", "number", "diameter at wrapping", unit="m"),
    column("width", "number", "width at wrapping", unit="m"),
    column("store", "text", "place in the store"),
    column("tier", "count", "layer of the stack, 1 at the bottom"),
    column(
        "planned_opening",
        "text",
        f"opening drawn for the bale, named as in trial.toml, or {SPARE} for a bale kept in case "
        "another is lost; blank where bales are cored again and again",
    ),
    column("note", "text", "remark"),
)


_WEIGHINGS: Final = (
    column("weighing", "id", "name of the weighing", required=True),
    column(
        "bales",
        "ids",
        "bale on the scale; several, with spaces between, where they were weighed together",
        required=True,
    ),
    column(
        "planned_opening",
        "text",
        "opening the weighing is planned for, named as in trial.toml; blank at wrapping",
    ),
    column(
        "repeat",
        "count",
        "1, 2, 3 of weighings of one bale one after another, driven off the scale in between",
    ),
    column("weighed_at", "datetime", "when it was weighed", once_done=True),
    column("scale", "id", "scale used"),
    column("gross", "number", "reading of the scale", unit="kg", once_done=True),
    column("tare", "number", "what else was on the scale", unit="kg"),
    column(
        "flags",
        "ids",
        "what the bale carried: water, soil, its stretch film",
        choices=("wet", "soil", "film_on"),
    ),
    column("note", "text", "remark"),
)

_EVENTS: Final = (
    column("bale", "id", "bale it happened to", required=True),
    column("at", "datetime", "when", once_done=True),
    column(
        "what",
        "choice",
        "what happened",
        required=True,
        choices=(
            "moved",
            "dropped",
            "holed",
            "taped",
            "cored",
            "opened_early",
            "inspected",
            "fed",
            "lost",
        ),
    ),
    column("cause", "text", "cause, kept apart from what happened"),
    column("photo", "text", "file of a photograph, kept with the trial"),
    column("note", "text", "remark"),
)

_SCALES: Final = (
    column("scale", "id", "name of the scale; a line for each check of it", required=True),
    column("kind", "text", "kind of scale, for example platform or loader"),
    column("step", "number", "step of the display", unit="kg"),
    column("checked_at", "datetime", "when it was checked"),
    column("check_mass", "number", "known mass put on as a check", unit="kg"),
    column("check_reading", "number", "what the scale showed for it", unit="kg"),
    column("note", "text", "remark"),
)

PLANNABLE_EVENTS: Final = ("moved", "cored", "inspected", "fed")
"""Events that can be planned, so that one without a time is still to come; the others happen."""

TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "bales": _BALES,
    "samples": SAMPLES,
    "sample_parts": SAMPLE_PARTS,
    "weighings": _WEIGHINGS,
    "events": _EVENTS,
    "scales": _SCALES,
    "blind_key": BLIND_KEY,
    "mould": MOULD,
    "temperatures": TEMPERATURES,
    "aerobic": AEROBIC,
}
"""Table name to its columns, in the order in which blank files are written."""

OPTIONAL_TABLES: Final = (
    *("sample_parts", "events", "scales", "blind_key"),
    *("mould", "temperatures", "aerobic"),
)
"""Tables that may be missing."""

SHEET: Final = ", sheet "
"""Between the name of a workbook and that of its sheet, where a problem names its file."""


def file_name(table: str) -> str:
    """Return the file of a table inside the trial folder."""
    return f"{table}.csv"
