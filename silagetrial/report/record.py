"""Values as JSON: full precision, nothing rounded, what is missing is null."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date
from numbers import Integral, Real
from pathlib import Path

import numpy as np
import pandas as pd

from silagetrial.display import Table

__all__ = ["plain", "write_json"]


def plain(value: object) -> object:
    """Return a value in the types of JSON.

    Parameters
    ----------
    value : object
        Numbers, text, dates, mappings, sequences, arrays, data frames and tables, nested in any
        way. A frame or table becomes a list of rows, its columns in their order.

    Returns
    -------
    object
        The same in dict, list, str, bool, int, float and None. NaN, NaT and infinite numbers,
        which JSON does not know, become None; every other float keeps all its digits.
    """
    if isinstance(value, Table):
        return plain(value.frame)
    if isinstance(value, pd.DataFrame):
        names = [str(name) for name in value.columns]
        columns = [value.iloc[:, j].tolist() for j in range(len(names))]
        return [
            {name: plain(column[row]) for name, column in zip(names, columns, strict=True)}
            for row in range(len(value))
        ]
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    return _single(value)


def _single(value: object) -> object:
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        number = float(value)
        return number if math.isfinite(number) else None
    if isinstance(value, date):
        return value.isoformat()
    return value


def write_json(path: Path, content: Mapping[str, object]) -> None:
    """Write a mapping as JSON, one value a line, in the order given.

    Parameters
    ----------
    path : Path
        The file to write.
    content : mapping
        Anything `plain` can turn into JSON.
    """
    text = json.dumps(plain(content), indent=1, allow_nan=False, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")
