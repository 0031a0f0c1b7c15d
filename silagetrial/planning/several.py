"""Power of several contrasts at once: three bindings, several openings, and the joint F test.

Bonferroni and the report's simultaneous intervals (multivariate t at the family's smallest degrees
of freedom) by formula; Holm's step-down tests by drawing estimates, with their Monte Carlo error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Functions
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.likelihood import blank, evaluate
from silagetrial.mixed.multivariate_t import critical_value
from silagetrial.mixed.smallsample import kenward_roger_f, t_tail
from silagetrial.planning.assumptions import along_storage, effects
from silagetrial.planning.cases import nothing_with
from silagetrial.planning.many import Asked, Case, asked
from silagetrial.planning.moments import Moments, moments
from silagetrial.planning.noncentral import f_power, t_power
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.structure import Sized, sized

__all__ = ["FamilyPower", "JointPower", "family_power", "joint_power"]

DRAWS = 20_000
"""Estimates drawn for Holm's tests."""
HIGHEST = 0.5
"""Largest Monte Carlo standard error of a share of one draw."""


@dataclass(frozen=True, repr=False)
class FamilyPower(ShownInParts):
    """Power of the contrasts of one family.

    Attributes
    ----------
    table : Table
        ``term opening effect std_error df power bonferroni simultaneous holm holm_mc_error``:
        `power` without adjustment, then with each.
    any_holm, all_holm : float
        Chance that Holm's tests show some of the differences, and all of those that are not zero.
    mc_error : float
        Largest Monte Carlo error of the drawn figures.
    """

    table: Table
    any_holm: float
    all_holm: float
    mc_error: float

    def _parts(self) -> tuple[Table]:
        return (self.table,)


@dataclass(frozen=True, repr=False)
class JointPower(ShownInParts):
    """Power of an F test; `scaling` is Kenward and Roger's lambda, 1 in balanced layouts."""

    term: str
    power: float
    num_df: int
    den_df: float
    ncp: float
    scaling: float

    def _parts(self) -> tuple[str]:
        return (
            f"{self.term}: power {self.power:.3f} of the F test with {self.num_df} and "
            f"{self.den_df:.4g} degrees of freedom\nnoncentrality {self.ncp:.4g}, scaling "
            f"{self.scaling:.4g}",
        )


