"""Estimates and tests of linear functions of a fit, in one column vocabulary.

`contrasts` turns `Functions` into a table, with a family's simultaneous intervals on request.

References
----------
Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scand. J. Statist. 6.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_choice, check_level
from silagetrial.mixed.functions import Functions, adjusted_mean_functions, estimable
from silagetrial.mixed.multivariate_t import adjusted_p, critical_value
from silagetrial.mixed.smallsample import Method

METHODS = ("kenward-roger", "satterthwaite")
VOCABULARY = (
    "term", "estimate", "std_error", "df", "statistic", "p_value",
    "conf_low", "conf_high", "unit", "scale",
)  # fmt: skip
"""Columns of every results table, in order."""


@dataclass(frozen=True)
class FTestResult:
    """One F test, as plain numbers; `scaling` is Kenward and Roger's lambda."""

    num_df: int
    den_df: float
    statistic: float
    p_value: float
    scaling: float
    a1: float
    a2: float


def coefficients(fit: Fit, *, method: Method = "kenward-roger", level: float = 0.95) -> Table:
    """Coefficients of the fixed part with their intervals and t tests.

    Returns
    -------
    Table
        One row a coefficient that could be estimated, in the one vocabulary.
    """
    rows = np.eye(len(fit.frame.columns))[fit.frame.kept]
    table = contrasts(fit, rows, names=fit.names, method=method, level=level)
    return replace(table, title="Coefficients of the fixed part")


def kept_rows(fit: Fit, rows: npt.ArrayLike) -> Floats:
    """Functions on the coefficients kept; refuse what cannot be estimated."""
    full = np.atleast_2d(np.asarray(rows, dtype=float))
    if full.shape[1] != len(fit.frame.columns):
        raise UsageError(
            found=f"contrasts with {full.shape[1]} weights",
            expected=f"{len(fit.frame.columns)} weights, one for each of "
            + ", ".join(fit.frame.columns),
            remedy="give each row one weight for every column of the fixed part",
        )
    good = estimable(fit, full)
    if not good.all():
        raise NoAnswer(
            found=f"{int((~good).sum())} of {len(full)} functions meet a combination of levels "
            "without data",
            expected="data in every combination of levels that is compared",
            remedy="leave out the empty combination, or the interaction that asks for it",
        )
    return full[:, fit.frame.kept]


def f_test(fit: Fit, rows: npt.ArrayLike, *, method: Method = "kenward-roger") -> FTestResult:
    """F test that linear functions of the coefficients are all zero.

    Parameters
    ----------
    fit : Fit
    rows : (q, columns) array
        Weights on the columns of the fixed part; dependent rows are dropped.
    method : {"kenward-roger", "satterthwaite"}

    Returns
    -------
    FTestResult
    """
    check_choice("method", method, METHODS)
    kept = _independent(kept_rows(fit, rows))
    if not len(kept):
        raise UsageError(
            found="no row with a weight that is not zero",
            expected="at least one contrast",
            remedy="look at the weights",
        )
    at, inside = fit.fits.evaluation, kept @ fit.from_orthonormal
    value = fit.linear(kept)[None] / fit.scale
    if method == "kenward-roger":
        test = smallsample.kenward_roger_f(at, inside, value)
    else:
        test = smallsample.satterthwaite_f(at, inside, value, _observed(fit))
    numbers = (test.den_df, test.statistic, test.p_value, test.scaling, test.a1, test.a2)
    return FTestResult(test.num_df, *(float(x[0]) for x in numbers))


def _independent(rows: Floats) -> Floats:
    kept: list[Floats] = []
    for row in rows:
        trial = np.array([*kept, row])
        singular = np.linalg.svd(trial, compute_uv=False)
        if len(singular) == len(trial) and singular[-1] > 1e-9 * max(singular[0], 1e-300):
            kept.append(row)
    return np.array(kept)


def _observed(fit: Fit) -> Floats:
    w = fit.fits.observed_covariance
    if not np.isfinite(w).all():
        raise NoAnswer(
            found="an observed information that is not positive definite",
            expected="a maximum inside the parameters' bounds",
            remedy="use method='kenward-roger', which needs the expected information only",
        )
    return w


def term_tests(fit: Fit, *, method: Method = "kenward-roger") -> Table:
    """F test of every term of the fixed part (type III: averaged with equal weights).

    Returns
    -------
    Table
        ``term num_df den_df statistic p_value``; a term that meets an empty combination of
        levels has no numbers and says why.
    """
    rows = []
    for term, hypothesis in fit.frame.type_three().items():
        try:
            test = f_test(fit, hypothesis, method=method)
        except NoAnswer as refusal:
            rows.append((term, np.nan, np.nan, np.nan, np.nan, refusal.found))
        else:
            rows.append((term, test.num_df, test.den_df, test.statistic, test.p_value, ""))
    columns = ["term", "num_df", "den_df", "statistic", "p_value", "remark"]
    frame = pd.DataFrame(rows, columns=columns)
    if not frame["remark"].any():
        frame = frame.drop(columns="remark")
    title = "Kenward-Roger" if method == "kenward-roger" else "Satterthwaite"
    return Table(frame, title=f"F tests of the fixed part ({title})")


