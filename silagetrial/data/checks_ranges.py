"""Checks of single numbers against what can be and what is usual."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from silagetrial.data.draft import Draft, Row
from silagetrial.data.laboratory.keys import LABORATORIES_FILE
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import ANALYTES, TABLES
from silagetrial.data.units import inside_unit, measure_of
from silagetrial.errors import Problem

__all__ = ["not_negative", "results_plausible", "results_possible", "within_limits"]

_ACIDS: Final = tuple(name for name in ANALYTES if name.endswith("_acid"))

# Common practice: what lies outside is a slip of unit or digit, not silage.
DM_LIMITS: Final = (50.0, 950.0)
PH_LIMITS: Final = (3.0, 9.0)
NET_LIMITS: Final = (100.0, 2000.0)
SIZE_LIMITS: Final = (0.6, 2.2)
"""Diameter and width of a round bale, m; what lies outside was measured in cm or inches."""
TEMPERATURE_LIMITS: Final = (-40.0, 90.0)
"""Of air on a farm and of forage that heats, degrees Celsius."""
HOURS_LIMIT: Final = 1000.0
"""Tests of hours at the air end within weeks."""
THICKNESS_LIMITS: Final = (10.0, 100.0)
"""One layer of stretch film, µm; what lies outside was measured in mil, or is all layers."""
POSSIBLE: Final[Mapping[str, float]] = {
    **dict.fromkeys((*_ACIDS, "ethanol", "propanediol"), 200.0),
    # All dry matter being crude protein, 6.25 times its nitrogen.
    "total_n": 160.0,
    "ammonia_n": 100.0,
    "wsc": 1000.0,
    "ash": 1000.0,
}
"""Above this a result is an error; g/kg DM, ammonia-N % of total N.

Two to three times what occurs, for one acid or alcohol (common practice), or what cannot be, for a
share of the dry matter or of its nitrogen.
"""

PLAUSIBLE: Final[Mapping[str, tuple[float, str]]] = {
    "lactic_acid": (150.0, "60 to 100 g/kg DM in grass silage"),
    "acetic_acid": (80.0, "10 to 30 g/kg DM in grass silage"),
    "propionic_acid": (30.0, "below 1 g/kg DM in grass silage"),
    "butyric_acid": (60.0, "5 to 10 g/kg DM in grass silage"),
    "iso_butyric_acid": (20.0, "less than butyric acid in silage"),
    "valeric_acid": (20.0, "less than butyric acid in silage"),
    "caproic_acid": (20.0, "less than butyric acid in silage"),
    "ethanol": (50.0, "5 to 10 g/kg DM in grass silage"),
    "propanediol": (50.0, "less than acetic acid in silage"),
    "total_n": (60.0, "15 to 35 g/kg DM in forage"),
    "ammonia_n": (60.0, "8 to 12 % of total N in grass silage"),
    "wsc": (400.0, "up to 300 g/kg DM in grass"),
    "ash": (250.0, "80 to 120 g/kg DM in grass without soil"),
}
"""Above this a result is worth a second look, beside what is typical.

