"""The one source of a trial's tables and columns.

Reading, checking, the blank files of a plan and the machine-readable description
(`package.datapackage`) all come from `TABLES`; nothing else in the package lists columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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

Kind = Literal["id", "ids", "text", "choice", "number", "count", "datetime", "measured"]
"""What a cell may hold.

id: a name without spaces; ids: several, separated by spaces; choice: one of the listed words;
number: a decimal point, no thousands mark; count: a whole number from 0; datetime: ISO date or date
and time, local time of the farm; measured: a number, or ``<x`` for below a limit of x.
"""


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Parameters
    ----------
    name : str
        Heading in the file.
    kind : Kind
        What a cell may hold.
    required : bool
        The column must be there and filled in every line.
    unit : str
        Unit of the values as they stand in the file; ``[units]`` where trial.toml declares it;
        empty where there is none.
    description : str
        What the column means, in the words of the trade.
    choices : tuple of str
        The words allowed, for the kinds ``choice`` and ``ids``; empty: any.
    once_done : bool
        The column must be there; its cell may stay blank while the row is planned and nothing of
        it is done yet. Columns that are neither this nor `required` may be left out.
    """

    name: str
    kind: Kind
    required: bool
    unit: str
    description: str
    choices: tuple[str, ...] = ()
    once_done: bool = False


def _column(
    name: str,
    kind: Kind,
    description: str,
    *,
    unit: str = "",
    required: bool = False,
    choices: tuple[str, ...] = (),
    once_done: bool = False,
) -> Column:
    return Column(name, kind, required, unit, description, choices, once_done)


SPARE: Final = "spare"
"""Word under planned_opening for a bale made in case another is lost."""


_BALES: Final = (
    _column("bale", "id", "name of the bale, as on its tag", required=True),
    _column("pair", "id", "pair (set, with three bindings) made one after another from one swath"),
    _column("lot", "id", "bales made of the same crop at one time"),
    _column("site", "text", "farm", required=True),
    _column("field", "text", "field on the farm"),
    _column("cut", "text", "cut of the year"),
    _column("crop", "text", "crop, for example grass"),
    _column("additive", "text", "silage additive used"),
    _column(
        "run",
        "text",
        "consecutive bales of one binding, where the binding was not switched for every bale",
    ),
    _column("order", "count", "place in the order of baling"),
    _column(
        "binding",
        "text",
        "what holds the bale in the chamber, named as in trial.toml",
        required=True,
    ),
    _column("baled_at", "datetime", "bale leaves the chamber"),
    _column(
        "film_wrapped_at", "datetime", "wrapped with stretch film: day 0 of storage", once_done=True
    ),
    _column("baler", "text", "machine that made the bale"),
    _column("roll", "text", "roll of binding used"),
    _column("breaks", "count", "times the binding broke or was started again on the bale"),
    _column("binding_layers", "number", "turns of binding round the bale"),
    _column("film_layers", "number", "layers of stretch film"),
    _column("binding_kg", "number", "mass of the binding on the bale", unit="kg"),
    _column("film_kg", "number", "mass of the stretch film on the bale", unit="kg"),
    _column("diameter", "number", "diameter at wrapping", unit="m"),
    _column("width", "number", "width at wrapping", unit="m"),
    _column("store", "text", "place in the store"),
    _column("tier", "count", "layer of the stack, 1 at the bottom"),
    _column(
        "planned_opening",
        "text",
        f"opening drawn for the bale, named as in trial.toml, or {SPARE} for a bale kept in case "
        "another is lost; blank where bales are cored again and again",
    ),
    _column("note", "text", "remark"),
)


def _analyte(name: str, description: str) -> Column:
    return _column(name, "measured", description, unit="[units]")


_RESULTS: Final = (
    _analyte("lactic_acid", "lactic acid"),
    _analyte("acetic_acid", "acetic acid"),
    _analyte("propionic_acid", "propionic acid"),
    _analyte("butyric_acid", "n-butyric acid"),
    _analyte("iso_butyric_acid", "iso-butyric acid"),
    _analyte("valeric_acid", "valeric acids"),
    _analyte("caproic_acid", "caproic acids"),
    _analyte("ethanol", "ethanol"),
    _analyte("propanediol", "1,2-propanediol"),
    _analyte("ammonia_n", "ammonia nitrogen"),
    _analyte("total_n", "total nitrogen"),
    _analyte("wsc", "water-soluble carbohydrates"),
    _analyte("ash", "crude ash"),
)

_COUNTED: Final = (
    _analyte("lactic_acid_bacteria", "count of lactic acid bacteria"),
    _analyte("clostridia", "count of clostridia spores"),
    _analyte("yeasts", "count of yeasts"),
    _analyte("moulds", "count of moulds"),
)

KINDS: Final = ("day0", "core", "opening")

