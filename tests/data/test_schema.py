"""The tables' description, against the published profiles of its standard.

profiles/*.json are the profiles of the Data Package Standard, version 2.0
(https://datapackage.org/profiles/2.0/, repository frictionlessdata/datapackage, commit
6a201af8ed2eacbb3a2440e82e4c55d5807f9c09, public domain), without their descriptions and examples.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from silagetrial.data import TABLES, datapackage
from silagetrial.data.cells import Value, parse_cell

PROFILES = Path(__file__).parent / "profiles"


def faults(profile: str, descriptor: object) -> list[str]:
    schema = json.loads((PROFILES / f"{profile}-2.0.json").read_text(encoding="utf-8"))
    return [error.message for error in Draft7Validator(schema).iter_errors(descriptor)]


def resources() -> dict[str, Any]:
    package = json.loads(json.dumps(datapackage()))
    return {resource["name"]: resource for resource in package["resources"]}


def test_package_fits_the_published_profile() -> None:
    package = json.loads(json.dumps(datapackage(name="spring-grass")))
    assert faults("datapackage", package) == []
    assert package["name"] == "spring-grass"
    del package["resources"]
    assert faults("datapackage", package) != []


@pytest.mark.parametrize("table", TABLES)
def test_table_fits_the_published_profile(table: str) -> None:
    schema = resources()[table]["schema"]
    assert faults("tableschema", schema) == []
    schema["fields"][0]["type"] = "identifier"
    assert faults("tableschema", schema) != []


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_described(table: str) -> None:
    resource = resources()[table]
    fields = resource["schema"]["fields"]
    assert resource["path"] == f"{table}.csv"
    assert [field["name"] for field in fields] == [column.name for column in TABLES[table]]
    for field, column in zip(fields, TABLES[table], strict=True):
        assert field["description"] == column.description
        assert field.get("unit", "") == column.unit
        assert field.get("constraints", {}).get("required", False) == column.required
        if column.kind == "choice":
            assert tuple(field["constraints"]["enum"]) == column.choices


def test_keys_name_columns_that_exist() -> None:
    names = {table: {column.name for column in columns} for table, columns in TABLES.items()}
    for table, resource in resources().items():
        assert set(resource["schema"].get("primaryKey", [])) <= names[table]
        for key in resource["schema"].get("foreignKeys", []):
            assert set(key["fields"]) <= names[table]
            assert set(key["reference"]["fields"]) <= names[key["reference"]["resource"]]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "8.4",
        "<0.3",
        ".5",
        "1e-3",
        "0,5",
        "<",
        "ND",
        "A01-net",
        "A01 net",
        "a;b",
        "wet film_on",
        "2025-05-26",
        "2025-05-26 10:30",
        "2025-05-26T10:30:15",
        "26.05.2025",
    ],
)
def test_patterns_agree_with_the_reader(text: str) -> None:
    # The description must allow just what the reader reads: one truth, checked from outside.
    for table, columns in TABLES.items():
        fields = {field["name"]: field for field in resources()[table]["schema"]["fields"]}
        for column in columns:
            pattern = fields[column.name].get("constraints", {}).get("pattern")
            if pattern is None or not text or column.choices:
                continue
            read = isinstance(parse_cell(text, column), Value)
            assert bool(re.fullmatch(pattern, text)) == read, (column.name, text)


def test_columns_have_one_name_each() -> None:
    for columns in TABLES.values():
        names = [column.name for column in columns]
        assert len(set(names)) == len(names)
