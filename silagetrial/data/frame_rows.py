"""Rows of a data frame as dictionaries, which checks read, and days in storage of whole columns."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["Row", "cells_of", "rows_of", "storage_days"]

Row: TypeAlias = dict[str, Any]
"""One row of a table: column name to value, and ``line``."""

Times: TypeAlias = NDArray[np.datetime64]


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Return the rows of a frame; what is missing from all of them is put in at once."""
    filled = {name: _listed(frame[name]) for name in frame.columns if frame[name].notna().any()}
    names = [*map(str, filled), "line"]
    blank = dict.fromkeys([*names, *map(str, frame.columns)])
    cells = zip(*filled.values(), frame.index.tolist(), strict=True)
    # A copy has room for all of its keys at once, which filling them one by one has not.
    rows: list[Row] = [blank.copy() for _ in range(len(frame))]
    for row, values in zip(rows, cells, strict=True):
        row.update(zip(names, values, strict=True))
    return rows


def cells_of(column: pd.Series[Any]) -> list[Any]:
    """Return the cells of a column, None where one is missing."""
    if column.dtype.kind == "M":
        return _listed(column)
    cells: list[Any] = column.astype("object").where(column.notna(), None).tolist()
    return cells


def _listed(column: pd.Series[Any]) -> list[Any]:
    """Return the cells of a column; times as those of Python, which are quicker than of pandas."""
    if column.dtype.kind == "M":
        times: list[Any] = column.to_numpy(dtype="datetime64[us]").tolist()
        return times
    return column.tolist()


def storage_days(when: Times, wrapped: Times) -> NDArray[np.float64]:
    """Return the days from film wrapping, NaN where a time is missing.

    Two times give a fraction of a day; where either is a date alone, whole days are counted.

    Parameters
    ----------
    when, wrapped : numpy.ndarray of datetime64[us]
        Of one shape.
    """
    to_day = when.astype("datetime64[D]"), wrapped.astype("datetime64[D]")
    date_only = (when == to_day[0]) | (wrapped == to_day[1])
    exact = (when - wrapped) / np.timedelta64(1, "s") / 86400.0
    return np.where(date_only, (to_day[0] - to_day[1]) / np.timedelta64(1, "D"), exact)
