"""From a data frame and a formula to plain arrays, and back to names.

The fixed part is a formula read by formulaic; random terms are given by the grouping
column's name.  Rows with a missing value in any column used are left out and counted.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import formulaic
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
from silagetrial.mixed.formulas import (
    Random,
    Serial,
    inner_formula,
    parse,
    read_random,
    read_serial,
    required,
)
from silagetrial.mixed.formulas import matrix as matrix_of


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
    formula : str
        Response and fixed part, such as ``"log(butyric_acid) ~ binding * opening"``.
    random : sequence
        Grouping columns (``"pair"``; several joined by ``:`` make one grouping), or mappings
        such as ``{"bale": "1 + days"}`` for correlated effects and ``{"bale": "0 + days"}``
        for a slope alone.
    bound : {"free", "zero"}
        Whether the variances of intercepts may be negative.
    residual_by : str, optional
        Column (or columns joined by ``:``) whose levels have residual variances of their own.
    serial : mapping, optional
        Serial correlation ``exp(-distance / range)`` within a unit: ``{"bale": "days"}``.
    measurement_error : bool
        Beside serial correlation, a variance without it.
    levels : mapping, optional
        Order of the levels of factors, the reference first; otherwise categories keep their
        order and texts are sorted.

    Raises
    ------
    UsageError
        A formula that cannot be read, columns that are not there, a response that is not a
        number, nothing left to fit.
    """
    parsed = parse(formula)
    groupings = read_random(random)
    serially = read_serial(serial)
    # A set in formulaic: sorted, so that no digit depends on the hash seed.
    needed = sorted(str(v) for v in parsed.required_variables)
    fixed = sorted(str(v) for v in parsed.rhs.required_variables)
    slopes = [v for _, inner in groupings for v in required(inner)]
    groups = [c for grouping, _ in groupings for c in grouping.split(":")]
    by = [] if residual_by is None else residual_by.split(":")
    within = [] if serially is None else [*serially[0].split(":"), *serially[1]]
    used = list(dict.fromkeys([*needed, *groups, *slopes, *by, *within]))
    _check_columns(data, used)
    missing = data[used].isna()
    keep = ~missing.any(axis=1).to_numpy()
    if not keep.any():
        raise UsageError(
            found=f"no row has values in all of {', '.join(used)}",
            expected="complete rows",
            remedy="look at the columns for missing values",
        )
    rows = data[used].loc[keep].reset_index(drop=True)
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
    factors = {
        name: tuple(str(c) for c in typed[name].cat.categories)
        for name in fixed
        if isinstance(typed[name].dtype, pd.CategoricalDtype)
    }
    numbers = {name: typed[name].to_numpy(dtype=float) for name in fixed if name not in factors}
    return ModelFrame(
        formula, y, x_all[:, kept],
        tuple(str(c).replace("[T.", "[") for c in matrix.columns), kept, null,
        matrix.model_spec, factors, numbers,
        tuple(_make_term(typed, g, inner, bound) for g, inner in groupings),
        _make_residual(typed, residual_by, serially, measurement_error=measurement_error),
        np.flatnonzero(keep),
        {int(i): ", ".join(missing.columns[missing.iloc[i]]) for i in np.flatnonzero(~keep)},
    )  # fmt: skip


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


def _codes(rows: pd.DataFrame, grouping: str) -> tuple[Ints, tuple[str, ...]]:
    """Level of each row of a grouping by one or several columns, and the levels' labels."""
    names = grouping.split(":")
    labels = rows[names[0]].astype(str)
    for name in names[1:]:
        labels = labels + ":" + rows[name].astype(str)
    codes, levels = pd.factorize(labels.to_numpy(dtype=object), sort=True)
    return codes.astype(np.int64), tuple(str(level) for level in levels)


def _make_residual(
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
    if serially is None:
        if measurement_error:
            raise UsageError(
                found="measurement_error=True without a serial term",
                expected="a serial term beside which a separate error can be told",
                remedy="add serial={'bale': 'days'}, or leave measurement_error out",
            )
        return residual
    unit, columns = serially
    codes, labels = _codes(rows, unit)
    places = _places(rows, columns)
    located = pd.DataFrame(places).assign(unit=codes)
    twice = located.duplicated(keep=False).to_numpy()
    if twice.any() and not measurement_error:
        raise UsageError(
            found=f"{unit} {labels[codes[twice][0]]} has two rows at the same {', '.join(columns)}",
            expected="one row a time within each unit of serial correlation",
            remedy="average repeat results, or add measurement_error=True",
        )
    if located.drop_duplicates()["unit"].is_unique:
        raise UsageError(
            found=f"no {unit} with rows at two different {', '.join(columns)}",
            expected="several times within units, over which correlation can fall",
            remedy="leave out the serial term, or correct its unit",
        )
    return replace(residual, unit=codes, coordinates=places, measurement_error=measurement_error)


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


def _make_term(
    rows: pd.DataFrame, grouping: str, inner: str, bound: Literal["free", "zero"]
) -> RandomTerm:
    codes, levels = _codes(rows, grouping)
    columns: tuple[str, ...] = ("1",)
    z = np.ones((len(rows), 1))
    if inner != "1":
        matrix = matrix_of(inner_formula(inner), rows)
        z = np.asarray(matrix, dtype=float)
        columns = tuple(str(c).replace("Intercept", "1") for c in matrix.columns)
    name = grouping if inner == "1" else f"{grouping} ({inner})"
    return random_term(name, grouping, codes, levels, z, columns, bound=bound)


def _sum_coded(terms: formulaic.Formula, levels: Mapping[str, Sequence[str]]) -> str:
    """Rewrite a fixed part with every factor coded to sum to zero."""
    parts = []
    for term in terms:
        names = [str(f.expr) for f in term.factors]
        coded = [f"C(`{n}`, contr.sum)" if n in levels else n for n in names]
        parts.append(":".join(coded))
    return " + ".join(parts if "1" in parts else ["0", *parts])
