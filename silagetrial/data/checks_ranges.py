"""Checks of single numbers against what can be and what is usual."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.schema import ANALYTES, TABLES
from silagetrial.data.units import inside_unit
from silagetrial.errors import Problem

__all__ = ["not_negative", "results_plausible", "results_possible", "within_limits"]

_ACIDS: Final = tuple(name for name in ANALYTES if name.endswith("_acid"))

# Common practice: what lies outside is a slip of unit or digit, not silage.
DM_LIMITS: Final = (50.0, 950.0)
PH_LIMITS: Final = (3.0, 9.0)
NET_LIMITS: Final = (100.0, 2000.0)
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
        names = [column.name for column in columns if column.kind in ("number", "measured")]
        for row in draft.rows(table):
            for name in names:
                if is_given(row[name]) and row[name] < 0:
                    yield draft.problem(
                        table,
                        row["line"],
                        name,
                        found=f"{row[name]:g}, below zero",
                        expected="a number from 0",
                        remedy="correct the cell",
                    )


def within_limits(draft: Draft) -> Iterator[Problem]:
    """Check that dry matter, pH, results and net masses are such as occur."""
    limits = {"dm": (*DM_LIMITS, "g/kg"), "pH": (*PH_LIMITS, "")}
    for row in draft.rows("samples"):
        for name, (low, high, unit) in limits.items():
            yield from _outside(draft, "samples", row, name, (low, high), unit)
    for row in draft.rows("weighings"):
        yield from _outside(draft, "weighings", row, "net", NET_LIMITS, "kg")


def _outside(
    draft: Draft, table: str, row: Row, name: str, limits: tuple[float, float], unit: str
) -> Iterator[Problem]:
    value = row[name]
    if is_given(value) and not limits[0] <= value <= limits[1]:
        what = f"{value:g} {unit}".strip()
        if name == "dm":
            what += _from(draft.settings.units["dm"], unit)
        yield draft.problem(
            table,
            row["line"],
            "gross" if name == "net" else name,
            found=f"net mass {what} (gross less tare)" if name == "net" else what,
            expected=f"{limits[0]:g} to {limits[1]:g} {unit}".strip(),
            remedy="correct the cell"
            + ("" if name in ("net", "pH") else f", or the unit of {name} in trial.toml"),
        )


def results_possible(draft: Draft) -> Iterator[Problem]:
    """Check that no result, and no limit of one, is above what can be."""
    for row, name, value, found in _results(draft):
        if value > POSSIBLE[name]:
            yield draft.problem(
                "samples",
                row["line"],
                name,
                found=found,
                expected=f"0 to {POSSIBLE[name]:g} {inside_unit(name)}",
                remedy=f"correct the cell, or the unit of {name} in trial.toml",
            )


def results_plausible(draft: Draft) -> Iterator[Problem]:
    """Check that no result is far above what is usual."""
    for row, name, value, found in _results(draft):
        bound, typical = PLAUSIBLE[name]
        if bound < value <= POSSIBLE[name]:
            yield draft.problem(
                "samples",
                row["line"],
                name,
                found=f"{found}, an unusual result",
                expected=f"up to {bound:g} {inside_unit(name)}; typical: {typical}",
                remedy="check the cell, its decimal point and the unit in trial.toml; if the "
                "laboratory stands by it, leave it",
                severity="warning",
            )


def _results(draft: Draft) -> Iterator[tuple[Row, str, float, str]]:
    """Yield each result or limit above zero, with how it is said."""
    for row in draft.rows("samples"):
        for name in ANALYTES:
            below = row[f"{name}_below"]
            value = below if is_given(below) else row[name]
            if is_given(value) and value > 0:
                unit, declared = inside_unit(name), draft.settings.units[name]
                found = f"{'<' if is_given(below) else ''}{value:g} {unit}"
                yield row, name, value, found + _from(declared, unit)


def _from(declared: str, unit: str) -> str:
    return "" if declared == unit else f", converted from {declared}"
