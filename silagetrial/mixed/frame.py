"""From a data frame and a formula to plain arrays, and back to names.

The fixed part is a formula read by formulaic; random terms are given by the grouping
column's name.  Rows with a missing value in any column used are left out and counted.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import formulaic
import numpy as np
import pandas as pd
from formulaic.errors import FormulaicError

from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats, Ints, RandomTerm, random_term

Random: TypeAlias = Sequence[str | Mapping[str, str]]
"""Grouping columns (``"site"``, ``"site:binding"``), or ``{"bale": "1 + days"}``."""


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


def check_choice(what: str, given: object, choices: Sequence[str | None]) -> None:
    """Refuse an option that is none of its choices."""
    if given not in choices:
        raise UsageError(
            found=f"{what}={given!r}",
            expected=f"{what} among " + ", ".join(map(repr, choices)),
            remedy="correct the option",
        )


def model_frame(
    data: pd.DataFrame,
    formula: str,
    *,
    random: Random = (),
    bound: Literal["free", "zero"] = "free",
    levels: Mapping[str, Sequence[str]] | None = None,
) -> ModelFrame:
    """Read a formula and random terms against data.

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
    levels : mapping, optional
        Order of the levels of factors, the reference first; otherwise categories keep their
        order and texts are sorted.

    Raises
    ------
    UsageError
        A formula that cannot be read, columns that are not there, a response that is not a
        number, nothing left to fit.
    """
    parsed = _parse(formula)
    if isinstance(random, str | Mapping):
        raise UsageError(
            found=f"random={random!r}",
            expected="a list of terms, such as ['site', {'bale': '1 + days'}]",
            remedy="put the term into a list",
        )
    coded = re.search(r"\bC\(", formula)
    if coded is not None:
        raise UsageError(
            found=f"C(...) in the formula {formula!r}",
            expected="factors that are columns of text or categories",
            remedy="make the column text first: data.assign(days=data['days'].astype(str)); the "
            "order of levels goes into levels=",
        )
    groupings = [_read_random(item) for item in random]
    # A set in formulaic: sorted, so that no digit depends on the hash seed.
    needed = sorted(str(v) for v in parsed.required_variables)
    fixed = sorted(str(v) for v in parsed.rhs.required_variables)
    slopes = [v for _, inner in groupings for v in _required(inner)]
    groups = [c for grouping, _ in groupings for c in grouping.split(":")]
    used = list(dict.fromkeys([*needed, *groups, *slopes]))
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
    matrix = _matrix(parsed.rhs, typed)
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
        np.flatnonzero(keep),
        {int(i): ", ".join(missing.columns[missing.iloc[i]]) for i in np.flatnonzero(~keep)},
    )  # fmt: skip


def _parse(formula: str) -> formulaic.Formula:
    try:
        parsed = formulaic.Formula(formula)
    except (FormulaicError, SyntaxError) as error:
        raise UsageError(
            found=f"the formula {formula!r} ({_plain(error)})",
            expected="a formula such as 'y ~ binding * opening'",
            remedy="correct the formula",
        ) from error
    if not hasattr(parsed, "lhs"):
        raise UsageError(
            found=f"the formula {formula!r} names no response",
            expected="a formula with a response, such as 'y ~ binding * opening'",
            remedy="put the response and ~ in front of the fixed part",
        )
    return parsed


def _plain(error: Exception) -> str:
    """First line of another library's message, without its terminal colours."""
    return re.sub(r"\x1b\[[0-9;]*m", "", str(error)).split("\n")[0]


def _matrix(part: formulaic.Formula, rows: pd.DataFrame) -> formulaic.ModelMatrix:
    """Evaluate a part of a formula; what cannot be evaluated is a usage error."""
    try:
        with np.errstate(all="ignore"):  # values that are not finite are refused by name
            return part.get_model_matrix(rows, na_action="ignore")
    except (FormulaicError, SyntaxError, NameError, TypeError, ValueError) as error:
        raise UsageError(
            found=f"{part} cannot be evaluated ({_plain(error)})",
            expected="columns of the data and functions of them, such as log(days)",
            remedy="correct the formula",
        ) from error


def _read_random(item: str | Mapping[str, str]) -> tuple[str, str]:
    if isinstance(item, str):
        return item, "1"
    if len(item) != 1:
        raise UsageError(
            found=f"a random term with {len(item)} groupings: {dict(item)!r}",
            expected="one grouping a term, such as {'bale': '1 + days'}",
            remedy="give each grouping a term of its own",
        )
    return next(iter(item.items()))


def _required(inner: str) -> list[str]:
    return [] if inner == "1" else sorted(str(v) for v in _inner(inner).required_variables)


def _inner(inner: str) -> formulaic.Formula:
    try:
        return formulaic.Formula(inner)
    except (FormulaicError, SyntaxError) as error:
        raise UsageError(
            found=f"the random term {inner!r} ({_plain(error)})",
            expected="effects such as '1', '1 + days' or '0 + days'",
            remedy="correct the random term",
        ) from error


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
        matrix = np.asarray(_matrix(parsed.lhs, rows), dtype=float)
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


def _make_term(
    rows: pd.DataFrame, grouping: str, inner: str, bound: Literal["free", "zero"]
) -> RandomTerm:
    names = grouping.split(":")
    labels = rows[names[0]].astype(str)
    for name in names[1:]:
        labels = labels + ":" + rows[name].astype(str)
    codes, levels = pd.factorize(labels.to_numpy(dtype=object), sort=True)
    columns: tuple[str, ...] = ("1",)
    z = np.ones((len(rows), 1))
    if inner != "1":
        matrix = _matrix(_inner(inner), rows)
        z = np.asarray(matrix, dtype=float)
        columns = tuple(str(c).replace("Intercept", "1") for c in matrix.columns)
    name = grouping if inner == "1" else f"{grouping} ({inner})"
    return random_term(
        name, grouping, codes.astype(np.int64), tuple(levels), z, columns, bound=bound
    )


def _sum_coded(terms: formulaic.Formula, levels: Mapping[str, Sequence[str]]) -> str:
    """Rewrite a fixed part with every factor coded to sum to zero."""
    parts = []
    for term in terms:
        names = [str(f.expr) for f in term.factors]
        coded = [f"C(`{n}`, contr.sum)" if n in levels else n for n in names]
        parts.append(":".join(coded))
    return " + ".join(parts if "1" in parts else ["0", *parts])
