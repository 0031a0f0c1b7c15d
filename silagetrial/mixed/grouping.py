"""The random terms and the residual's structure, from the columns of a data frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import (
    Floats,
    Ints,
    RandomTerm,
    Residual,
    one_variance,
    random_term,
)
from silagetrial.mixed.formulas import inner_formula, required
from silagetrial.mixed.formulas import matrix as matrix_of

__all__ = ["columns_needed", "make_residual", "make_term", "random_intercept"]


def columns_needed(
    groupings: Sequence[tuple[str, str]],
    residual_by: str | None,
    serially: tuple[str, tuple[str, ...]] | None,
) -> list[str]:
    """Columns that random terms and the residual's structure need."""
    slopes = [v for _, inner in groupings for v in required(inner)]
    groups = [c for grouping, _ in groupings for c in grouping.split(":")]
    by = [] if residual_by is None else residual_by.split(":")
    within = [] if serially is None else [*serially[0].split(":"), *serially[1]]
    return [*groups, *slopes, *by, *within]


def _codes(rows: pd.DataFrame, grouping: str) -> tuple[Ints, tuple[str, ...]]:
    """Level of each row of a grouping by one or several columns, and the levels' labels."""
    names = grouping.split(":")
    labels = rows[names[0]].astype(str)
    for name in names[1:]:
        labels = labels + ":" + rows[name].astype(str)
    codes, levels = pd.factorize(labels.to_numpy(dtype=object), sort=True)
    return codes.astype(np.int64), tuple(str(level) for level in levels)


def make_residual(
    rows: pd.DataFrame,
    by: str | None,
    serially: tuple[str, tuple[str, ...]] | None,
    *,
    measurement_error: bool,
) -> Residual:
    """Arrange what is left within rows; refuse what no data could tell."""
    residual = one_variance(len(rows))
    if by is not None:
        groups, levels = _codes(rows, by)
        names = tuple(f"residual: {level}" for level in levels)
        residual = replace(residual, groups=groups, names=names)
    if serially is None and not measurement_error:
        return residual
    if serially is None:
        raise UsageError(
            found="measurement_error=True without a serial term",
            expected="a serial term beside which a separate error can be told",
            remedy="add serial={'bale': 'days'}, or leave measurement_error out",
        )
    unit, columns = serially
    codes, labels = _codes(rows, unit)
    places = _places(rows, columns)
    _check_places(codes, labels, places, serially, repeats=measurement_error)
    return replace(residual, unit=codes, coordinates=places, measurement_error=measurement_error)


def _check_places(
    codes: Ints,
    labels: Sequence[str],
    places: Floats,
    serially: tuple[str, tuple[str, ...]],
    *,
    repeats: bool,
) -> None:
    """Refuse two rows of a unit at one place, unless repeats can be told, or one place a unit."""
    unit, at = serially[0], ", ".join(serially[1])
    told = np.column_stack([codes, places])
    _, first, which, count = np.unique(
        told, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    twice = np.flatnonzero(count[which.ravel()] > 1)
    if len(twice) and not repeats:
        raise UsageError(
            found=f"{unit} {labels[codes[twice[0]]]} has two rows at the same {at}",
            expected="one row a time within each unit of serial correlation",
            remedy="average repeat results, or add measurement_error=True",
        )
    if len(first) == len(np.unique(codes)):
        raise UsageError(
            found=f"no {unit} with rows at two different {at}",
            expected="several times within units, over which correlation can fall",
            remedy="leave out the serial term, or correct its unit",
        )


def _places(rows: pd.DataFrame, columns: Sequence[str]) -> Floats:
    """Coordinates of serial correlation, (n, k)."""
    numeric = [pd.api.types.is_numeric_dtype(rows[name]) for name in columns]
    if not columns or not all(numeric):
        text = [name for name, is_number in zip(columns, numeric, strict=True) if not is_number]
        raise UsageError(
            found="serial correlation over "
            + (f"{', '.join(text)}, which is no number" if text else "no column of times"),
            expected="times in numbers, such as days in storage",
            remedy="compute days from dates, such as (date - first).dt.days",
        )
    places = rows[list(columns)].to_numpy(dtype=float)
    if not np.isfinite(places).all():
        raise UsageError(
            found=f"values of {', '.join(columns)} that are not finite",
            expected="finite times",
            remedy="look at the column for infinite values",
        )
    return places


def make_term(
    rows: pd.DataFrame, grouping: str, inner: str, bound: Literal["free", "zero"]
) -> RandomTerm:
    """Make the term of a grouping and its effects, such as ``"1"`` or ``"1 + days"``."""
    codes, levels = _codes(rows, grouping)
    columns: tuple[str, ...] = ("1",)
    z = np.ones((len(rows), 1))
    if inner != "1":
        matrix = matrix_of(inner_formula(inner), rows)
        z = np.asarray(matrix, dtype=float)
        columns = tuple(str(c).replace("Intercept", "1") for c in matrix.columns)
    name = grouping if inner == "1" else f"{grouping} ({inner})"
    return random_term(name, grouping, codes, levels, z, columns, bound=bound)


def random_intercept(rows: pd.DataFrame, grouping: str) -> RandomTerm:
    """Return the term of a column's levels (several columns joined by ``:``), free in sign."""
    return make_term(rows, grouping, "1", "free")
