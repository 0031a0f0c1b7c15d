"""A second opinion on each fit: statsmodels' MixedLM, or OLS where nothing is random."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse.csgraph import connected_components
from statsmodels.regression.linear_model import GLS, OLS
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.mixed import Fit, Functions
from silagetrial.mixed.covariance import Floats, Ints

__all__ = ["Witness", "independent_groups", "statsmodels_witness"]

AGREES_LOGLIK = 1e-4
AGREES_SE = 1e-3
"""Agreement looked for: its optimiser stops earlier than ours."""
MOST_GROUPS = 4
"""Groups of independent rows that statsmodels is given."""


@dataclass(frozen=True)
class Witness:
    """What statsmodels found beside what we found, variances held at zero or above in both.

    Attributes
    ----------
    table : pandas.DataFrame
        ``term quantity ours theirs digits`` for the log-likelihood, estimates and model-based
        standard errors.
    agrees : bool
        Log-likelihood within 1e-4; estimates and standard errors within 1e-3 of a standard
        error.
    remark : str
        Why the two differ, or what statsmodels warned of.
    """

    table: pd.DataFrame
    agrees: bool
    remark: str


def statsmodels_witness(bounded: Fit, functions: Functions) -> Witness:
    """Fit the same model by statsmodels and compare.

    Parameters
    ----------
    bounded : Fit
        Fitted with ``bound="zero"``: statsmodels knows no negative variances.
    functions : Functions
        Contrasts compared.
    """
    result, said = _fit(bounded) if bounded.frame.terms else _least_squares(bounded)
    kept = bounded.frame.kept
    rows = functions.rows[:, kept]
    ours = [bounded.loglik, *(rows @ bounded.beta), *_errors(rows, bounded.covariance)]
    theirs = [result.loglik, *(rows @ result.beta), *_errors(rows, result.covariance)]
    terms = [_label(row) for _, row in functions.labels.iterrows()]
    frame = pd.DataFrame(
        {
            "term": ["model", *terms, *terms],
            "quantity": ["log-likelihood", *["estimate"] * len(terms), *["std_error"] * len(terms)],
            "ours": ours,
            "theirs": theirs,
        }
    )
    frame["digits"] = [_digits(a, b) for a, b in zip(ours, theirs, strict=True)]
    close = np.abs(np.array(theirs) - np.array(ours))
    error = np.tile(ours[1 + len(terms) :], 2)
    agrees = bool(close[0] <= AGREES_LOGLIK and (close[1:] <= AGREES_SE * error).all())
    return Witness(frame, agrees, _remark(bounded, frame, said, agrees=agrees))


def _label(row: pd.Series[str]) -> str:
    return ", ".join(str(value) for value in row)


def _errors(rows: Floats, covariance: Floats) -> Floats:
    errors: Floats = np.sqrt(np.einsum("ra,ab,rb->r", rows, covariance, rows))
    return errors


def _digits(a: float, b: float) -> float:
    """Digits to which two numbers agree; 15 when nothing parts them."""
    if a == b:
        return 15.0
    if not np.isfinite(a - b):
        return 0.0
    size = max(abs(a), abs(b))
    return float(np.clip(-np.log10(abs(a - b) / size), 0.0, 15.0))


@dataclass(frozen=True)
class _Theirs:
    loglik: float
    beta: Floats
    covariance: Floats


def _least_squares(fit: Fit) -> tuple[_Theirs, tuple[str, ...]]:
    """Without random terms: ordinary least squares, its likelihood made restricted.

    ``l_R = l_ML at s2 = RSS / (n - p), less the (log|X'X / s2| - p log 2 pi) / 2`` of the
    coefficients integrated out.
    """
    result = OLS(fit.frame.y, fit.frame.x).fit()
    n, p = fit.frame.x.shape
    variance = float(result.mse_resid)
    log_det = float(np.linalg.slogdet(fit.frame.x.T @ fit.frame.x)[1]) - p * np.log(variance)
    loglik = -0.5 * ((n - p) * np.log(2 * np.pi) + n * np.log(variance) + log_det + n - p)
    covariance = np.asarray(result.cov_params(), dtype=float)
    return _Theirs(loglik, np.asarray(result.params, dtype=float), covariance), ()


def _fit(fit: Fit) -> tuple[_Theirs, tuple[str, ...]]:
    """Every grouping as a variance component of its own, rows apart in independent groups."""
    groups = independent_groups(fit)
    apart = [np.flatnonzero(groups == group) for group in range(groups.max() + 1)]
    names, columns, matrices = [], [], []
    for term in fit.frame.terms:
        levels = [np.unique(term.codes[rows]) for rows in apart]
        names.append(term.name)
        columns.append([[term.levels[code] for code in own] for own in levels])
        matrices.append([
            (term.codes[rows][:, None] == own).astype(float)
            for rows, own in zip(apart, levels, strict=True)
        ])  # fmt: skip
    model = MixedLM(
        fit.frame.y,
        fit.frame.x,
        groups=groups,
        exog_vc=VCSpec(names, columns, matrices),
        exog_re=None,
    )
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            # Powell's method comes near, also at a bound, and stops early; BFGS goes on from there.
            first = model.fit(reml=True, method="powell")
            second = model.fit(reml=True, method="bfgs", start_params=first.params_object)
            result = second if second.llf >= first.llf else first
            beta = np.asarray(result.fe_params, dtype=float)
            found = _Theirs(float(result.llf), beta, _gls(fit, result.vcomp, result.scale))
        except np.linalg.LinAlgError as error:
            # Its optimiser can walk into a covariance matrix that it cannot solve with.
            p = fit.frame.x.shape[1]
            found = _Theirs(np.nan, np.full(p, np.nan), np.full((p, p), np.nan))
            warnings.warn(say("beside.no_fit_why", why=error), stacklevel=1)
    return found, tuple(dict.fromkeys(str(w.message) for w in caught))


def independent_groups(fit: Fit) -> Ints:
    """Group of each row: rows that no chain of common levels joins are independent.

    statsmodels works with one covariance matrix a group: a few groups in the place of one make it
    two to three times as fast with many terms; very many cost more than they save.
    """
    z = fit.sparse_z()
    count, chain = connected_components(z @ z.T, directed=False)
    groups = min(count, MOST_GROUPS)
    return np.asarray(chain.astype(np.int64) * groups // count)


def _gls(fit: Fit, variances: Floats, residual: float) -> Floats:
    """``(X'V^-1 X)^-1`` by statsmodels' GLS at its own variances.

    Its mixed model inverts the whole observed Hessian instead, with the coefficients' and
    variances' cross terms: up to a tenth off where values are missing.
    """
    v = residual * np.eye(len(fit.frame.y))
    for variance, term in zip(variances, fit.frame.terms, strict=True):
        v += variance * (term.codes[:, None] == term.codes)
    model = GLS(fit.frame.y, fit.frame.x, sigma=v)
    return np.asarray(model.fit().normalized_cov_params, dtype=float)


def _remark(fit: Fit, frame: pd.DataFrame, said: tuple[str, ...], *, agrees: bool) -> str:
    parts = []
    theirs = float(frame["theirs"].iloc[0])
    if not np.isfinite(theirs):
        parts.append(say("beside.no_fit"))
    elif not agrees:
        higher = fit.loglik >= theirs
        parts.append(say("beside.higher" if higher else "beside.lower"))
    if fit.at_bound.any():
        at = [p.name for p, b in zip(fit.parameters, fit.at_bound, strict=True) if b]
        parts.append(say("beside.both_zero", names=joined(at)))
    if said:
        parts.append(say("beside.warned", warnings=joined(said, last="semicolon")))
    return " ".join(parts)
