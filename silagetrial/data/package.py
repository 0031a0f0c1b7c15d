"""The tables described for machines: a Data Package with Table Schemas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, TypeAlias

from silagetrial.data.schema import TABLES, Column, Kind, file_name

__all__ = ["datapackage"]

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"

_UNIQUE: Final = {
    "bales": "bale",
    "samples": "sample",
    "weighings": "weighing",
    "blind_key": "sample",
}
_REFERENCES: Final = {
    **dict.fromkeys(("events", "mould", "aerobic"), (("bale", "bales", "bale"),)),
    "sample_parts": (("sample", "samples", "sample"), ("bale", "bales", "bale")),
}

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


def datapackage(
    *, name: str = "silage-trial", headings: Mapping[str, Sequence[str]] | None = None
) -> dict[str, Json]:
    """Return the tables as a Data Package (version 2) with Table Schemas, ready for JSON.

    Parameters
    ----------
    name : str
        Name of the package: lower case, digits, ``-``, ``_`` and ``.`` only.
    headings : mapping of str to sequence of str, optional
        Table to the headings of its file, in their order: only these tables and columns are
        described, as they are. None: all that a folder may hold.

    Returns
    -------
    dict
        The descriptor of one folder: one resource a table. Units stand as the property ``unit`` of
        a field; ``[units]`` means that trial.toml declares it.

    References
    ----------
    Data Package Standard, version 2 (2024), https://datapackage.org/standard/
    """
    tables = list(TABLES) if headings is None else [table for table in TABLES if table in headings]
    resources = [
        _resource(table, None if headings is None else headings[table]) for table in tables
    ]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": name,
        "resources": list[Json](resources),
    }


def _resource(table: str, heading: Sequence[str] | None) -> Json:
    known = {column.name: column for column in TABLES[table]}
    there = list(known) if heading is None else heading
    fields: list[Json] = [
        _field(known[name]) if name in known else {"name": name, "type": "string"} for name in there
    ]
    schema: dict[str, Json] = {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fields": fields,
        "missingValues": [""],
    }
    if heading is None:
        # "superset" in the standard: the schema lists more fields than a file need have.
        schema["fieldsMatch"] = ["superset"]
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