_SAMPLES: Final = (
    _column("sample", "id", "name of the laboratory result", required=True),
    _column(
        "of",
        "id",
        "bale, pair or lot the sample was taken from; blank where blind_key holds it, or "
        "sample_parts the bales of a composite",
        once_done=True,
    ),
    _column("taken_on", "datetime", "when the sample was taken", once_done=True),
    _column(
        "kind",
        "choice",
        "day0: crop at baling; core: drilled from a bale that stays in "
        "store; opening: from an opened bale; blank where blind_key holds it",
        choices=KINDS,
        once_done=True,
    ),
    _column(
        "binding_seen",
        "text",
        "binding seen on the bale when it was opened or cored, noted without looking it up",
    ),
    _column("zone", "text", "part of the bale"),
    _column("n_cores", "count", "cores in the sample"),
    _column("depth", "number", "depth of the cores", unit="cm"),
    _column("fresh_kg", "number", "fresh forage the sample took out of the bale", unit="kg"),
    _column("laboratory", "text", "laboratory"),
    _column("batch", "text", "batch in the laboratory"),
    _column("report", "text", "number of the laboratory report"),
    _column("method", "text", "method of analysis of the acids"),
    _column("supersedes", "id", "sample result that this one replaces"),
    _column("dm", "number", "dry matter", unit="[units]"),
    _column(
        "dm_basis",
        "choice",
        "oven: as the oven gives it; corrected: the laboratory has added the volatiles",
        choices=("oven", "corrected"),
    ),
    _column("pH", "number", "pH"),
    *_RESULTS,
    *_COUNTED,
    _column("note", "text", "remark"),
)

_WEIGHINGS: Final = (
    _column("weighing", "id", "name of the weighing", required=True),
    _column(
        "bales",
        "ids",
        "bale on the scale; several, with spaces between, where they were weighed together",
        required=True,
    ),
    _column(
        "planned_opening",
        "text",
        "opening the weighing is planned for, named as in trial.toml; blank at wrapping",
    ),
    _column(
        "repeat",
        "count",
        "1, 2, 3 of weighings of one bale one after another, driven off the scale in between",
    ),
    _column("weighed_at", "datetime", "when it was weighed", once_done=True),
    _column("scale", "id", "scale used"),
    _column("gross", "number", "reading of the scale", unit="kg", once_done=True),
    _column("tare", "number", "what else was on the scale", unit="kg"),
    _column(
        "flags",
        "ids",
        "what the bale carried: water, soil, its stretch film",
        choices=("wet", "soil", "film_on"),
    ),
    _column("note", "text", "remark"),
)

_EVENTS: Final = (
    _column("bale", "id", "bale it happened to", required=True),
    _column("at", "datetime", "when", once_done=True),
    _column(
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
    _column("cause", "text", "cause, kept apart from what happened"),
    _column("note", "text", "remark"),
)

_SCALES: Final = (
    _column("scale", "id", "name of the scale; a line for each check of it", required=True),
    _column("kind", "text", "kind of scale, for example platform or loader"),
    _column("step", "number", "step of the display", unit="kg"),
    _column("checked_at", "datetime", "when it was checked"),
    _column("check_mass", "number", "known mass put on as a check", unit="kg"),
    _column("check_reading", "number", "what the scale showed for it", unit="kg"),
    _column("note", "text", "remark"),
)

_SAMPLE_PARTS: Final = (
    _column("sample", "id", "name of a composite sample, as in samples", required=True),
    _column("bale", "id", "bale that a part of it is from; a line for each", required=True),
    _column("n_cores", "count", "cores of this bale in the composite"),
)

_BLIND_KEY: Final = (
    _column("sample", "id", "name of the sample, as the laboratory knows it", required=True),
    _column("of", "id", "bale, pair or lot it was taken from; blank for the reference sample"),
    _column("kind", "choice", "as in samples", choices=KINDS),
    _column("opening", "text", "opening it is planned for, named as in trial.toml"),
    _column("batch", "text", "batch in the laboratory"),
    _column(
        "role",
        "choice",
        "sample; duplicate: another part of a sample, sent under a name of its own; reference: the "
        "same frozen material in each batch",
        required=True,
        choices=("sample", "duplicate", "reference"),
    ),
    _column(
        "of_sample",
        "id",
        "for a duplicate: the sample it is a part of; blank where that is the only one of the "
        "same bale, kind and opening",
    ),
)

PLANNABLE_EVENTS: Final = ("moved", "cored", "inspected", "fed")
"""Events that can be planned, so that one without a time is still to come; the others happen."""

TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "bales": _BALES,
    "samples": _SAMPLES,
    "sample_parts": _SAMPLE_PARTS,
    "weighings": _WEIGHINGS,
    "events": _EVENTS,
    "scales": _SCALES,
    "blind_key": _BLIND_KEY,
}
"""Table name to its columns, in the order in which blank files are written."""

OPTIONAL_TABLES: Final = ("sample_parts", "events", "scales", "blind_key")
"""Tables that may be missing."""

ANALYTES: Final = tuple(column.name for column in _RESULTS)
"""Laboratory results that may be below a limit and that carry a declared unit."""

COUNTS: Final = tuple(column.name for column in _COUNTED)
"""Counts of microbes: recorded, never a response of an analysis."""


SHEET: Final = ", sheet "
"""Between the name of a workbook and that of its sheet, where a problem names its file."""


def file_name(table: str) -> str:
    """Return the file of a table inside the trial folder."""
    return f"{table}.csv"
