"""A trial on its way in: settings and tables as read, with what the checks look up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any, TypeAlias

import pandas as pd

from silagetrial.data.read_settings import SETTINGS_FILE, dotted, line_of
from silagetrial.data.schema import file_name
from silagetrial.data.settings import Settings
from silagetrial.errors import Problem, Severity

__all__ = ["Draft", "Row", "is_date_only", "is_given", "storage_days"]

Row: TypeAlias = dict[str, Any]
"""One row of a table: column name to value, and ``line``."""


@dataclass(frozen=True, eq=False)
class Draft:
    """Settings and tables while they are read and checked.

    Parameters
    ----------
    settings : Settings
        trial.toml.
    text : str
        Text of trial.toml, to name lines.
    tables : mapping of str to pandas.DataFrame
        All tables of the schema; the index of each is the line of the file.
    given : mapping of str to frozenset of str
        Columns that stand in the file of each table.
    """

    settings: Settings
    text: str
    tables: Mapping[str, pd.DataFrame]
    given: Mapping[str, frozenset[str]]

    def rows(self, table: str) -> list[Row]:
        """Return the rows of a table as dictionaries with their line."""
        return self._rows[table]

    @cached_property
    def _rows(self) -> dict[str, list[Row]]:
        return {
            name: [
                {**{str(key): value for key, value in row.items()}, "line": int(line)}
                for line, row in zip(frame.index, frame.to_dict("records"), strict=True)
            ]
            for name, frame in self.tables.items()
        }

    @cached_property
    def bales(self) -> dict[str, Row]:
        """Bale name to its row; of two bales of one name the first."""
        named = [row for row in self.rows("bales") if is_given(row["bale"])]
        return {row["bale"]: row for row in reversed(named)}

    @cached_property
    def groups(self) -> dict[str, tuple[Row, ...]]:
        """Name of every bale, pair and lot to the rows of its bales."""
        members: dict[str, list[Row]] = {}
        for bale in self.bales.values():
            for name in {bale["bale"], bale["pair"], bale["lot"]}:
                if is_given(name):
                    members.setdefault(name, []).append(bale)
        return {name: tuple(rows) for name, rows in members.items()}

    def problem(
        self,
        table: str,
        line: int | None,
        column: str | None,
        *,
        found: str,
        expected: str,
        remedy: str,
        severity: Severity = "error",
    ) -> Problem:
        """Return a problem of a table."""
        return Problem(severity, file_name(table), line, column, found, expected, remedy)

    def setting_problem(
        self,
        section: str,
        key: str,
        *,
        found: str,
        expected: str,
        remedy: str,
        severity: Severity = "error",
        number: int = 0,
    ) -> Problem:
        """Return a problem of trial.toml."""
        line = line_of(self.text, section, key, number=number) or line_of(self.text, section)
        where = dotted(section, key)
        return Problem(severity, SETTINGS_FILE, line, where, found, expected, remedy)

    def with_table(self, table: str, frame: pd.DataFrame) -> Draft:
        """Return the draft with another frame in place of a table."""
        return replace(self, tables={**self.tables, table: frame})


def is_given(value: object) -> bool:
    """Tell whether a cell holds anything."""
    return not (value is None or value is pd.NaT or value != value or value == ())


def storage_days(when: object, wrapped: object) -> float:
    """Return the days from film wrapping, NaN where a time is missing.

    Two times give a fraction of a day; where either is a date alone, whole days are counted.
    """
    if not (is_given(when) and is_given(wrapped)):
        return float("nan")
    if not (isinstance(when, datetime) and isinstance(wrapped, datetime)):
        return float("nan")
    if is_date_only(when) or is_date_only(wrapped):
        return float((when.date() - wrapped.date()).days)
    return (when - wrapped).total_seconds() / 86400.0


def is_date_only(when: datetime) -> bool:
    """Tell whether a time was given as a date alone (midnight counts as such)."""
    return (when.hour, when.minute, when.second) == (0, 0, 0)
