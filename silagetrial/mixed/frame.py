"""From a data frame and a formula to plain arrays, and back to names.

The fixed part is a formula read by formulaic; random terms are given by the grouping
column's name.  Rows with a missing value in any column used are left out and counted.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import formulaic
import numpy as np
import pandas as pd

from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats, Ints, RandomTerm, Residual
from silagetrial.mixed.formulas import (
    Random,
    Serial,
    parse,
    read_random,
    read_serial,
)
from silagetrial.mixed.formulas import matrix as matrix_of
from silagetrial.mixed.grouping import columns_needed, make_residual, make_term


@dataclass(frozen=True)
class ModelFrame:
    """The arrays of one model and the names that belong to them.

    Attributes
    ----------
    formula : str
    y : (n,) array
    x : (n, p) array
        The columns of the fixed part that are kept, of full rank.
    columns : tuple of str
        Names of all columns of the fixed part.
    kept : (p,) int array
        Which of them `x` holds; the others depend on columns before them.
    null : (all columns, dependent) array
        Basis of the combinations of coefficients that the data say nothing about.
    spec : formulaic.ModelSpec
        Makes the fixed part's matrix for other rows.
    levels : dict of str to tuple of str
        Factors of the fixed part and their levels.
    numbers : dict of str to array
        Numeric variables of the fixed part and their values, (n,).
    terms : tuple of RandomTerm
    residual : Residual
    rows : (n,) int array
        Positions in the data of the rows used.
    dropped : dict of int to str
        Positions of rows left out, with the columns that are missing there.
    """

    formula: str
    y: Floats
    x: Floats
    columns: tuple[str, ...]
    kept: Ints
    null: Floats
    spec: formulaic.ModelSpec
    levels: dict[str, tuple[str, ...]]
    numbers: dict[str, Floats]
    terms: tuple[RandomTerm, ...]
    residual: Residual
    rows: Ints
    dropped: dict[int, str]

    def fixed_rows(self, grid: pd.DataFrame) -> Floats:
        """All columns of the fixed part for other rows, (len(grid), all columns)."""
        typed = _with_levels(grid, self.levels)
        return np.asarray(self.spec.get_model_matrix(typed), dtype=float)

    def type_three(self) -> dict[str, Floats]:
        """Hypothesis matrix of each fixed term, (rows, all columns).

        The term's coefficients are zero when every factor is coded to sum to zero, so that
        a main effect is averaged with equal weight over the other factors' levels.
        """
        grid = self._full_grid()
        treatment = self.fixed_rows(grid)
        coded = formulaic.Formula(_sum_coded(self.spec.formula, self.levels))
        sums = coded.get_model_matrix(_with_levels(grid, self.levels))
        change = np.linalg.lstsq(np.asarray(sums, dtype=float), treatment, rcond=None)[0]
        slices = list(sums.model_spec.term_slices.values())
        return {
            str(term): change[where]
            for term, where in zip(self.spec.formula, slices, strict=True)
            if str(term) != "1"
        }

    def _full_grid(self) -> pd.DataFrame:
        """Every combination of levels, with values of numbers that span their functions."""
        values: dict[str, Sequence[object]] = dict(self.levels)
        for name, each in self.numbers.items():
            found = np.unique(each)
            spread = np.linspace(0, len(found) - 1, min(len(found), GRID)).astype(int)
            values[name] = list(found[spread])
        return product_grid(values)


GRID = 6
"""Values of a numeric variable in the grid that turns one coding of the fixed part into another:
one more than the coefficients of any function of it that a formula is likely to hold."""


def product_grid(values: Mapping[str, Sequence[object]]) -> pd.DataFrame:
    """Every combination of values, the last name changing fastest."""
    combinations = list(itertools.product(*values.values()))
    return pd.DataFrame(combinations, columns=list(values))


def model_frame(
    data: pd.DataFrame,
    formula: str,
    *,
    random: Random = (),
    bound: Literal["free", "zero"] = "free",
    residual_by: str | None = None,
    serial: Serial | None = None,
    measurement_error: bool = False,
    levels: Mapping[str, Sequence[str]] | None = None,
) -> ModelFrame:
    """Read a formula, random terms and the residual's structure against data.

    Parameters
    ----------
    data : pandas.DataFrame
    formula, random, bound, residual_by, serial, measurement_error, levels
        As in `silagetrial.mixed.fit_mixed`.

    Raises
    ------
    UsageError
        A formula that cannot be read, columns that are not there, a response that is not a
        number, nothing left to fit.
    """
    parsed, groupings, serially = parse(formula), read_random(random), read_serial(serial)
    # A set in formulaic: sorted, so that no digit depends on the hash seed.
    needed = sorted(str(v) for v in parsed.required_variables)
    rows, missing = _complete(data, [*needed, *columns_needed(groupings, residual_by, serially)])
    typed = _with_levels(rows, _factor_levels(rows, needed, levels or {}))
    y = _response(parsed, typed)
    matrix = matrix_of(parsed.rhs, typed)
    x_all = np.asarray(matrix, dtype=float)
    if not np.isfinite(x_all).all():
        raise UsageError(
            found="values in the fixed part that are not finite",
            expected="finite numbers",
            remedy="look at the covariates for infinite values, or a logarithm of zero",
        )
    kept, null = _full_rank(x_all)
    factors, numbers = _variables(parsed, typed)
    lost = missing.to_numpy().any(axis=1)
    return ModelFrame(
        formula, y, x_all[:, kept],
        tuple(str(c).replace("[T.", "[") for c in matrix.columns), kept, null,
        matrix.model_spec, factors, numbers,
        tuple(make_term(typed, g, inner, bound) for g, inner in groupings),
        make_residual(typed, residual_by, serially, measurement_error=measurement_error),
        np.flatnonzero(~lost),
        {int(i): ", ".join(missing.columns[missing.iloc[i]]) for i in np.flatnonzero(lost)},
    )  # fmt: skip


def _complete(data: pd.DataFrame, names: Sequence[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows with a value in every column used, those columns only, and where values are missing."""
    used = list(dict.fromkeys(names))
    _check_columns(data, used)
    missing = data[used].isna()
    keep = np.logical_not(missing.to_numpy().any(axis=1))
    if not keep.any():
        raise UsageError(
            found=f"no row has values in all of {', '.join(used)}",
            expected="complete rows",
            remedy="look at the columns for missing values",
        )
    return data[used].loc[keep].reset_index(drop=True), missing


