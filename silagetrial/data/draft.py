"""A trial on its way in: settings and tables as read, with what the checks look up."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Any, Final, TypeAlias

import pandas as pd

from silagetrial.data.frames import TypedTable
from silagetrial.data.nearest import name_key
from silagetrial.data.read_settings import SETTINGS_FILE, dotted, line_of
from silagetrial.data.schema import file_name
from silagetrial.data.settings import Opening, Settings
from silagetrial.errors import Problem, Severity

__all__ = ["REFERS", "Draft", "Row", "is_date_only", "is_given", "storage_days"]

Row: TypeAlias = dict[str, Any]
"""One row of a table: column name to value, and ``line``."""

REFERS: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("bale", "pair", "lot"),
    "samples": ("of", "kind", "taken_on"),
    "weighings": ("bales", "weighed_at"),
    "events": ("bale", "what", "at"),
    "scales": ("scale",),
}
"""Columns of each table by which it is looked up from another."""


@dataclass(frozen=True, eq=False)
class Draft:
    """Settings and tables while they are read and checked.

    Parameters
    ----------
    settings : Settings
        trial.toml.
    text : str
        Text of trial.toml, to name lines.
    read : mapping of str to TypedTable
        All tables of the schema as their files hold them.
    unreadable : frozenset of str
        Tables whose file is there and cannot be read, or is not there and must be.
    tables : mapping of str to pandas.DataFrame
        The frames on their way; the index of each is the line of the file.
    unconverted : frozenset of str
        Columns of samples whose results were taken out for want of a unit.
    """

    settings: Settings
    text: str
    read: Mapping[str, TypedTable]
    unreadable: frozenset[str]
    tables: Mapping[str, pd.DataFrame]
    unconverted: frozenset[str] = field(default_factory=frozenset)

    @classmethod
    def begin(
        cls,
        settings: Settings,
        text: str,
        read: Mapping[str, TypedTable],
        *,
        unreadable: frozenset[str],
    ) -> Draft:
        """Return the draft of what was read, nothing done to it yet."""
        return cls(
            settings, text, read, unreadable, {name: table.frame for name, table in read.items()}
        )

    @property
    def given(self) -> Mapping[str, frozenset[str]]:
        """Columns that stand in the file of each table."""
        return {name: table.given for name, table in self.read.items()}

    @cached_property
    def raw_settings(self) -> Mapping[str, Any]:
        """trial.toml as it stands, what was refused included."""
        return tomllib.loads(self.text)

    @property
    def refused_openings(self) -> frozenset[str]:
        """Names of openings that trial.toml holds, with something in them that was refused."""
        sections = self.raw_settings.get("openings")
        names = [
            section.get("name")
            for section in (sections if isinstance(sections, list) else [])
            if isinstance(section, dict)
        ]
        kept = {opening.name for opening in self.settings.openings}
        return frozenset(name for name in names if isinstance(name, str)) - kept

    @property
    def design_is_said(self) -> bool:
        """Whether trial.toml says the design in a way that was read; else it is a default."""
        section = self.raw_settings.get("design")
        return isinstance(section, dict) and section.get("bales") == self.settings.design

    def section_of(self, opening: Opening) -> int:
        """Return which of the sections [[openings]] this is; settings hold them by days."""
        return next(
            number
            for number, section in enumerate(self.raw_settings["openings"])
            if isinstance(section, dict)
            and (section.get("name"), section.get("days")) == (opening.name, opening.days)
        )

    def can_look_up(self, table: str) -> bool:
        """Tell whether other tables may be checked against this one.

        What is missing from a table that cannot be read, or that lacks the heading looked under,
        says nothing about the table that names it.
        """
        read, columns = self.read[table], REFERS[table]
        # Pairs and lots need not be kept; the other columns are needed to find a row at all.
        needed = set(columns[:1] if table == "bales" else columns)
        lacks = bool(read.given) and not needed <= read.given
        return not (table in self.unreadable or lacks or read.misspelt & set(columns))

    def is_rejected(self, table: str, line: int, column: str) -> bool:
        """Tell whether a cell that is missing here holds something in the file."""
        return (line, column) in self._rejected_cells[table]

    def is_unsure(self, table: str, *names: object) -> bool:
        """Tell whether a row that names one of these was not read in full.

        Such a row is no reason to say that something is missing.
        """
        return any(is_given(name) and name_key(str(name)) in self._unsure[table] for name in names)

    @cached_property
    def _rejected_cells(self) -> dict[str, frozenset[tuple[int, str]]]:
        return {
            name: frozenset(
                (item.line, item.column) for item in table.rejected if item.column is not None
            )
            for name, table in self.read.items()
        }

    @cached_property
    def _unsure(self) -> dict[str, frozenset[tuple[str, ...]]]:
        unsure: dict[str, frozenset[tuple[str, ...]]] = {}
        for table, read in self.read.items():
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
            unsure[table] = frozenset(key for key in map(name_key, names) if key)
        return unsure

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


def _words(cell: object) -> tuple[str, ...]:
    if isinstance(cell, tuple):
        return cell
    return (cell,) if isinstance(cell, str) else ()


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
