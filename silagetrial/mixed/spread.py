"""How the residual spread of groups differs: ratios of standard deviations with intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_level

__all__ = ["sd_ratios"]


def sd_ratios(fit: Fit, *, level: float = 0.95) -> Table:
    """Ratio of each group's residual SD to the first group's, with an F-based interval.

    Parameters
    ----------
    fit : Fit
        A fit with ``residual_by``.
    level : float
        Confidence level.

    Returns
    -------
    Table
        One row a group after the first: ``term estimate std_error df df_reference statistic
        p_value conf_low conf_high unit scale``.  `estimate` is the ratio of SDs, `std_error`
        its delta-method standard error, `statistic` the ratio of variances F with `df` and
        `df_reference` degrees of freedom, `p_value` two-sided for equal variances.

    Raises
    ------
    UsageError
        A fit with one residual variance, or a level that is no share.

    Notes
    -----
    A variance s2 with ``var(s2)`` from the expected information counts as one on
    ``2 s2^2 / var(s2)`` degrees of freedom (Satterthwaite).  For independent samples these are
    exactly n - 1 and the interval is the classical one of two variances; beside random effects
    or serial correlation it leaves out the (small) covariance of the two estimates.  A profile of
    the ratio would be referred to the chi-square law, which is too narrow for few degrees of
    freedom even there.

    References
    ----------
    Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance
    components. Biometrics Bulletin 2, 110-114.
    Snedecor, G. W. & Cochran, W. G. (1989). Statistical Methods, 8th ed., section 6.13.
    """
    check_level(level)
    names = fit.frame.residual.names
    if len(names) < 2:
        raise UsageError(
            found="a fit with one residual variance",
            expected="residual variances by group",
            remedy="give residual_by='binding' (or another column) to fit_mixed",
        )
    start = next(i for i, p in enumerate(fit.parameters) if p.term == "residual")
    own = slice(start, start + len(names))
    variance, covariance = fit.theta[own], fit.theta_covariance[own, own]
    df = 2.0 * variance**2 / np.diag(covariance)
    f = variance[1:] / variance[0]
    frame = pd.DataFrame(
        {
            "term": [f"{_group(name)} / {_group(names[0])}" for name in names[1:]],
            "estimate": np.sqrt(f),
            "std_error": _errors(variance, covariance),
            "df": df[1:],
            "df_reference": df[0],
            "statistic": f,
            "p_value": _two_sided(f, df[1:], df[0]),
            "conf_low": np.sqrt(f / _upper(level, df[1:], df[0])),
            "conf_high": np.sqrt(f * _upper(level, np.full_like(f, df[0]), df[1:])),
            "unit": "",
            "scale": "ratio",
        }
    )
    notes = (f"{100 * level:g} % intervals from the F distribution of the ratio of the variances.",)
    return Table(frame, title="Ratios of residual standard deviations", notes=notes)


def _group(name: str) -> str:
    return name.removeprefix("residual: ")


def _errors(variance: Floats, covariance: Floats) -> Floats:
    """Delta method: ``sd(log ratio of variances) / 2`` times the ratio of SDs."""
    relative = covariance / np.outer(variance, variance)
    spread = np.diag(relative)[1:] + relative[0, 0] - 2.0 * relative[0, 1:]
    return np.asarray(np.sqrt(variance[1:] / variance[0]) * np.sqrt(spread) / 2.0)


def _upper(level: float, num: Floats, den: Floats | float) -> Floats:
    """Upper ``(1 - level) / 2`` point of F; F = (d2 / d1) b / (1 - b), b of the beta law."""
    b = special.betainccinv(num / 2.0, np.asarray(den) / 2.0, (1.0 - level) / 2.0)
    return np.asarray(np.asarray(den) / num * b / (1.0 - b))


def _two_sided(f: Floats, num: Floats, den: float) -> Floats:
    above = special.fdtrc(num, den, f)
    return np.asarray(np.minimum(2.0 * np.minimum(above, special.fdtr(num, den, f)), 1.0))
