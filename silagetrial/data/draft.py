"""A trial on its way in: settings and tables as read, with what the checks look up."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from operator import itemgetter
from typing import Any, Final

import pandas as pd

from silagetrial.data.frame_rows import Row, cells_of, rows_of
from silagetrial.data.frames import TypedTable
from silagetrial.data.nearest import name_key
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import SHEET
from silagetrial.data.settings import Opening, Settings
from silagetrial.data.toml_text import dotted, line_of
from silagetrial.data.unread import REFERS, rejected_cells, unsure_names
from silagetrial.errors import Problem, Severity

__all__ = ["Draft", "Row", "by_line", "is_date_only", "is_given"]


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
    due : mapping of str to frozenset of int
        Lines of each table that are planned and not done yet.
    made : dict
        Rows made so far, with the frame they are of; shared with the drafts that follow.
    origins : mapping of (int, str) to (str, int, str)
        Line and column of samples to the file, line and heading of the laboratory report that
        filled the cell.
    """

    settings: Settings
    text: str
    read: Mapping[str, TypedTable]
    unreadable: frozenset[str]
    tables: Mapping[str, pd.DataFrame]
    unconverted: frozenset[str] = field(default_factory=frozenset)
    due: Mapping[str, frozenset[int]] = field(default_factory=dict)
    made: dict[str, tuple[pd.DataFrame, list[Row]]] = field(default_factory=dict, repr=False)
    origins: Mapping[tuple[int, str], tuple[str, int, str]] = field(default_factory=dict)

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
        unsure = self._unsure[table]
        return bool(unsure) and any(
            is_given(name) and name_key(str(name)) in unsure for name in names
        )

    @cached_property
    def _rejected_cells(self) -> dict[str, frozenset[tuple[int, str]]]:
        return {name: rejected_cells(table) for name, table in self.read.items()}

    @cached_property
    def _unsure(self) -> dict[str, frozenset[tuple[str, ...]]]:
        return {name: unsure_names(name, table) for name, table in self.read.items()}

    def rows(self, table: str) -> list[Row]:
        """Return the rows of a table as dictionaries with their line."""
        frame = self.tables[table]
        if self.made.get(table, (None, []))[0] is not frame:
            self.made[table] = frame, rows_of(frame)
        return self.made[table][1]

    def cells(self, table: str, column: str) -> list[Any]:
        """Return the cells of a column, in the order of `rows`; None where there is nothing.

        For checks that most rows pass: they look at two or three columns of many rows.
        """
        if (table, column) not in self._cells:
            self._cells[table, column] = cells_of(self.tables[table][column])
        return self._cells[table, column]

    @cached_property
    def _cells(self) -> dict[tuple[str, str], list[Any]]:
        return {}

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

    @cached_property
    def pairs(self) -> dict[str, list[Row]]:
        """Name of every pair to the rows of its bales, in the order of their lines."""
        pairs: dict[str, list[Row]] = {}
        for bale in sorted(self.bales.values(), key=by_line):
            if is_given(bale["pair"]):
                pairs.setdefault(bale["pair"], []).append(bale)
        return pairs

    @cached_property
    def parts(self) -> dict[str, list[Row]]:
        """Name of every composite sample to its parts."""
        parts: dict[str, list[Row]] = {}
        for row in sorted(self.rows("sample_parts"), key=by_line):
            if is_given(row["sample"]) and is_given(row["bale"]):
                parts.setdefault(row["sample"], []).append(row)
        return parts

    @cached_property
    def lost_at(self) -> dict[str, list[datetime]]:
        """Name of every bale lost to the trial to the times at which it was."""
        lost: dict[str, list[datetime]] = {}
        for event in self.rows("events"):
            if event["what"] == "lost" and is_given(event["bale"]):
                lost.setdefault(event["bale"], []).append(event["at"])
        return lost

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
        """Return a problem of a table, or of the report that filled the cell."""
        file = self.read[table].file
        if table == "samples" and line is not None and column is not None:
            file, line, column = self.origins.get((line, column), (file, line, column))
        return Problem(severity, file, line, column, found, expected, remedy)

    def called(self, table: str) -> str:
        """Return what a table is called in a sentence: its file, or its sheet of a workbook."""
        book, _, sheet = self.read[table].file.partition(SHEET)
        return f"the sheet {sheet} of {book}" if sheet else book

    def due_rows(self, table: str) -> list[Row]:
        """Return the rows that are planned and not done yet, in the order of their lines."""
        lines = self.due.get(table, frozenset())
        return sorted(self.rows_at(table, lines), key=by_line)

    def done(self, table: str) -> pd.DataFrame:
        """Return a table without the rows not done yet."""
        frame = self.tables[table]
        return frame[~frame.index.isin(sorted(self.due.get(table, ())))]

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

    def with_columns(self, table: str, columns: Mapping[str, pd.Series[Any]]) -> Draft:
        """Return the draft with columns of a table added or replaced, each in the order of rows."""
        if not columns:
            return self
        return replace(self, tables={**self.tables, table: self.tables[table].assign(**columns)})

    def rows_at(self, table: str, lines: Collection[int]) -> list[Row]:
        """Return the rows of a table that stand on these lines."""
        if not len(lines):
            return []
        wanted = frozenset(lines)
        return [row for row in self.rows(table) if row["line"] in wanted]

    def without_rows(self, table: str, lines: Collection[int]) -> Draft:
        """Return the draft without the rows of a table that stand on these lines."""
        if not lines:
            return self
        frame = self.tables[table]
        kept = frame[~frame.index.isin(sorted(lines))]
        self.made[table] = kept, [row for row in self.rows(table) if row["line"] not in lines]
        return replace(self, tables={**self.tables, table: kept})


by_line: Final = itemgetter("line")
"""Key that puts rows in the order of their lines."""


def is_given(value: object) -> bool:
    """Tell whether a cell holds anything."""
    # What is missing, of numbers, texts and times alike, is None or unequal to itself.
    return value is not None and value == value and value != ()


def is_date_only(when: datetime) -> bool:
    """Tell whether a time was given as a date alone (midnight counts as such)."""
    return not (when.hour or when.minute or when.second)