def adjusted_means(
    fit: Fit,
    over: str | Sequence[str],
    *,
    at: Mapping[str, float] | None = None,
    method: Method = "kenward-roger",
    level: float = 0.95,
) -> Table:
    """Adjusted means with their intervals: equal weights on the levels of other factors.

    Raises
    ------
    NoAnswer
        A mean over an empty combination of levels.
    """
    table = contrasts(fit, adjusted_mean_functions(fit, over, at=at), method=method, level=level)
    return replace(table, title="Adjusted means")


def contrasts(
    fit: Fit,
    functions: Functions | npt.ArrayLike,
    *,
    names: Sequence[str] | None = None,
    method: Method = "kenward-roger",
    family: Literal["simultaneous", "holm"] | None = None,
    level: float = 0.95,
) -> Table:
    """Estimates, intervals and t tests of linear functions of the coefficients.

    Parameters
    ----------
    fit : Fit
    functions : Functions or (r, columns) array
    names : sequence of str, optional
        Terms, when plain weights are given.
    method : {"kenward-roger", "satterthwaite"}
    family : {"simultaneous", "holm"}, optional
        ``"simultaneous"`` adds ``sim_low sim_high p_adjusted`` from the multivariate t at the
        family's smallest degrees of freedom; ``"holm"`` adds ``p_adjusted``.
    level : float
        Confidence level.

    Returns
    -------
    Table
        Labels and ``estimate std_error df statistic p_value conf_low conf_high``.
    """
    check_choice("method", method, METHODS)
    check_choice("family", family, (None, "simultaneous", "holm"))
    check_level(level)
    functions = labelled(functions, names)
    kept = kept_rows(fit, functions.rows)
    estimate, kept = fit.linear(kept), kept @ fit.from_orthonormal
    at = fit.fits.evaluation
    if method == "kenward-roger":
        phi, w = fit.adjusted_phi, smallsample.theta_covariance(at)
    else:
        phi, w = at.phi[0], _observed(fit)
    covariance = kept @ phi @ kept.T * fit.scale**2
    if not (np.diag(covariance) > 0).all():
        raise NoAnswer(
            found="a contrast whose standard error is not above zero",
            expected="a contrast of estimable coefficients, not all weights zero",
            remedy="look at the weights, or use bound='zero'",
        )
    df = smallsample.contrast_df(at, kept, w)[0]
    numbers = _intervals(estimate, np.sqrt(np.diag(covariance)), df, level)
    frame = functions.labels.assign(**numbers)
    notes: tuple[str, ...] = ()
    if family is not None:
        more, notes = _family(numbers, covariance, family, level)
        frame = frame.assign(**more)
    return Table(frame.assign(unit="", scale="model"), title="Contrasts", notes=notes)


def _intervals(estimate: Floats, error: Floats, df: Floats, level: float) -> dict[str, Floats]:
    """Estimates with their t tests and intervals, by column."""
    statistic, half = estimate / error, smallsample.t_quantile(level, df) * error
    return {
        "estimate": estimate,
        "std_error": error,
        "df": df,
        "statistic": statistic,
        "p_value": smallsample.t_tail(statistic, df),
        "conf_low": estimate - half,
        "conf_high": estimate + half,
    }


def _family(
    numbers: Mapping[str, Floats],
    covariance: Floats,
    family: Literal["simultaneous", "holm"],
    level: float,
) -> tuple[dict[str, Floats], tuple[str, ...]]:
    """Columns of all contrasts taken together, and how they were made."""
    if family == "holm":
        return {"p_adjusted": holm(numbers["p_value"])}, ("p adjusted by Holm's method.",)
    estimate, error, smallest = numbers["estimate"], numbers["std_error"], numbers["df"].min()
    correlation = covariance / np.outer(error, error)
    critical = critical_value(correlation, float(smallest), level=level).value
    columns = {
        "sim_low": estimate - critical * error,
        "sim_high": estimate + critical * error,
        "p_adjusted": adjusted_p(numbers["statistic"], correlation, float(smallest)),
    }
    return columns, (
        f"Simultaneous {100 * level:.3g} % intervals and adjusted p: multivariate t, "
        f"{len(estimate)} contrasts, {smallest:.1f} df (the smallest), critical value "
        f"{critical:.3f}.",
    )


def labelled(functions: Functions | npt.ArrayLike, names: Sequence[str] | None) -> Functions:
    """Name plain weights; `Functions` have their labels."""
    if isinstance(functions, Functions):
        return functions
    rows = np.atleast_2d(np.asarray(functions, dtype=float))
    terms = [f"contrast {i + 1}" for i in range(len(rows))] if names is None else list(names)
    if len(terms) != len(rows):
        raise UsageError(
            found=f"{len(terms)} names for {len(rows)} contrasts",
            expected="one name a contrast",
            remedy="correct the names, or leave them out",
        )
    return Functions(pd.DataFrame({"term": terms}), rows)


def holm(p_values: Floats) -> Floats:
    """Holm's adjusted p values."""
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    steps = np.arange(len(p), 0, -1)
    adjusted = np.minimum(np.maximum.accumulate(steps * p[order]), 1.0)
    out = np.empty_like(p)
    out[order] = adjusted
    return out
