"""What is known of a plan before its first bale, gathered once for the page and the terminal."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from silagetrial.planning.assumptions import COMPONENTS, from_importance, response_planned
from silagetrial.planning.cases import Source, case_of
from silagetrial.planning.curves import on_side
from silagetrial.planning.finished import Finished, finished
from silagetrial.planning.many import Asked, asked
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_test import Effect
from silagetrial.planning.power import detectable_difference, power
from silagetrial.planning.power_results import Detectable, PairsNeeded, PowerResult

__all__ = ["Facts", "found_before", "gather", "past_trial"]


_BY_FARM: Final = "site:binding"


@dataclass(frozen=True)
class Facts:
    """The size of a plan and what it can see.

    Parameters
    ----------
    plan : Plan
    asked : Asked
        The question; with no difference where none is assumed.
    target : float
        Power wanted.
    power : PowerResult or None
        None where no effect is assumed.
    needed : PairsNeeded or None
        For the power wanted; None likewise.
    precise : PairsNeeded or None
        For the half-width wanted; None where none is.
    seen : Detectable
        What the pairs planned show with the power wanted.
    source : str
        The finished report from which the variances are; empty: they are assumed.
    important : bool
        The effect is the difference called important, its direction unknown: none is assumed.
    farms_alike : str
        Why the difference is taken not to vary from farm to farm, where a report says nothing of
        it or detected none; empty elsewhere.
    """

    plan: Plan
    asked: Asked
    target: float
    power: PowerResult | None
    needed: PairsNeeded | None
    precise: PairsNeeded | None
    seen: Detectable
    source: str = ""
    important: bool = False
    farms_alike: str = ""

    @property
    def seen_effect(self) -> float:
        """The ratio or difference that can be seen, on the side where one is assumed."""
        return on_side(self.seen, self.asked.question.difference)

    @property
    def opened(self) -> int:
        """Pairs to be opened on all farms."""
        return sum(self.asked.pairs)


def gather(
    plan: Plan,
    *,
    response: str | None = None,
    pairs: int | None = None,
    effect: Effect = None,
    spread: Source = None,
    target: float | None = None,
) -> Facts:
    """Compute power, pairs needed and detectable difference of a plan.

    Parameters
    ----------
    plan, response, pairs, effect, spread, target
        As in `power` and `pairs_needed`. Without an effect, in the call or the plan, only what
        could be seen is worked out.

    Raises
    ------
    NoAnswer, UsageError
        As in `power`, but for a missing effect.
    """
    of = response_planned(plan, response)
    given = effect is not None or _assumes(plan, of.name)
    none = 1.0 if of.effect == "ratio" else 0.0
    ready = asked(case_of(plan, of.name, pairs, effect if given else none, spread, None))
    wanted = plan.power if target is None else target
    found = needed = precise = None
    if given:
        found = power(plan, response=of.name, pairs=pairs, effect=effect, spread=spread)
        needed = pairs_needed(plan, response=of.name, target=wanted, effect=effect, spread=spread)
    if plan.half_width is not None:
        precise = pairs_needed(
            plan, response=of.name, effect=effect if given else none, spread=spread,
            half_width=plan.half_width,
        )  # fmt: skip
    seen = detectable_difference(plan, response=of.name, pairs=pairs, target=wanted, spread=spread)
    source = spread.source if isinstance(spread, Finished) else ""
    return Facts(
        plan, ready, wanted, found, needed, precise, seen, source,
        important=ready.question.kind == "difference" and from_importance(plan, of, effect),
        farms_alike=_farms_alike(ready, spread),
    )  # fmt: skip


def _farms_alike(ready: Asked, spread: Source) -> str:
    """Say why a difference that may vary from farm to farm is taken as the same on all."""
    varies, name = ready.variances[COMPONENTS.index(_BY_FARM)], _BY_FARM
    if not isinstance(spread, Finished) or varies > 0 or name not in ready.structure.choice.random:
        return ""
    return (
        "the report detected no variation of it from farm to farm"
        if name in spread.terms
        else "the report says nothing of how it varies from farm to farm, nor does the plan"
    )


def past_trial(
    plan: Plan, report: str | Path | None, *, response: str | None = None
) -> Finished | None:
    """Return the variances of a finished report for the response a plan is asked about.

    Raises
    ------
    UsageError
        The report is none.
    NoAnswer
        It has no variances of the response.
    """
    return None if report is None else finished(report, response_planned(plan, response).name)


def found_before(facts: Facts, past: Finished) -> tuple[float, float] | None:
    """Return what a finished trial found of the planned contrast.

    Parameters
    ----------
    facts : Facts
    past : Finished

    Returns
    -------
    tuple of float or None
        Estimate and standard error on the scale of the model; None where the report does not have
        the contrast.
    """
    labels = facts.asked.question.functions.labels.iloc[0]
    aim = facts.plan.aim
    for row in past.estimates.get("differences" if aim == "opening" else aim, ()):
        if row["term"] == labels["term"] and row.get("opening") == labels.get("opening"):
            estimate, error = float(row["estimate"]), float(row["std_error"])
            if row["scale"] == "ratio":
                # The report shows the ratio with the standard error that belongs to it.
                return math.log(estimate), error / estimate
            return estimate, error
    return None


def _assumes(plan: Plan, response: str) -> bool:
    """Tell whether a plan says what true difference it is about."""
    assumed = plan.assumptions.get(response)
    analysis = plan.settings.analysis
    return bool(
        (assumed is not None and assumed.effect)
        or response in analysis.important
        or response in analysis.margins
    )