def family_power(
    plan: Plan | str | Path,
    family: Literal["bindings", "openings"],
    *,
    response: str | None = None,
    pairs: int | tuple[int, ...] | None = None,
    effect: float | tuple[float, ...] | Mapping[str, float] | None = None,
    spread: Spread | None = None,
    draws: int = DRAWS,
) -> FamilyPower:
    """Return the power of each contrast of a family, with and without adjustment.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    family : {"bindings", "openings"}
        Differences between bindings at the planned opening, as the plan's families say, or the
        planned difference at every opening.
    effect : float, tuple or mapping, optional
        For openings as in `power`.  For bindings one value for every binding against the
        reference, or a mapping from binding to its own.
    response, pairs, spread
        As in `power`; expected losses and values below the limit do not enter.
    draws : int
        Estimates drawn for Holm's tests.

    Returns
    -------
    FamilyPower
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    single = None if isinstance(effect, Mapping) else effect
    ready = asked(Case(plan, response, pairs, 1.0 if single is None else single, spread,
                       "difference"))  # fmt: skip
    functions, values = _family(ready, family, effect)
    layout = sized(plan, ready.pairs)
    theta = layout.theta(ready.variances)
    found = moments(layout, layout.inside(functions), theta[None], None)
    return _figures(ready, functions, values, found, draws)


def _family(
    ready: Asked, family: str, effect: float | tuple[float, ...] | Mapping[str, float] | None
) -> tuple[Functions, Floats]:
    """The contrasts and their assumed differences, on the scale of the model."""
    plan, wanted = ready.plan, ready.structure.comparison
    response, labels = ready.question.response, wanted.differences.labels
    primary = ready.structure.primary(plan.aim).labels.iloc[0]
    if family == "openings":
        if isinstance(effect, Mapping):
            raise UsageError(
                found="effects by binding for a family of openings",
                expected="one effect, or one an opening",
                remedy="give a number or a tuple",
            )
        keep = (labels["term"] == primary["term"]).to_numpy()
        own = along_storage(plan, effects(plan, response, effect))
        names = [opening.name for opening in plan.settings.openings]
        at = [names.index(name) for name in labels["opening"][keep]]
        return wanted.differences.where(keep), own[at] if len(own) > 1 else np.repeat(own, len(at))
    last = primary.get("opening", wanted.openings[-1] if wanted.openings else None)
    keep = (labels["opening"] == last).to_numpy()
    against = _against_reference(plan, ready, effect)
    ends = [term.split(" - ") for term in labels["term"][keep]]
    return wanted.differences.where(keep), np.array([against[a] - against[b] for a, b in ends])


def _against_reference(
    plan: Plan, ready: Asked, effect: float | tuple[float, ...] | Mapping[str, float] | None
) -> dict[str, float]:
    """Each binding against the reference, on the scale of the model."""
    response, reference = ready.question.response, plan.settings.reference
    others = [name for name in plan.settings.compare if name != reference]
    if isinstance(effect, Mapping):
        strangers = sorted(set(effect) - set(others))
        if strangers:
            raise UsageError(
                found=f"an effect of {', '.join(strangers)}",
                expected=f"effects of {', '.join(others)} against {reference}",
                remedy="correct the names",
            )
        none = 1.0 if response.effect == "ratio" else 0.0
        own = {name: effects(plan, response, float(effect.get(name, none)))[0] for name in others}
    else:
        value = effects(plan, response, effect)
        if len(value) > 1:
            raise UsageError(
                found="an effect for each opening, for a family of bindings",
                expected="one effect, or a mapping from binding to effect",
                remedy="give effect a number or a mapping",
            )
        own = dict.fromkeys(others, value[0])
    return {reference: 0.0, **{name: float(value) for name, value in own.items()}}


def _figures(
    ready: Asked, functions: Functions, values: Floats, found: Moments, draws: int
) -> FamilyPower:
    error, df, covariance = found.std_error[0], found.df[0], found.covariance[0]
    if not np.isfinite(error).all():
        raise nothing_with(ready)
    alpha, count, question = ready.question.alpha, len(values), ready.question
    smallest = float(df.min())
    correlation = covariance / np.outer(error, error)
    critical = critical_value(correlation, smallest, level=1.0 - alpha).value
    rejected = _holm(values, covariance, smallest, alpha, draws, ready.plan.seed)
    share = rejected.mean(axis=0)
    frame = functions.labels.assign(
        effect=[question.shown(value) for value in values],
        std_error=error,
        df=df,
        power=t_power(values, error, df, alpha=alpha),
        bonferroni=t_power(values, error, df, alpha=alpha / count),
        simultaneous=t_power(values, error, np.full(count, smallest), critical=critical),
        holm=share,
        holm_mc_error=np.sqrt(share * (1.0 - share) / draws),
    )
    real = values != 0.0
    notes = (
        f"Holm by {draws} drawn estimates with a common error of {smallest:.3g} degrees of "
        f"freedom; simultaneous: multivariate t, critical value {critical:.3f}.",
        *_left_out(ready),
    )
    title = f"{question.response.label}: power of {count} contrasts"
    return FamilyPower(
        Table(frame, title=title, notes=notes),
        any_holm=float(rejected[:, real].any(axis=1).mean()) if real.any() else 0.0,
        all_holm=float(rejected[:, real].all(axis=1).mean()) if real.any() else 0.0,
        mc_error=HIGHEST / float(np.sqrt(draws)),
    )


def _left_out(ready: Asked) -> tuple[str, ...]:
    """What of the plan lowers the power of a single contrast and is not counted here."""
    found = []
    if ready.plan.lost > 0:
        found.append("Expected losses do not enter.")
    if ready.limit is not None:
        found.append("Values below the laboratory's limit do not enter.")
    return tuple(found)


def _holm(
    values: Floats, covariance: Floats, df: float, alpha: float, draws: int, seed: int
) -> Bools:
    """Draw estimates and tell which contrasts Holm's step-down tests reject, (draws, r)."""
    rng = np.random.default_rng(seed)
    estimate = rng.multivariate_normal(values, covariance, size=draws, method="eigh")
    scale = np.sqrt(rng.chisquare(df, size=draws) / df) if np.isfinite(df) else np.ones(draws)
    t = estimate / (np.sqrt(np.diag(covariance)) * scale[:, None])
    p = t_tail(t, np.full(t.shape, df))
    order = np.argsort(p, axis=1)
    steps = np.arange(len(values), 0, -1)
    passed = np.logical_and.accumulate(np.take_along_axis(p, order, axis=1) * steps <= alpha,
                                       axis=1)  # fmt: skip
    rejected = np.zeros(p.shape, dtype=bool)
    np.put_along_axis(rejected, order, passed, axis=1)
    return rejected


def joint_power(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | tuple[int, ...] | None = None,
    effect: tuple[float, ...] | None = None,
    spread: Spread | None = None,
) -> JointPower:
    """Return the power of the F test that the planned difference is the same at all openings.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    effect : tuple of float, optional
        Ratio or difference at each opening; the plan's, when left out.
    response, pairs, spread
        As in `power`; expected losses and values below the limit do not enter.

    Returns
    -------
    JointPower
        Noncentrality ``(Lb)'(L V L')^-1 (Lb)``, Kenward and Roger's denominator degrees of
        freedom from the expected information at the assumed variances.

    Raises
    ------
    NoAnswer
        Fewer than two openings.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    ready = asked(Case(plan, response, pairs, effect, spread, "difference"))
    functions, values = _family(ready, "openings", effect)
    if len(functions) < 2:
        raise NoAnswer(
            found="one opening",
            expected="two or more, for a difference that changes with storage",
            remedy="plan more openings",
        )
    steps = np.column_stack([-np.ones(len(values) - 1), np.eye(len(values) - 1)])
    layout = sized(plan, ready.pairs)
    return _f(ready, layout, steps @ layout.inside(functions), steps @ values)


def _f(ready: Asked, layout: Sized, rows: Floats, value: Floats) -> JointPower:
    theta = layout.theta(ready.variances)[None]
    at = evaluate(layout.design, theta, blank(layout.design))
    test = kenward_roger_f(at, rows, value[None])
    ncp = float(value @ np.linalg.solve(rows @ at.phi[0] @ rows.T, value))
    df = float(test.den_df[0])
    power = f_power(ncp, test.num_df, df, alpha=ready.question.alpha)
    return JointPower("binding:opening", float(power), test.num_df, df, ncp, float(test.scaling[0]))
