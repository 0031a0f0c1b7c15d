"""What an F test tests, written as contrasts of cell means."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.estimates import contrasts, f_test
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.frame import product_grid
from silagetrial.mixed.functions import Functions
from silagetrial.mixed.smallsample import Method

__all__ = ["hypothesis"]

SAME_SPACE = 1e-8
"""Relative size of what two sets of contrasts may differ by and still be the same hypothesis."""


def hypothesis(fit: Fit, term: str, *, method: Method = "kenward-roger") -> Table:
    """Contrasts that the F test of a term of the fixed part says are all zero.

    Parameters
    ----------
    fit : Fit
    term : str
        A term as in `term_tests`, such as ``"binding:opening"``.
    method : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    Table
        One row a contrast in the one vocabulary.  `term` is in words: ``net - film`` of adjusted
        means, ``(net - film) at 8 months - (net - film) at 1 month`` of an interaction, ``per 1
        days`` of a slope; where the fixed part allows no such words, weights on coefficients.
    """
    matrices = fit.frame.type_three()
    if term not in matrices:
        raise UsageError(
            found=f"no term {term!r} in {fit.frame.formula!r}",
            expected="one of " + ", ".join(matrices),
            remedy="correct the term",
        )
    functions = _in_words(fit, term)
    if functions is None or not _same_space(functions.rows, matrices[term]):
        functions = _coefficients(fit, matrices[term])
    test = f_test(fit, matrices[term], method=method)
    table = contrasts(fit, functions, method=method)
    note = (
        f"The F test of {term} says that all of these are zero: F({test.num_df}, "
        f"{test.den_df:.1f}) = {test.statistic:.3f}."
    )
    return Table(table.frame, title=f"What the F test of {term} tests", notes=(note,))


def _in_words(fit: Fit, term: str) -> Functions | None:
    """Differences of adjusted cell means; None where a function of a variable is in the term."""
    frame = fit.frame
    parts = term.split(":")
    if any(p not in frame.levels and p not in frame.numbers for p in parts):
        return None
    values: dict[str, list[object]] = {
        p: list(frame.levels[p]) if p in frame.levels else [0.0, 1.0] for p in parts
    }
    for name, levels in frame.levels.items():
        values.setdefault(name, list(levels))
    # Type III tests a term with the numbers outside of it at zero.
    others = {name: 0.0 for name in frame.numbers if name not in parts}
    with np.errstate(all="ignore"):
        grid = frame.fixed_rows(product_grid(values).assign(**others))
    if not np.isfinite(grid).all():
        return None
    shape = [len(values[p]) for p in parts]
    cells = grid.reshape(*shape, -1, grid.shape[1]).mean(axis=len(shape))
    steps = [range(1, size) for size in shape]
    terms, rows = [], []
    for chosen in itertools.product(*steps):
        at = cells
        for level in chosen:
            at = at[level] - at[0]
        rows.append(at)
        terms.append(_words(fit, parts, values, chosen))
    return Functions(pd.DataFrame({"term": terms}), np.array(rows))


def _words(
    fit: Fit, parts: list[str], values: dict[str, list[object]], chosen: tuple[int, ...]
) -> str:
    """``(net - film) at 8 months - (net - film) at 1 month``, ``per 1 days`` for slopes."""
    text = ""
    for part, level in zip(parts, chosen, strict=True):
        if part in fit.frame.numbers:
            continue
        new, old = values[part][level], values[part][0]
        text = f"({text}) at {new} - ({text}) at {old}" if text else f"{new} - {old}"
    slopes = " and ".join(f"1 {part}" for part in parts if part in fit.frame.numbers)
    if not slopes:
        return text
    return f"({text}) per {slopes}" if text else f"slope per {slopes}"


def _same_space(rows: Floats, others: Floats) -> bool:
    """Whether two sets of rows say the same when set to zero."""
    ranks = [np.linalg.matrix_rank(x, tol=SAME_SPACE * np.abs(x).max()) for x in (rows, others)]
    both = np.vstack([rows / np.abs(rows).max(), others / np.abs(others).max()])
    return bool(ranks[0] == ranks[1] == np.linalg.matrix_rank(both, tol=SAME_SPACE))


def _coefficients(fit: Fit, rows: Floats) -> Functions:
    """Weights on coefficients, spelled out."""
    terms = []
    for row in rows:
        parts = [
            f"{weight:+.4g} {name}"
            for weight, name in zip(row, fit.frame.columns, strict=True)
            if abs(weight) > SAME_SPACE * np.abs(row).max()
        ]
        terms.append(" ".join(parts))
    return Functions(pd.DataFrame({"term": terms}), rows)
