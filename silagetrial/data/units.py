"""Units that records arrive in, converted once, at reading: the one source of them.

Inside, contents are g/kg DM, ammonia-N % of total N, counts log10 cfu per g fresh, masses kg, sizes
m, depths cm. Limits of detection move with the same factor as the values: a limit stated on fresh
matter becomes another limit for each bale on dry matter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from silagetrial.data.schema import ANALYTES, COUNTS
from silagetrial.errors import UsageError

__all__ = [
    "CONTENT_UNITS",
    "MEASURES",
    "MEASURE_OF",
    "MOLAR_UNITS",
    "NITROGEN_TO_PROTEIN",
    "OF_TOTAL_ACIDS",
    "UNITS",
    "columns_of",
    "content_per_kg_dm",
    "dm_to_g_per_kg",
    "inside_unit",
    "measure_of",
    "measured_in",
    "molar_mass",
    "needs",
    "to_inside_unit",
]

_AMOUNTS: Final[Mapping[str, float]] = {"g/kg": 1.0, "%": 10.0, "mg/kg": 0.001}
"""g/kg in one of each."""

CONTENT_UNITS: Final = tuple(f"{amount} {on}" for on in ("DM", "fresh") for amount in _AMOUNTS)
"""Units a content may arrive in, the one used inside first."""

MOLAR_UNITS: Final = ("mmol/kg DM", "mmol/kg fresh")
OF_TOTAL_ACIDS: Final = "% of total acids"
_OF_TOTAL_N: Final = "% of total N"
_OF_PROTEIN: Final = "% of CP"
_AS_PROTEIN: Final = "% DM as CP equivalent"
_COUNT_UNITS: Final = ("log10 cfu/g fresh", "cfu/g fresh")

NITROGEN_TO_PROTEIN: Final = 6.25
"""Crude protein over nitrogen (Commission Regulation (EC) No 152/2009, annex III, method C)."""

_ATOMS: Final[Mapping[str, float]] = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999}
"""Abridged standard atomic weights (CIAAW 2021), g/mol."""

_FORMULAS: Final[Mapping[str, str]] = {
    "lactic_acid": "C3H6O3",
    "acetic_acid": "C2H4O2",
    "propionic_acid": "C3H6O2",
    "butyric_acid": "C4H8O2",
    "iso_butyric_acid": "C4H8O2",
    "valeric_acid": "C5H10O2",
    "caproic_acid": "C6H12O2",
    "ethanol": "C2H6O",
    "propanediol": "C3H8O2",
    "ammonia_n": "N",
    "ammonia": "NH3",
    "total_n": "N",
}


def _units_of(name: str) -> tuple[str, ...]:
    if name == "ammonia_n":
        whole = (_OF_TOTAL_N, _OF_PROTEIN, _AS_PROTEIN)
        return (*whole, *CONTENT_UNITS, *MOLAR_UNITS)
    return (*CONTENT_UNITS, *(MOLAR_UNITS if name in _FORMULAS else ()))


UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "dm": ("g/kg", "%", "% moisture"),
    **{name: _units_of(name) for name in ANALYTES},
    **dict.fromkeys(COUNTS, _COUNT_UNITS),
}
"""Column of samples.csv to the units it may be declared in, the one used inside first."""

MEASURES: Final[Mapping[str, Mapping[str, float]]] = {
    "mass": {"kg": 1.0, "lb": 0.45359237, "short ton": 907.18474},
    "size": {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048},
    "depth": {"cm": 1.0, "mm": 0.1, "in": 2.54},
    "thickness": {"µm": 1.0, "mil": 25.4},
    "temperature": {"°C": 1.0, "°F": 5.0 / 9.0},
}
"""What is measured on the farm, to its units and what one of each is in the first of them.

The international pound is 0.45359237 kg and the inch 0.0254 m exactly, a short ton 2000 lb (NIST
Handbook 44, appendix C). A foot is 12 in, a mil 0.001 in, and a degree Fahrenheit 5/9 of a degree
Celsius, from 32 (NIST Special Publication 811, appendix B.8).
"""

_ZERO: Final[Mapping[str, float]] = {"°F": 32.0}
"""Units whose zero is not that of the first: the reading at the first one's zero."""

MEASURE_OF: Final[Mapping[str, Mapping[str, str]]] = {
    "bales": {"diameter": "size", "width": "size", "film_thickness": "thickness"},
    "samples": {"depth": "depth"},
    "weighings": {"gross": "mass", "tare": "mass"},
    "scales": {"step": "mass", "check_mass": "mass", "check_reading": "mass"},
    "temperatures": {"temperature": "temperature", "depth": "depth"},
}
"""Table and column to what it measures; columns that end in _kg are always in kg."""


def columns_of(measure: str) -> str:
    """Return the columns that hold a measure, in words."""
    return "; ".join(
        f"{', '.join(name for name in columns if columns[name] == measure)} of {table}"
        for table, columns in MEASURE_OF.items()
        if measure in columns.values()
    )


def measure_of(column: str) -> str | None:
    """Return the measure that a column holds; None for all others."""
    return next((names[column] for names in MEASURE_OF.values() if column in names), None)


