"""Which columns the field workbook shows, in which order, and what is told of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.data.schema import ANALYTES, SPARE, TABLES, Column
from silagetrial.data.settings import Settings
from silagetrial.data.units import measure_of
from silagetrial.planning.analyses import analyses_wanted

__all__ = ["SHEETS", "FieldColumn", "field_columns", "sheet_words", "unit_of"]

SHEETS: Final = ("bales", "weighings", "samples", "events", "scales")
"""Tables that are sheets of the workbook, in the order in which they are met in the field."""

_ORDER: Final = {
    "bales": (
        "site", "field", "run", "order", "bale", "pair", "binding", "baled_at", "film_wrapped_at",
        "roll", "breaks", "binding_layers", "film_layers", "film_thickness", "binding_kg",
        "film_kg", "diameter", "width", "baler", "store", "tier", "planned_opening", "lot", "cut",
        "crop", "additive", "note",
    ),
    "weighings": (
        "weighing", "bales", "planned_opening", "repeat", "weighed_at", "scale", "gross", "tare",
        "flags", "note",
    ),
    "samples": (
        "sample", "taken_on", "binding_seen", "n_cores", "depth", "fresh_kg", "laboratory",
        "batch", "report", "method", "dm", "dm_basis", "pH", *ANALYTES, "of", "kind",
        "supersedes", "note",
    ),
    "events": ("bale", "at", "what", "cause", "note"),
}  # fmt: skip
"""Columns of a sheet from left to right; a table that is not named keeps the order of schema."""

_ONLY_IF_PLANNED: Final = {
    "bales": ("field", "run", "film_thickness", "lot", "cut", "crop", "additive"),
    "samples": ("supersedes",),
    "weighings": ("repeat",),
}
"""Columns that stand in a sheet only where the plan fills them; anybody may add them again."""

_LOOKED_UP: Final = ("of", "kind")
"""Columns of samples that blind_key.csv fills: shown, and to be left blank."""

_AS_PLANNED: Final = {"weighings": ("planned_opening", "repeat"), "samples": _LOOKED_UP}
"""Columns of which a blank cell is an answer too, and not one to be filled."""


@dataclass(frozen=True)
class FieldColumn:
    """One column of a sheet.

    Parameters
    ----------
    column : Column
    unit : str
        Unit of what is typed; empty where there is none.
    to_fill : bool
        Blank in some row, so that it is filled in the field or from the laboratory's report.
    words : tuple of str
        The words offered in a list; empty: any.
    strict : bool
        Other words are refused, not only warned of.
    """

    column: Column
    unit: str
    to_fill: bool
    words: tuple[str, ...]
    strict: bool

    @property
    def told(self) -> str:
        """What the column means, its unit, its words, in one text for a note."""
        text = self.column.description
        text = text[0].upper() + text[1:] + "."
        if self.column.name in _LOOKED_UP and not self.to_fill:
            text += " Leave it blank for the samples listed here."
        if self.unit:
            text += f" Unit: {self.unit}."
        how = _HOW.get(self.column.kind, "")
        return f"{text} {how}".strip()


_HOW: Final = {
    "datetime": "Date and time of the farm, as 2026-05-31 14:30.",
    "measured": "A result below the laboratory's limit: < and the limit, as <0.3. Not determined: "
    "leave blank.",
    "ids": "Several are separated by a space.",
}


def field_columns(table: str, frame: pd.DataFrame, settings: Settings) -> tuple[FieldColumn, ...]:
    """Return the columns of a sheet.

    Parameters
    ----------
    table : str
        Of `SHEETS`.
    frame : pandas.DataFrame
        The table as the layout has it.
    settings : Settings

    Returns
    -------
    tuple of FieldColumn
    """
    known = {column.name: column for column in TABLES[table]}
    order = _ORDER.get(table, tuple(known))
    further = tuple(
        Column(name, "text", False, "", "declared in trial.toml")
        for name in (*settings.analysis.factors, *settings.analysis.blocks)
        if table == "bales" and name not in known
    )
    names = [name for name in order if name in known and _shown(table, name, frame, settings)]
    columns = [known[name] for name in names]
    at = len(columns) - 1 if columns[-1].name == "note" else len(columns)
    return tuple(
        _field_column(table, column, frame, settings)
        for column in (*columns[:at], *further, *columns[at:])
    )


def _shown(table: str, name: str, frame: pd.DataFrame, settings: Settings) -> bool:
    """Tell whether a column is worth its place in the field."""
    if name in frame and frame[name].map(is_given).any():
        return True
    if name in _ONLY_IF_PLANNED.get(table, ()):
        return name in (*settings.analysis.factors, *settings.analysis.blocks)
    wanted = analyses_wanted(settings, crop=False).frame["column"]
    return not (name in ANALYTES and name not in set(wanted))


def _field_column(
    table: str, column: Column, frame: pd.DataFrame, settings: Settings
) -> FieldColumn:
    given = frame[column.name].map(is_given) if column.name in frame else pd.Series(dtype=bool)
    answered = column.name in _AS_PLANNED.get(table, ())
    to_fill = not (len(given) and given.all()) and not answered
    words, strict = sheet_words(table, column, settings)
    return FieldColumn(column, unit_of(column, settings), to_fill, words, strict)


def unit_of(column: Column, settings: Settings) -> str:
    """Return the unit in which a column is typed, that of trial.toml where it declares one."""
    measured = settings.measures.get(measure_of(column.name) or "", column.unit)
    return settings.units.get(column.name, "") if column.unit == "[units]" else measured


def sheet_words(table: str, column: Column, settings: Settings) -> tuple[tuple[str, ...], bool]:
    """Return the words a cell offers in a list, and whether it refuses others."""
    if column.name in ("binding", "binding_seen"):
        return settings.compare, False
    if column.name == "planned_opening":
        spare = (SPARE,) if table == "bales" and settings.design == "separate" else ()
        return (*(opening.name for opening in settings.openings), *spare), False
    if table == "weighings" and column.name == "flags":
        both = tuple(f"{a} {b}" for i, a in enumerate(column.choices) for b in column.choices[:i])
        return (*column.choices, *both), False
    return column.choices, column.kind == "choice"
