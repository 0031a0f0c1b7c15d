"""Adjusted means, differences and tests of a fitted model, in one column vocabulary.

Every estimate is a linear function of the coefficients.  `Functions` holds some of them with
their labels; `contrasts` turns them into a table, with a family's simultaneous intervals on
request.

References
----------
Searle, S. R., Speed, F. M. & Milliken, G. A. (1980). Population marginal means in the linear
model. The American Statistician 34, 216-221.
Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scand. J. Statist. 6.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_choice
from silagetrial.mixed.frame import product_grid
from silagetrial.mixed.multivariate_t import adjusted_p, critical_value
from silagetrial.mixed.smallsample import Method

METHODS = ("kenward-roger", "satterthwaite")
VOCABULARY = (
    "term", "estimate", "std_error", "df", "statistic", "p_value",
    "conf_low", "conf_high", "unit", "scale",
)  # fmt: skip
"""Columns of every results table, in order."""


@dataclass(frozen=True)
class Functions:
    """Labelled linear functions of the coefficients.

    Attributes
    ----------
    labels : pandas.DataFrame
        One row a function: ``term`` and the levels it is about.
    rows : (r, columns) array
        Weights on all columns of the fixed part (`ModelFrame.columns`).
    """

    labels: pd.DataFrame
    rows: Floats

    def __len__(self) -> int:
        """Return the number of functions."""
        return len(self.rows)

    def where(self, keep: Bools) -> Functions:
        """Some of the functions."""
        return Functions(self.labels[keep].reset_index(drop=True), self.rows[keep])

    def differences(
        self,
        of: str,
        *,
        reference: str | None = None,
        families: Literal["reference", "all pairs"] = "reference",
    ) -> Functions:
        """Differences between the levels of one factor, within each combination of the others.

        Parameters
        ----------
        of : str
            The factor compared.
        reference : str, optional
            Level taken off the others; the first, when left out.
        families : {"reference", "all pairs"}
            Each level minus the reference, or each pair of levels (later minus earlier).
        """
        levels = list(dict.fromkeys(self.labels[of]))
        base = levels[0] if reference is None else reference
        if base not in levels:
            raise UsageError(
                found=f"no level {base!r} in {of}",
                expected="a reference among " + ", ".join(map(str, levels)),
                remedy="correct the reference",
            )
        if families == "all pairs":
            pairs = [(b, a) for a, b in itertools.combinations(levels, 2)]
        else:
            pairs = [(level, base) for level in levels if level != base]
        others = [c for c in self.labels.columns if c not in ("term", of)]
        labels, rows = [], []
        for pair in pairs:
            for _, group in self.labels.groupby(others, sort=False) if others else [((), None)]:
                within = self.labels if group is None else group
                at = {level: index for index, level in zip(within.index, within[of], strict=True)}
                if pair[0] in at and pair[1] in at:
                    same = within.iloc[0][others].to_dict()
                    labels.append({"term": f"{pair[0]} - {pair[1]}", **same})
                    rows.append(self.rows[at[pair[0]]] - self.rows[at[pair[1]]])
        return Functions(pd.DataFrame(labels), np.array(rows))

    def combine(
        self, over: str, weights: Mapping[str, float], *, term: str | None = None
    ) -> Functions:
        """Weighted sums over the levels of one factor, within each combination of the others.

        Parameters
        ----------
        over : str
            The factor summed over; levels without a weight count zero.
        weights : mapping
            Weight of each level.
        term : str, optional
            Label added in brackets to the functions' terms.
        """
        others = [c for c in self.labels.columns if c != over]
        labels, rows = [], []
        for key, group in self.labels.groupby(others, sort=False):
            label = dict(zip(others, key if isinstance(key, tuple) else (key,), strict=True))
            if term is not None:
                label["term"] = f"{label['term']} ({term})"
            w = np.array([weights.get(level, 0.0) for level in group[over]])
            labels.append(label)
            rows.append(w @ self.rows[group.index.to_numpy()])
        return Functions(pd.DataFrame(labels), np.array(rows))


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


def estimable(fit: Fit, rows: Floats) -> Bools:
    """Which functions the data can estimate: those that meet no dependent combination."""
    null = fit.frame.null
    if not null.shape[1]:
        return np.ones(len(rows), dtype=bool)
    size = np.abs(rows).max(axis=1)
    found: Bools = np.abs(rows @ null).max(axis=1) <= 1e-8 * np.maximum(size, 1e-300)
    return found


def _kept_rows(fit: Fit, rows: npt.ArrayLike) -> Floats:
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
    kept = _independent(_kept_rows(fit, rows))
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
    numbers = (
        test.den_df,
        test.statistic,
        test.p_value,
        test.scaling,
        test.a1,
        test.a2,
    )
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


def adjusted_mean_functions(
    fit: Fit, over: str | Sequence[str], *, at: Mapping[str, float] | None = None
) -> Functions:
    """Adjusted (least-squares) means as linear functions: equal weights on all other factors.

    Parameters
    ----------
    over : str or sequence of str
        Factors whose combinations get a mean.
    at : mapping, optional
        Values of numeric variables; their means in the data when left out.
    """
    frame = fit.frame
    over = [over] if isinstance(over, str) else list(over)
    unknown = [name for name in over if name not in frame.levels]
    if unknown:
        raise UsageError(
            found=f"no factor {', '.join(map(repr, unknown))} in {frame.formula!r}",
            expected="factors among " + ", ".join(frame.levels),
            remedy="correct the name, or add the factor to the formula",
        )
    strangers = [name for name in at or {} if name not in frame.numbers]
    if strangers:
        raise UsageError(
            found=f"no numeric variable {', '.join(map(repr, strangers))} in {frame.formula!r}",
            expected="values of " + (", ".join(frame.numbers) or "nothing: all are factors"),
            remedy="correct the name",
        )
    values: dict[str, Sequence[object]] = {name: frame.levels[name] for name in over}
    values.update({k: v for k, v in frame.levels.items() if k not in over})
    numbers = {name: float(values.mean()) for name, values in frame.numbers.items()}
    numbers.update(at or {})
    grid = product_grid(values).assign(**numbers)
    rows = frame.fixed_rows(grid)
    cells = product_grid({name: frame.levels[name] for name in over})
    averaged = rows.reshape(len(cells), -1, rows.shape[1]).mean(axis=1)
    term = cells.astype(str).agg(", ".join, axis=1) if len(over) else pd.Series(["mean"])
    return Functions(cells.assign(term=term)[["term", *over]], averaged)


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
    if not 0.0 < level < 1.0:
        raise UsageError(
            found=f"level={level!r}",
            expected="a share between 0 and 1",
            remedy="0.95 is 95 %",
        )
    functions = _labelled(functions, names)
    kept = _kept_rows(fit, functions.rows)
    estimate, kept = fit.linear(kept), kept @ fit.from_orthonormal
    at = fit.fits.evaluation
    if method == "kenward-roger":
        phi, w = fit.adjusted_phi, smallsample.theta_covariance(at)
    else:
        phi, w = at.phi[0], _observed(fit)
    covariance = kept @ phi @ kept.T * fit.scale**2
    error = np.sqrt(np.diag(covariance))
    if not (error > 0).all():
        raise NoAnswer(
            found="a contrast whose standard error is not above zero",
            expected="a contrast of estimable coefficients, not all weights zero",
            remedy="look at the weights, or use bound='zero'",
        )
    df = smallsample.contrast_df(at, kept, w)[0]
    statistic = estimate / error
    frame = functions.labels.assign(
        estimate=estimate,
        std_error=error,
        df=df,
        statistic=statistic,
        p_value=smallsample.t_tail(statistic, df),
        conf_low=estimate - smallsample.t_quantile(level, df) * error,
        conf_high=estimate + smallsample.t_quantile(level, df) * error,
    )
    notes: tuple[str, ...] = ()
    if family == "holm":
        frame = frame.assign(p_adjusted=holm(frame["p_value"].to_numpy()))
        notes = ("p adjusted by Holm's method.",)
    elif family == "simultaneous":
        correlation = covariance / np.outer(error, error)
        smallest = float(df.min())
        critical = critical_value(correlation, smallest, level=level).value
        frame = frame.assign(
            sim_low=estimate - critical * error,
            sim_high=estimate + critical * error,
            p_adjusted=adjusted_p(statistic, correlation, smallest),
        )
        notes = (
            f"Simultaneous {level:.0%} intervals and adjusted p: multivariate t, "
            f"{len(frame)} contrasts, {smallest:.1f} df (the smallest), critical value "
            f"{critical:.3f}.",
        )
    return Table(frame.assign(unit="", scale="model"), title="Contrasts", notes=notes)


def _labelled(functions: Functions | npt.ArrayLike, names: Sequence[str] | None) -> Functions:
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