def molar_mass(name: str) -> float:
    """Return the molar mass in g/mol of what a result is of; of nitrogen, per atom.

    Parameters
    ----------
    name : str
        A result with a formula, such as ``lactic_acid`` or ``ammonia``.
    """
    atoms = re.findall(r"([A-Z])(\d*)", _FORMULAS[name])
    return sum(_ATOMS[atom] * int(count or 1) for atom, count in atoms)


def inside_unit(column: str) -> str:
    """Return the unit in which a laboratory result stands inside a Trial."""
    return UNITS[column][0]


def measured_in(values: ArrayLike, *, measure: str, unit: str) -> NDArray[np.float64]:
    """Return what was measured on the farm in the unit used inside, the first of its measure.

    Parameters
    ----------
    values : array_like
        Any shape, in `unit`.
    measure : str
        A key of `MEASURES`.
    unit : str
        One of its units.
    """
    read = np.asarray(values, dtype=np.float64)
    return (read - _ZERO.get(unit, 0.0)) * MEASURES[measure][unit]


def dm_to_g_per_kg(dm: ArrayLike, *, unit: str) -> NDArray[np.float64]:
    """Return dry matter in g per kg fresh.

    Parameters
    ----------
    dm : array_like
        Dry matter, any shape, in `unit`.
    unit : {"g/kg", "%", "% moisture"}
        Unit of the values; moisture is what is not dry matter.

    Raises
    ------
    UsageError
        For another unit.
    """
    _known("dm", unit)
    values = np.asarray(dm, dtype=np.float64)
    if unit == "% moisture":
        return 1000.0 - values * 10.0
    return values * 10.0 if unit == "%" else values.copy()


def needs(column: str, unit: str) -> tuple[str, ...]:
    """Return what else of the sample a conversion to the unit used inside takes.

    Returns
    -------
    tuple of str
        Among ``dm``, ``total_n`` and ``total_acids``.
    """
    if unit == OF_TOTAL_ACIDS:
        return ("total_acids",)
    fresh = ("dm",) if column not in COUNTS and unit.endswith(" fresh") else ()
    whole = unit in (_OF_TOTAL_N, _OF_PROTEIN)
    return (*fresh, *(("total_n",) if column == "ammonia_n" and not whole else ()))


def to_inside_unit(
    values: ArrayLike,
    *,
    column: str,
    unit: str,
    dm: ArrayLike,
    total_n: ArrayLike = np.nan,
    total_acids: ArrayLike = np.nan,
) -> NDArray[np.float64]:
    """Return a laboratory result in the unit used inside, the first of ``UNITS[column]``.

    Parameters
    ----------
    values : array_like
        Results or limits, any shape, in `unit`.
    column : str
        Name of the result, a key of `UNITS`.
    unit : str
        One of ``UNITS[column]``, or ``% of total acids``.
    dm : array_like
        Dry matter of the same samples, g/kg fresh, broadcast against `values`; used for results on
        fresh matter only.
    total_n, total_acids : array_like
        Total nitrogen and acids of the same samples, g/kg DM; used for ammonia-N that is no share
        of them, and for acids that are one.

    Returns
    -------
    numpy.ndarray
        NaN where what the conversion takes (`needs`) is missing or not above 0. Percent of crude
        protein, ammonia counted as protein, is percent of total N: both carry the factor 6.25.

    Raises
    ------
    UsageError
        For an unknown column or unit.
    """
    given = np.asarray(values, dtype=np.float64)
    if unit == OF_TOTAL_ACIDS:
        return given / 100.0 * _above_zero(total_acids)
    _known(column, unit)
    if column == "dm":
        return dm_to_g_per_kg(given, unit=unit)
    if unit == "cfu/g fresh":
        return np.asarray(np.log10(_above_zero(given)), dtype=np.float64)
    if column in COUNTS or unit in (_OF_TOTAL_N, _OF_PROTEIN):
        return given.copy()
    content = content_per_kg_dm(given, column=column, unit=unit, dm=dm)
    return 100.0 * content / _above_zero(total_n) if column == "ammonia_n" else content


def content_per_kg_dm(
    values: ArrayLike, *, column: str, unit: str, dm: ArrayLike
) -> NDArray[np.float64]:
    """Return a content in g/kg DM; arguments as `to_inside_unit`."""
    given = np.asarray(values, dtype=np.float64)
    if unit == _AS_PROTEIN:
        return given * _AMOUNTS["%"] / NITROGEN_TO_PROTEIN
    amount, _, on = unit.rpartition(" ")
    factor = molar_mass(column) / 1000.0 if amount == "mmol/kg" else _AMOUNTS[amount]
    if on == "fresh":
        return given * factor * 1000.0 / _above_zero(dm)
    return given * factor


def _above_zero(values: ArrayLike) -> NDArray[np.float64]:
    whole = np.asarray(values, dtype=np.float64)
    return np.where(whole > 0, whole, np.nan)


def _known(column: str, unit: str) -> None:
    if column not in UNITS:
        raise UsageError(
            found=f"no unit is known for the column {column!r}",
            expected=f"one of {', '.join(UNITS)}",
            remedy="use the name of a laboratory result of samples.csv",
        )
    if unit not in UNITS[column]:
        raise UsageError(
            found=f"the unit {unit!r} for {column}",
            expected=" or ".join(repr(known) for known in UNITS[column]),
            remedy="convert the values first, or correct the unit",
        )
