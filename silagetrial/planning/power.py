"""Power and the difference a trial can detect, by formula, before any bale is made."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize

from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.noncentral import over_deviation
from silagetrial.planning.assumptions import COMPONENTS, from_importance
from silagetrial.planning.cases import (
    Source,
    case_of,
    check_target,
    nothing_with,
    report_of,
    variance_df,
)
from silagetrial.planning.finished import Finished
from silagetrial.planning.many import Asked, Known, answers, asked, error_of
from silagetrial.planning.noncentral import variance_factor
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_test import Effect, Kind
from silagetrial.planning.power_results import Detectable, PowerResult
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.wording import notes_of, wording_of

__all__ = ["detectable_difference", "pairs_needed", "power"]

UNLIKE = np.array([1.0, 1.3, 1.6, 0.7, 2.1, 0.8])
"""Factors on the variances: where degrees of freedom stay, one error stratum decides."""


def power(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | tuple[int, ...] | None = None,
    effect: Effect = None,
    spread: Source = None,
    kind: Kind | None = None,
    rows: pd.DataFrame | None = None,
) -> PowerResult:
    """Return the power of a plan's primary question, from the layout's own X and Z.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    response : str, optional
        The primary one, when left out.
    pairs : int or tuple of int, optional
        Pairs of each site; the plan's, when left out.
    effect : float or tuple of float, optional
        Ratio (acids) or difference, one value or one an opening; the plan's, when left out.
        ``"observed"``, the effect that a finished trial found, is refused.
    spread : Spread, Finished or array, optional
        Variation assumed; the plan's, when left out.  From a finished report the answer also
        averages over what that report leaves unknown.
    kind : {"difference", "equivalence", "non-inferiority"}, optional
        The plan's claim where it has a margin for the response, else a difference.
    rows : pandas.DataFrame, optional
        `Layout.rows` of a layout that was drawn, in place of `pairs`.

    Returns
    -------
    PowerResult

    Raises
    ------
    UsageError
        No effect or no variation assumed, or figures that cannot be.
    NoAnswer
        A layout without a test of the binding, more than half of the values below the limit, or
        power asked for at the observed effect.

    Notes
    -----
    ``Var(l'b) = l'(X'V^-1 X)^-1 l`` at the assumed variances, halfway to Kenward and Roger's
    adjusted covariance; their degrees of freedom; noncentral t.  Exact where the layout is
    balanced and the contrast lies in one error stratum (then the analysis is the t test of that
    stratum), approximate elsewhere.

    Examples
    --------
    >>> from silagetrial import power                        # doctest: +SKIP
    >>> print(power("plan.toml", pairs=8))                   # doctest: +SKIP
    """
    ready = asked(case_of(plan, response, pairs, effect, spread, kind, rows))
    known, moved = answers([ready, replace(ready, variances=_unlike(ready))])
    single = not known.adjusted.any() and bool(
        np.allclose(known.df, moved.df, rtol=1e-6, equal_nan=True)
    )
    exact = single and len(known.df) == 1 and ready.limit is None
    if not np.isfinite(known.std_error).any():
        raise nothing_with(ready)
    important = from_importance(ready.plan, ready.question.response, effect)
    return _result(ready, known, exact=exact, finished=report_of(spread), important=important)


def _unlike(ready: Asked) -> Floats:
    """Other variances, above zero wherever the model has a term."""
    inside = np.isin(COMPONENTS, [*ready.structure.choice.random, "residual"])
    return np.asarray(ready.variances * UNLIKE + inside * UNLIKE * ready.variances.sum() / 10.0)


def _result(
    ready: Asked, known: Known, *, exact: bool, finished: Finished | None, important: bool
) -> PowerResult:
    question = ready.question
    each = question.power(ready.difference, error_of(ready, known), known.df)
    there = np.isfinite(known.std_error)
    error = float(np.sqrt(np.mean(error_of(ready, known)[there] ** 2)))
    df = float(known.df[there].mean())
    first, second = ready.bindings
    source = None if finished is None else finished.source
    result = PowerResult(
        power=float(each.mean()),
        df=df,
        std_error=error,
        ncp=abs(ready.difference) / error,
        effect=question.shown(question.difference or 0.0),
        exact=exact,
        wording="",
        contrast=question.name,
        half_width=question.shown(float(question.half_width(error, df))),
        share_below=None
        if ready.limit is None
        else {first: ready.limit.first, second: ready.limit.second},
        notes=notes_of(ready, known, report=source, important=important),
        response=question.response.name,
        kind=question.kind,
        pairs=ready.pairs,
        scale=question.response.effect,
        mc_error=float(each.std() / np.sqrt(len(each))) if len(each) > 1 else None,
        **_uncertain(ready, known, finished),
    )
    return replace(result, wording=wording_of(result, ready.plan))


def _uncertain(ready: Asked, known: Known, finished: Finished | None) -> dict[str, float | None]:
    """Power averaged over, and at the upper limit of, variances estimated by a finished trial."""
    if finished is None:
        return {}
    error, df = error_of(ready, known), known.df
    nu = variance_df(ready, known, finished)
    d = ready.difference
    expected = over_deviation(
        lambda u: ready.question.power(d, error[:, None] / u, df[:, None]), nu
    )
    safe = ready.question.power(d, error * np.sqrt(variance_factor(nu)), df)
    return {
        "variance_df": float(nu.mean()),
        "expected": float(expected.mean()),
        "assured": float(safe.mean()),
    }


def detectable_difference(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | tuple[int, ...] | None = None,
    target: float | None = None,
    spread: Source = None,
) -> Detectable:
    """Return the smallest difference that the plan shows with the power wanted.

    From the plan's variances only: what a finished trial found does not enter.

    Parameters
    ----------
    plan, response, pairs, spread
        As in `power`.
    target : float, optional
        Power; the plan's, when left out.

    Returns
    -------
    Detectable
        Ratios above and below 1 (equally far on the log scale), or a difference.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    target = plan.power if target is None else target
    check_target(plan, target, None)
    ratio = 1.0
    case = case_of(plan, response, pairs, ratio, spread, "difference")
    ready = asked(replace(case, plan=_without_limit(plan)))
    known = answers([ready])[0]
    if not np.isfinite(known.std_error).any():
        raise nothing_with(ready)
    error, df = known.std_error, known.df
    question = ready.question

    def excess(difference: float) -> float:
        """Power at a difference, less the one wanted."""
        return float(question.power(difference, error, df).mean()) - target

    there = np.isfinite(error)
    if there.mean() <= target:
        raise nothing_with(ready)
    top = float(np.nanmax(error))
    while excess(top) < 0:
        top *= 2.0
    size = float(optimize.brentq(excess, 0.0, top, xtol=1e-12 * top, rtol=1e-12))
    return Detectable(
        effect=question.shown(size),
        other_side=question.shown(-size),
        power=target,
        df=float(df[there].mean()),
        std_error=float(np.sqrt(np.mean(error[there] ** 2))),
        contrast=question.name,
        scale=question.response.effect,
        pairs=ready.pairs,
    )


def _without_limit(plan: Plan) -> Plan:
    """The plan without limits: what is below them depends on the difference looked for."""
    return replace(
        plan, assumptions={k: replace(v, limit=None) for k, v in plan.assumptions.items()}
    )
