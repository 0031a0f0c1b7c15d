"""What a plan asks of its size: one contrast, the effect assumed, and how it will be tested."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from silagetrial.analysis.compare import growth_weights
from silagetrial.analysis.responses import Response
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Functions
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.smallsample import t_quantile
from silagetrial.planning.assumptions import effects
from silagetrial.planning.limits import MOST_BELOW, BelowLimit, below_limit
from silagetrial.planning.noncentral import (
    equivalence_power,
    non_inferiority_power,
    t_power,
)
from silagetrial.planning.plan import Plan
from silagetrial.planning.structure import Structure

__all__ = ["Effect", "Kind", "PlannedTest", "planned_test"]

Kind: TypeAlias = Literal["difference", "equivalence", "non-inferiority"]
Effect: TypeAlias = float | tuple[float, ...] | Literal["observed"] | None


@dataclass(frozen=True)
class PlannedTest:
    """One contrast and its test.

    Attributes
    ----------
    response : Response
    functions : Functions
        The contrast.
    kind : {"difference", "equivalence", "non-inferiority"}
    difference : float or None
        True difference assumed, on the scale of the model; None: not assumed.
    margin : float
        On the scale of the model; NaN where a difference is asked for.
    alpha : float
        Size of a two-sided test; 1 less the level of the interval.
    """

    response: Response
    functions: Functions
    kind: Kind
    difference: float | None
    margin: float
    alpha: float

    @property
    def name(self) -> str:
        """The contrast in words."""
        label = self.functions.labels.iloc[0]
        return f"{label['term']} at {label['opening']}" if "opening" in label else label["term"]

    def power(self, difference: Floats | float, std_error: Floats, df: Floats) -> Floats:
        """Power of the planned test; 0 where a layout has no standard error."""
        known = np.isfinite(std_error) & (df > 0)
        error, nu = np.where(known, std_error, 1.0), np.where(known, df, 1.0)
        if self.kind == "difference":
            value = t_power(difference, error, nu, alpha=self.alpha)
        elif self.kind == "equivalence":
            value = equivalence_power(
                difference, error, nu, low=-self.margin, high=self.margin, alpha=self.alpha
            )
        else:
            value = non_inferiority_power(
                difference, error, nu, margin=self.margin, alpha=self.alpha / 2.0
            )
        return np.asarray(np.where(known, value, 0.0))

    def half_width(self, std_error: npt.ArrayLike, df: npt.ArrayLike) -> Floats:
        """Half the width of the interval on the scale of the model."""
        return np.asarray(t_quantile(1.0 - self.alpha, np.asarray(df)) * np.asarray(std_error))

    def shown(self, value: float) -> float:
        """From the scale of the model to a ratio, or the difference as it is."""
        return float(np.exp(value)) if self.response.effect == "ratio" else float(value)


def planned_test(
    plan: Plan,
    structure: Structure,
    response: Response,
    effect: Effect,
    kind: Kind | None = None,
) -> PlannedTest:
    """Return the plan's question about a response.

    Parameters
    ----------
    effect : float, tuple of float, None or "observed"
        As in `effects`.
    kind : {"difference", "equivalence", "non-inferiority"}, optional
        The plan's claim where it has a margin for the response, else a difference.
    """
    if effect == "observed":
        raise never_observed()
    settings = plan.settings
    margin = settings.analysis.margins.get(response.name)
    if kind is None:
        kind = "difference" if margin is None else settings.analysis.claim
    if kind != "difference" and margin is None:
        raise NoAnswer(
            found=f"no margin for {response.label}",
            expected=f"the largest difference that does not matter, for a claim of {kind}",
            remedy=f"add {response.name} to [analysis.margins]",
        )
    functions = structure.primary(plan.aim)
    assumed = plan.assumptions.get(response.name)
    given = effect is not None or (assumed is not None and len(assumed.effect) > 0)
    difference: float | None = None
    if kind == "difference" or given:
        difference = _contrast(plan, structure, functions, effects(plan, response, effect))
    else:
        difference = 0.0
    on_scale = np.nan
    if margin is not None and kind != "difference":
        on_scale = float(np.log(margin)) if response.effect == "ratio" else float(margin)
    return PlannedTest(response, functions, kind, difference, on_scale, settings.analysis.alpha)


def _contrast(plan: Plan, structure: Structure, functions: Functions, values: Floats) -> float:
    """The planned contrast of effects that may differ between openings."""
    if len(values) == 1:
        return float(values[0])
    names = [opening.name for opening in plan.settings.openings]
    if plan.aim == "opening":
        return float(values[names.index(functions.labels["opening"][0])])
    at = [names.index(name) for name in structure.comparison.openings]
    if plan.aim == "average":
        return float(values[at].mean())
    days = np.array([plan.settings.openings[i].days for i in at])
    return float(growth_weights(days) @ values[at])


def never_observed() -> NoAnswer:
    """Say why no power is computed from the effect a trial found."""
    return NoAnswer(
        found="power asked for at the effect that the trial itself found",
        expected="an effect that matters in practice, chosen without looking at the result",
        remedy="power at the observed effect only says the p value again (p = 0.05 is always a "
        "power near 0.5) and tells nothing about the trial; read the interval in the report, "
        "which says what effects the trial leaves possible, and plan the next trial from its "
        "variances with the ratio or difference that matters to you",
    )


def limit_of(
    plan: Plan, question: PlannedTest, variances: Floats, bindings: tuple[str, str]
) -> BelowLimit | None:
    """Shares below the laboratory's limit and what they leave; None without level or limit.

    Raises
    ------
    NoAnswer
        More than half of the values of a binding would lie below.
    """
    assumed = plan.assumptions.get(question.response.name)
    if assumed is None or assumed.level is None or assumed.limit is None:
        return None
    if question.response.effect != "ratio":
        return None
    ratio = float(np.exp(question.difference or 0.0)) if plan.aim != "growth" else 1.0
    level = assumed.level
    first, second = level * ratio, level
    if bindings[0] == plan.settings.reference:
        first, second = level, level / ratio
    found = below_limit(variances, limit=assumed.limit, first=first, second=second)
    worst = max(found.first, found.second)
    if worst > MOST_BELOW:
        raise NoAnswer(
            found=f"{100 * worst:.0f} % of the values of one binding would lie below the limit of "
            f"{assumed.limit:g} {question.response.level_unit}",
            expected="at most half, so that the opening can be modelled",
            remedy="plan with a laboratory of a lower limit, or a response that is not so near it",
        )
    return found