def _variables(
    parsed: formulaic.Formula, typed: pd.DataFrame
) -> tuple[dict[str, tuple[str, ...]], dict[str, Floats]]:
    """Factors of the fixed part with their levels, and its numbers with their values."""
    factors, numbers = {}, {}
    for name in sorted(str(v) for v in parsed.rhs.required_variables):
        column = typed[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            factors[name] = tuple(str(c) for c in column.cat.categories)
        else:
            numbers[name] = column.to_numpy(dtype=float)
    return factors, numbers


def _check_columns(data: pd.DataFrame, used: Sequence[str]) -> None:
    absent = [name for name in used if name not in data.columns]
    if absent:
        raise UsageError(
            found=f"no column {', '.join(map(repr, absent))} in the data",
            expected="columns among " + ", ".join(map(str, data.columns)),
            remedy="correct the name in the formula or the random terms",
        )


def _factor_levels(
    rows: pd.DataFrame, needed: Sequence[str], given: Mapping[str, Sequence[str]]
) -> dict[str, tuple[str, ...]]:
    """Levels present, in the order asked for, of every variable that is not a number."""
    out: dict[str, tuple[str, ...]] = {}
    for name in needed:
        column = rows[name]
        number = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if number and name not in given:
            continue
        present = set(column.astype(str))
        if name in given:
            order = [str(level) for level in given[name]]
        elif isinstance(column.dtype, pd.CategoricalDtype):
            order = [str(level) for level in column.cat.categories]
        else:
            order = sorted(present)
        unknown = sorted(present - set(order))
        if unknown:
            raise UsageError(
                found=f"{name} has the level {', '.join(map(repr, unknown))}",
                expected="levels among " + ", ".join(map(repr, order)),
                remedy=f"add the level to levels[{name!r}] or correct the data",
            )
        out[name] = tuple(level for level in order if level in present)
    return out


def _with_levels(rows: pd.DataFrame, levels: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    typed = {
        name: pd.Categorical(rows[name].astype(str), categories=list(order))
        for name, order in levels.items()
        if name in rows
    }
    return rows.assign(**typed)


def _response(parsed: formulaic.Formula, rows: pd.DataFrame) -> Floats:
    name = str(parsed.lhs)
    if name in rows and pd.api.types.is_numeric_dtype(rows[name]):
        matrix = rows[[name]].to_numpy(dtype=float)  # half of formulaic's time for a plain column
    else:
        matrix = np.asarray(matrix_of(parsed.lhs, rows), dtype=float)
    if matrix.shape[1] != 1:
        raise UsageError(
            found=f"the response {parsed.lhs} is not one number a row",
            expected="a numeric response",
            remedy="give a column of numbers on the left of ~",
        )
    y = matrix[:, 0]
    if not np.isfinite(y).all():
        raise UsageError(
            found=f"{int((~np.isfinite(y)).sum())} values of {parsed.lhs} are not finite",
            expected="finite numbers",
            remedy="replace zeros before a logarithm (values below a limit), or drop the rows",
        )
    return y


def _full_rank(x: Floats) -> tuple[Ints, Floats]:
    """Columns that do not depend on columns before them, and the null space of X."""
    norm = np.linalg.norm(x, axis=0)
    kept: list[int] = []
    basis = np.zeros((len(x), 0))
    for j in range(x.shape[1]):
        rest = x[:, j] - basis @ (basis.T @ x[:, j])
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > 1e-9 * norm[j]:
            kept.append(j)
            basis = np.column_stack([basis, rest / size])
    aliased = [j for j in range(x.shape[1]) if j not in kept]
    null = np.zeros((x.shape[1], len(aliased)))
    if aliased:
        null[kept] = -np.linalg.lstsq(x[:, kept], x[:, aliased], rcond=None)[0]
        null[aliased, np.arange(len(aliased))] = 1.0
    return np.array(kept, dtype=np.int64), null


def _sum_coded(terms: formulaic.Formula, levels: Mapping[str, Sequence[str]]) -> str:
    """Rewrite a fixed part with every factor coded to sum to zero."""
    parts = []
    for term in terms:
        names = [str(f.expr) for f in term.factors]
        coded = [f"C(`{n}`, contr.sum)" if n in levels else n for n in names]
        parts.append(":".join(coded))
    return " + ".join(parts if "1" in parts else ["0", *parts])
