"""The one source of a trial's tables and columns.

Reading, checking, the blank files of a plan and the machine-readable description
(`datapackage`) all come from `TABLES`; nothing else in the package lists columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

__all__ = [
    "ANALYTES",
    "OPTIONAL_TABLES",
    "TABLES",
    "Column",
    "Kind",
    "datapackage",
    "file_name",
]

Kind = Literal["id", "ids", "text", "choice", "number", "count", "datetime", "measured"]
"""What a cell may hold.

id: a name without spaces; ids: several, separated by spaces; choice: one of the listed words;
number: a decimal point, no thousands mark; count: a whole number from 0; datetime: ISO date or date
and time, local time of the farm; measured: a number, or ``<x`` for below a limit of x.
"""

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


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
        The column must be there and filled in every line; other columns may be left out, and
        their cells left blank.
    unit : str
        Unit of the values as they stand in the file; ``[units]`` where trial.toml declares it;
        empty where there is none.
    description : str
        What the column means, in the words of the trade.
    choices : tuple of str
        The words allowed, for the kinds ``choice`` and ``ids``; empty: any.
    """

    name: str
    kind: Kind
    required: bool
    unit: str
    description: str
    choices: tuple[str, ...] = ()


def _column(
    name: str,
    kind: Kind,
    description: str,
    *,
    unit: str = "",
    required: bool = False,
    choices: tuple[str, ...] = (),
) -> Column:
    return Column(name, kind, required, unit, description, choices)


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
        "film_wrapped_at", "datetime", "wrapped with stretch film: day 0 of storage", required=True
    ),
    _column("baler", "text", "machine that made the bale"),
    _column("roll", "text", "roll of binding used"),
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
        "opening drawn for the bale, named as in trial.toml; blank "
        "where bales are cored again and again",
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

_SAMPLES: Final = (
    _column("sample", "id", "name of the laboratory result", required=True),
    _column("of", "id", "bale, pair or lot the sample was taken from", required=True),
    _column("taken_on", "datetime", "when the sample was taken", required=True),
    _column(
        "kind",
        "choice",
        "day0: crop at baling; core: drilled from a bale that stays in "
        "store; opening: from an opened bale",
        required=True,
        choices=("day0", "core", "opening"),
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
    _column("note", "text", "remark"),
)

_WEIGHINGS: Final = (
    _column("weighing", "id", "name of the weighing", required=True),
    _column("bales", "ids", "bale on the scale", required=True),
    _column("weighed_at", "datetime", "when it was weighed", required=True),
    _column("scale", "id", "scale used"),
    _column("gross", "number", "reading of the scale", unit="kg", required=True),
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
    _column("at", "datetime", "when", required=True),
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
    _column("scale", "id", "name of the scale", required=True),
    _column("kind", "text", "kind of scale, for example platform or loader"),
    _column("step", "number", "step of the display", unit="kg"),
    _column("check_mass", "number", "known mass put on as a check", unit="kg"),
    _column("check_reading", "number", "what the scale showed for it", unit="kg"),
    _column("note", "text", "remark"),
)

TABLES: Final[dict[str, tuple[Column, ...]]] = {
    "bales": _BALES,
    "samples": _SAMPLES,
    "weighings": _WEIGHINGS,
    "events": _EVENTS,
    "scales": _SCALES,
}
"""Table name to its columns, in the order in which blank files are written."""

OPTIONAL_TABLES: Final = ("events", "scales")
"""Tables whose file may be missing."""

ANALYTES: Final = tuple(column.name for column in _RESULTS)
"""Laboratory results that may be below a limit and that carry a declared unit."""

_UNIQUE: Final = {"bales": "bale", "samples": "sample", "weighings": "weighing", "scales": "scale"}
_REFERENCES: Final = {"events": (("bale", "bales", "bale"),)}

_NUMBER: Final = r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?"
_DATETIME: Final = r"\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2})?)?"
_FIELD_TYPES: Final[dict[Kind, dict[str, Json]]] = {
    "id": {"type": "string", "constraints": {"pattern": r"[^\s,;]+"}},
    "ids": {"type": "string", "constraints": {"pattern": r"[^\s,;]+( [^\s,;]+)*"}},
    "text": {"type": "string"},
    "choice": {"type": "string"},
    "number": {"type": "number"},
    "count": {"type": "integer", "constraints": {"minimum": 0}},
    "datetime": {"type": "string", "constraints": {"pattern": _DATETIME}},
    "measured": {"type": "string", "constraints": {"pattern": f"<?{_NUMBER}"}},
}


def file_name(table: str) -> str:
    """Return the file of a table inside the trial folder."""
    return f"{table}.csv"


def datapackage(*, name: str = "silage-trial") -> dict[str, Json]:
    """Return the tables as a Data Package (version 2) with Table Schemas, ready for JSON.

    Parameters
    ----------
    name : str
        Name of the package: lower case, digits, ``-``, ``_`` and ``.`` only.

    Returns
    -------
    dict
        The descriptor of one folder: one resource a table. Units stand as the property ``unit`` of
        a field; ``[units]`` means that trial.toml declares it.

    References
    ----------
    Data Package Standard, version 2 (2024), https://datapackage.org/standard/
    """
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": name,
        "resources": [_resource(table) for table in TABLES],
    }


def _resource(table: str) -> Json:
    schema: dict[str, Json] = {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        # "superset" in the standard: the schema lists more fields than a file need have.
        "fieldsMatch": ["superset"],
        "fields": [_field(column) for column in TABLES[table]],
        "missingValues": [""],
    }
    if table in _UNIQUE:
        schema["primaryKey"] = [_UNIQUE[table]]
    if table in _REFERENCES:
        schema["foreignKeys"] = [
            {"fields": [field], "reference": {"resource": resource, "fields": [target]}}
            for field, resource, target in _REFERENCES[table]
        ]
    return {
        "name": table,
        "type": "table",
        "path": file_name(table),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": schema,
    }


def _field(column: Column) -> Json:
    field: dict[str, Json] = {"name": column.name, "description": column.description}
    constraints: dict[str, Json] = {"required": True} if column.required else {}
    for key, value in _FIELD_TYPES[column.kind].items():
        if key == "constraints" and isinstance(value, dict):
            constraints.update(value)
        else:
            field[key] = value
    if column.choices and column.kind == "choice":
        constraints["enum"] = list(column.choices)
    if column.unit:
        field["unit"] = column.unit
    if constraints:
        field["constraints"] = constraints
    return field
