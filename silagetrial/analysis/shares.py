r"""Share of bales over a limit: from the model, and as counts.

The model says that a bale's value (its logarithm) is normal around the adjusted mean, with the sum
of all variances between bales: share ``p = Phi((mu - limit) / sigma)``.  Its interval inverts the
noncentral t: with ``n = sigma^2 / se(mu)^2`` and df of ``sigma^2`` by Satterthwaite,

.. math:: (\hat\mu - \mathrm{limit}) / se(\hat\mu) \sim t'_{df}(\sqrt n\, \Phi^{-1}(p)),

exact for a sample of independent bales (Owen 1968) and near it for a sum of variances.

References
----------
Owen, D. B. (1968). A survey of properties and applications of the noncentral t-distribution.
Technometrics 10, 445-478.
Clopper, C. J. & Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the
case of the binomial. Biometrika 26, 404-413.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from silagetrial.analysis.responses import Response
from silagetrial.analysis.units import BALE, UnitKind, kind_of
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import joined
from silagetrial.display.table import Table
from silagetrial.mixed import Fit, Functions, contrasts
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.noncentral import noncentral_t_cdf

__all__ = [
    "clopper_pearson",
    "counted_shares",
    "modelled_shares",
    "share_interval",
]

_SEVERAL = {"site": "beside.shares_farms", "lot": "beside.shares_lots"}
NOT_OF_BALES = ("batch",)
"""Random terms that are the laboratory's, not the bales'."""


def clopper_pearson(
    over: npt.ArrayLike, total: npt.ArrayLike, *, level: float
) -> tuple[Floats, Floats]:
    """Exact interval of a share from a count, lower and upper limits."""
    k, n = np.asarray(over, dtype=float), np.asarray(total, dtype=float)
    half = (1.0 - level) / 2.0
    low = np.where(k > 0, special.betaincinv(np.maximum(k, 0.5), n - k + 1, half), 0.0)
    high = np.where(k < n, special.betaincinv(k + 1, np.maximum(n - k, 0.5), 1 - half), 1.0)
    return low, high


def share_interval(
    mean: float, std_error: float, limit: float, *, sd: float, df: float, level: float
) -> tuple[float, float, float]:
    """Share of a normal population over a limit, with its interval.

    Parameters
    ----------
    mean, std_error : float
        Of the population's mean.
    limit : float
    sd, df : float
        Standard deviation of the population and the degrees of freedom of its square.
    level : float

    Returns
    -------
    share, low, high : float
    """
    t, root = (mean - limit) / std_error, sd / std_error
    low, high = (_noncentrality(t, df, p) for p in ((1 + level) / 2, (1 - level) / 2))
    share, below, above = special.ndtr(np.array([(mean - limit) / sd, low / root, high / root]))
    return float(share), float(below), float(above)


def _noncentrality(t: float, df: float, p: float) -> float:
    """Noncentrality at which P(T <= t) = p."""
    if not np.isfinite(df):
        return float(t - special.ndtri(p))

    def excess(nc: float) -> float:
        """Tail area at a noncentrality, less the one wanted."""
        return float(noncentral_t_cdf(t, df, nc)) - p

    # Beyond every deviation that could be, and every value of a normal variable.
    reach = 9.0 + abs(t) * (1.0 + float(np.sqrt(special.chdtri(df, 1e-14) / df)))
    return float(optimize.brentq(excess, -reach, reach, xtol=1e-10))


def modelled_shares(
    fit: Fit,
    means: Functions,
    response: Response,
    limit: float,
    *,
    level: float,
    unit: UnitKind = BALE,
) -> Table:
    """Share of bales (or of other units) over a limit by binding and opening, from the model.

    Parameters
    ----------
    fit : Fit
        With intercepts as random terms.
    means : Functions
        Adjusted means of bindings.
    limit : float
        In the response's unit.
    level : float
    unit : UnitKind
        What a value is of: composites vary less than bales, so that their share is another one.
    """
    at = float(np.log(limit)) if response.scale == "log" else limit
    weights = np.array([_one_value(fit, cell) for cell in means.labels.to_dict("records")])
    variances = weights @ fit.theta
    spreads = np.einsum("ri,ij,rj->r", weights, fit.theta_covariance, weights)
    dfs = 2.0 * variances**2 / spreads
    found = contrasts(fit, means, level=level).frame
    shares = [
        share_interval(mean, error, at, sd=float(sd), df=float(df), level=level)
        for mean, error, sd, df in zip(
            found["estimate"], found["std_error"], np.sqrt(variances), dfs, strict=True
        )
    ]
    frame = means.labels.assign(
        limit=limit, **dict(zip(("estimate", "conf_low", "conf_high"), np.array(shares).T,
                                strict=True)), unit="", scale="share",
    )  # fmt: skip
    over = {"label": response.label, "limit": f"{limit:g}", "unit": response.level_unit}
    note = say(
        "beside.shares_log" if response.scale == "log" else "beside.shares_identity",
        of=_single(unit),
        units=noun(unit.word, 2),
        spread=_spread_told(variances, dfs),
        **over,
    )
    title = say("beside.shares", units=unit.several, **over)
    notes = (note, *_held_in_the_middle(fit))
    return Table(frame, title=title, notes=notes, formats={"limit": "g"})


def _one_value(fit: Fit, cell: Mapping[Hashable, Any]) -> Floats:
    """Weights of the parameters whose sum is the variance of one value of a cell, (m,).

    Of residual variances by group the cell's own counts; a serial range is no variance, and what
    is correlated in time varies as much for that.
    """
    names = [cell["binding"], cell["opening"], f"{cell['binding']}:{cell['opening']}"]
    groups = {f"residual: {name}" for name in names}
    apart = len(fit.frame.residual.names) > 1
    return np.array(
        [
            p.kind == "variance"
            and p.term.split(" ")[0] not in NOT_OF_BALES
            and (not apart or p.name in groups or p.name not in fit.frame.residual.names)
            for p in fit.parameters
        ],
        dtype=np.float64,
    )


def _held_in_the_middle(fit: Fit) -> tuple[str, ...]:
    """Say which differences between bales the spread leaves out: those of further fixed factors."""
    names = [name for name in fit.frame.levels if name not in ("binding", "opening")]
    if not names:
        return ()
    middle = joined(
        [
            say(_SEVERAL[name]) if name in _SEVERAL else say("beside.shares_levels", column=name)
            for name in names
        ]
    )
    return (say("beside.shares_middle", middle=middle),)


def _spread_told(variances: Floats, dfs: Floats) -> str:
    """``SD 0.42, 31.0 df``; from the smallest to the largest SD where they differ."""
    order = np.argsort(variances)
    sds = [f"{np.sqrt(variances[k]):.3g}" for k in (order[0], order[-1])]
    own = [f"{dfs[k]:.1f}" for k in (order[0], order[-1])]
    if sds[0] == sds[1]:
        return say("beside.spread", sd=sds[0], df=own[0])
    return say("beside.spreads", sd_low=sds[0], sd_high=sds[1], df_low=own[0], df_high=own[1])


def _single(unit: UnitKind) -> str:
    if unit.size == 1:
        return say("beside.shares_single")
    return say("beside.shares_units", units=unit.several)


def counted_shares(rows: pd.DataFrame, response: Response, limit: float, *, level: float) -> Table:
    """Count bales (or other units) over a limit by opening and binding, with exact intervals.

    Parameters
    ----------
    rows : pandas.DataFrame
        All values, openings that are not modelled included.
    """
    values = rows.groupby(["opening", "binding", "bale"], sort=False).agg(
        value=("value_used", "mean"), below=("below", "any"), found=("limit", "max"),
        planned=("planned_days", "first"),
    )  # fmt: skip
    # Below a laboratory's limit that lies above the level asked about, nobody knows.
    values["unknown"] = values["below"] & (values["found"] > limit)
    values["over"] = (values["value"] > limit) & ~values["unknown"]
    values["known"] = ~values["unknown"]
    cells = values.groupby(["planned", "opening", "binding"], sort=True)
    frame = cells[["known", "over", "unknown"]].sum().reset_index().drop(columns="planned")
    unit = kind_of(rows)
    word = f"{unit.word}s"
    frame = frame.rename(columns={"known": word, "unknown": "not_known"})
    low, high = clopper_pearson(frame["over"], frame[word], level=level)
    some = frame[word] > 0
    share = (frame["over"] / frame[word].where(some)).astype(float)
    frame = frame.assign(
        limit=limit, estimate=share, conf_low=np.where(some, low, np.nan),
        conf_high=np.where(some, high, np.nan), unit="", scale="share",
    )  # fmt: skip
    if not frame["not_known"].any():
        frame = frame.drop(columns="not_known")
    note = say("beside.shares_counted_note", units=noun(unit.word, 2))
    over = {"label": response.label, "limit": f"{limit:g}", "unit": response.level_unit}
    title = say("beside.shares_counted", units=unit.several, **over)
    return Table(frame, title=title, notes=(note,), formats={"limit": "g"})