Typical lactic, acetic, propionic and butyric acid, ethanol and ammonia-N: Kung and Shaver, grass
silage of 30 to 35 % DM. The other ranges and all bounds are common practice.
"""


def not_negative(draft: Draft) -> Iterator[Problem]:
    """Check that no number is below zero."""
    for table, columns in TABLES.items():
        names = [
            column.name
            for column in columns
            if column.kind in ("number", "measured") and measure_of(column.name) != "temperature"
        ]
        frame = draft.tables[table]
        for name in names:
            below = frame[name].to_numpy(dtype=np.float64) < 0
            for line, value in frame.loc[below, name].items():
                yield draft.problem(
                    table,
                    int(str(line)),
                    name,
                    found=f"{value:g}, below zero",
                    expected="a number from 0",
                    remedy="correct the cell",
                )


@dataclass(frozen=True)
class _Range:
    """What occurs in a column; `hint` says what the number may be mistaken for."""

    table: str
    column: str
    limits: tuple[float, float]
    unit: str
    hint: str = ""


_RANGES: Final = (
    _Range("samples", "dm", DM_LIMITS, "g/kg"),
    _Range("samples", "pH", PH_LIMITS, ""),
    _Range("weighings", "net", NET_LIMITS, "kg"),
    _Range("bales", "diameter", SIZE_LIMITS, "m", "125 cm is 1.25 m"),
    _Range("bales", "width", SIZE_LIMITS, "m", "125 cm is 1.25 m"),
    _Range("bales", "film_thickness", THICKNESS_LIMITS, "µm", "1 mil is 25.4 µm"),
    _Range("mould", "surface_share", (0.0, 100.0), "%", "percent of the surface looked at"),
    _Range("mould", "discarded_kg", (0.0, NET_LIMITS[1]), "kg", "fresh, of one bale"),
    _Range("temperatures", "temperature", TEMPERATURE_LIMITS, "°C"),
    _Range("aerobic", "hours", (0.0, HOURS_LIMIT), "h", "hours since it came to the air"),
)


def within_limits(draft: Draft) -> Iterator[Problem]:
    """Check that numbers are such as occur: dry matter, pH, masses, sizes, what is seen."""
    for each in _RANGES:
        frame, (low, high) = draft.tables[each.table], each.limits
        values = frame[each.column].to_numpy(dtype=np.float64)
        if each.column == "net":
            values = values / np.maximum(frame["bales"].map(len).to_numpy(), 1)
        # What is below zero is said of all columns alike, by `not_negative`.
        outside = frame.index[((values < low) & (low != 0)) | (values > high)]
        for row in draft.rows_at(each.table, outside.tolist()):
            yield _outside(draft, each, row)


def _outside(draft: Draft, of: _Range, row: Row) -> Problem:
    name, (low, high) = of.column, of.limits
    what = f"{row[name]:g} {of.unit}".strip()
    remedy = f"correct the cell ({of.hint})" if of.hint else "correct the cell"
    if name == "dm":
        what += _from(_declared(draft, row["line"], name), of.unit)
        remedy += f", or {_unit_said(draft, row['line'], name)}"
    elif measure_of(name) is not None:
        remedy += ", or declare its unit under [measures]"
    return draft.problem(
        of.table,
        row["line"],
        "gross" if name == "net" else name,
        found=f"net mass {what} (gross less tare)" if name == "net" else what,
        expected=f"{low:g} to {high:g} {of.unit}".strip(),
        remedy=remedy,
    )


def results_possible(draft: Draft) -> Iterator[Problem]:
    """Check that no result, and no limit of one, is above what can be."""
    for line, name, _, found in _results(draft, above=POSSIBLE):
        yield draft.problem(
            "samples",
            line,
            name,
            found=found,
            expected=f"0 to {POSSIBLE[name]:g} {inside_unit(name)}",
            remedy=f"correct the cell, or {_unit_said(draft, line, name)}",
        )


def results_plausible(draft: Draft) -> Iterator[Problem]:
    """Check that no result is far above what is usual."""
    bounds = {name: bound for name, (bound, _) in PLAUSIBLE.items()}
    for line, name, value, found in _results(draft, above=bounds):
        bound, typical = PLAUSIBLE[name]
        if value <= POSSIBLE[name]:
            yield draft.problem(
                "samples",
                line,
                name,
                found=f"{found}, an unusual result",
                expected=f"up to {bound:g} {inside_unit(name)}; typical: {typical}",
                remedy=f"check the cell, its decimal mark and {_unit_said(draft, line, name)}; if "
                "the laboratory stands by it, leave it",
                severity="warning",
            )


def _results(draft: Draft, *, above: Mapping[str, float]) -> Iterator[tuple[int, str, float, str]]:
    """Yield line, name, value and words of each result, or limit of one, above a bound."""
    samples = draft.tables["samples"]
    for name in ANALYTES:
        limits = samples[f"{name}_below"].to_numpy(dtype=np.float64)
        below = np.isfinite(limits)
        values = np.where(below, limits, samples[name].to_numpy(dtype=np.float64))
        for k in np.flatnonzero(values > above[name]).tolist():
            unit = inside_unit(name)
            found = f"{'<' if below[k] else ''}{values[k]:g} {unit}"
            line = int(samples.index[k])
            said = found + _from(_declared(draft, line, name), unit)
            yield line, name, float(values[k]), said


def _declared(draft: Draft, line: int, name: str) -> str:
    """Return the unit a result was converted from; one of a report is named in its mapping."""
    if (line, name) in draft.origins:
        return inside_unit(name)
    return draft.settings.units[name]


def _unit_said(draft: Draft, line: int, name: str) -> str:
    """Return where the unit of a result is declared, in words."""
    file = LABORATORIES_FILE if (line, name) in draft.origins else SETTINGS_FILE
    return f"the unit of {name} in {file}"


def _from(declared: str, unit: str) -> str:
    return "" if declared == unit else f", converted from {declared}"
