"""Laboratory units, converted once, at reading: everything inside is g/kg.

Limits of detection move with the same factor as the values: a limit stated on fresh matter becomes
another limit for each bale on dry matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from silagetrial.data.schema import ANALYTES
from silagetrial.errors import UsageError

__all__ = ["PER_DRY_MATTER", "UNITS", "dm_to_g_per_kg", "inside_unit", "to_inside_unit"]

PER_DRY_MATTER: Final = ("g/kg DM", "% DM", "g/kg fresh")
"""Units an analyte may arrive in, the one used inside first."""

_OF_TOTAL_N: Final = "% of total N"

UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "dm": ("g/kg", "%"),
    **{name: (_OF_TOTAL_N,) if name == "ammonia_n" else PER_DRY_MATTER for name in ANALYTES},
}
"""Column of samples.csv to the units it may be declared in, the one used inside first."""


def inside_unit(column: str) -> str:
    """Return the unit in which a laboratory result stands inside a Trial."""
    return UNITS[column][0]


def dm_to_g_per_kg(dm: ArrayLike, *, unit: str) -> NDArray[np.float64]:
    """Return dry matter in g per kg fresh.

    Parameters
    ----------
    dm : array_like
        Dry matter, any shape, in `unit`.
    unit : {"g/kg", "%"}
        Unit of the values.

    Raises
    ------
    UsageError
        For another unit.
    """
    _known("dm", unit)
    values = np.asarray(dm, dtype=np.float64)
    return values * 10.0 if unit == "%" else values.copy()


def to_inside_unit(
    values: ArrayLike, *, column: str, unit: str, dm: ArrayLike
) -> NDArray[np.float64]:
    """Return a laboratory result in the unit used inside (g/kg DM; ammonia-N % of total N).

    Parameters
    ----------
    values : array_like
        Results or limits, any shape, in `unit`.
    column : str
        Name of the result, a key of `UNITS`.
    unit : str
        One of ``UNITS[column]``.
    dm : array_like
        Dry matter of the same samples, g/kg fresh, broadcast against `values`; used for results on
        fresh matter only.

    Returns
    -------
    numpy.ndarray
        ``% DM`` times 10; ``g/kg fresh`` times 1000/DM, NaN without a DM above 0; others as they
        are.

    Raises
    ------
    UsageError
        For an unknown column or unit.
    """
    _known(column, unit)
    if column == "dm":
        return dm_to_g_per_kg(values, unit=unit)
    given = np.asarray(values, dtype=np.float64)
    if unit == "% DM":
        return given * 10.0
    if unit == "g/kg fresh":
        fresh = np.asarray(dm, dtype=np.float64)
        return given * 1000.0 / np.where(fresh > 0, fresh, np.nan)
    return given.copy()


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
