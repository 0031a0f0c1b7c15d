"""The best plan for the money: every choice priced and its power computed, none left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd

from silagetrial.display.phrases import block_word, count
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumptions import components, response_planned
from silagetrial.planning.cases import Source
from silagetrial.planning.choices import Choice, all_choices, plan_with
from silagetrial.planning.costs import bill_of, cost_of, prices
from silagetrial.planning.finished import Finished
from silagetrial.planning.many import Case, asked, powers
from silagetrial.planning.plan import Assumption, Plan, Spread
from silagetrial.planning.planned_test import Effect

__all__ = ["ENOUGH", "Budget", "Option", "budget"]

ENOUGH: Final = 0.999
"""Power past which dearer plans are not looked at: they would buy nothing."""
_AT_ONCE: Final = 120
"""Choices whose powers are computed together, from the cheapest on."""


@dataclass(frozen=True, repr=False)
class Option(ShownInParts):
    """One plan with its price and what it can show."""

    choice: Choice
    cost: float
    power: float

    def _parts(self) -> tuple[str]:
        plan = self.choice
        return (
            f"{count(plan.sites, 'farm')}, pairs on each: {plan.pairs}, openings: "
            f"{', '.join(plan.openings)}, samples of a bale: {plan.samples}, analyses of a "
            f"sample: {plan.analyses}\ncost {self.cost:,.0f}, power {self.power:.3f}",
        )


@dataclass(frozen=True, repr=False)
class Budget(ShownInParts):
    """All plans looked at.

    Parameters
    ----------
    plan : Plan
        The plan they are variants of.
    response : str
    options : pandas.DataFrame
        ``sites pairs openings samples analyses cost power``, cheapest first; pairs of each site.
    planned : Option
        The plan itself.
    target : float
        Power wanted.
    money : float or None
        Money there is.
    currency : str
    """

    plan: Plan
    response: str
    options: pd.DataFrame
    planned: Option
    target: float
    money: float | None
    currency: str

    @cached_property
    def frontier(self) -> pd.DataFrame:
        """Plans of which no other has as much power for as little money, cheapest first."""
        best = self.options["power"].cummax().shift(fill_value=-np.inf)
        return self.options[self.options["power"] > best].reset_index(drop=True)

    @property
    def cheapest(self) -> Option | None:
        """The cheapest plan with the power wanted; None where none has it."""
        reached = self.frontier[self.frontier["power"] >= self.target]
        return _option(reached.iloc[0]) if len(reached) else None

    @property
    def cheapest_with_all(self) -> Option | None:
        """The cheapest plan with the power wanted that keeps every opening of the plan."""
        kept = self.options["openings"].map(self.planned.choice.openings.__eq__)
        reached = self.options[kept & (self.options["power"] >= self.target)]
        return _option(reached.iloc[0]) if len(reached) else None

    @property
    def strongest(self) -> Option | None:
        """The plan with most power for the money; None where none can be paid, or none is named."""
        if self.money is None:
            return None
        paid = self.frontier[self.frontier["cost"] <= self.money]
        return _option(paid.iloc[-1]) if len(paid) else None

    @property
    def table(self) -> Table:
        """The plan, the cheapest ones with the power wanted, the most powerful for the money."""
        named = {
            "the plan": self.planned,
            "cheapest with the power wanted": self.cheapest,
            "cheapest that keeps all openings": self.cheapest_with_all,
            "most power for the money": self.strongest,
        }
        rows = [
            {"plan": name, **asdict(option.choice), "cost": option.cost, "power": option.power}
            for name, option in named.items()
            if option is not None
        ]
        if self.planned.choice.pairs * len(self.plan.sites) != _opened(self.plan):
            rows[0]["pairs"] = _opened(self.plan) / len(self.plan.sites)
        block = block_word(self.plan.settings.compare)
        return Table(
            pd.DataFrame(rows),
            title="Plans compared",
            notes=(
                f"{len(self.options)} plans looked at; pairs of one plan are equal on all farms. "
                "Controls of the laboratory and spare pairs are paid for.",
            ),
            formats={"power": ".3f", "cost": ".0f", "pairs": ".3g"},
            labels={
                "sites": "farms",
                "pairs": f"{block}s on each farm",
                "samples": "samples of a bale",
                "analyses": "analyses of a sample",
                "cost": f"cost, {self.currency}" if self.currency else "cost",
            },
        )

    def _parts(self) -> tuple[Table]:
        return (self.table,)


def budget(
    plan: Plan,
    *,
    response: str | None = None,
    target: float | None = None,
    money: float | None = None,
    effect: Effect = None,
    spread: Source = None,
    most_pairs: int = 40,
    samples: Sequence[int] = (1, 2, 3),
    analyses: Sequence[int] = (1, 2),
    sites: Sequence[int] | None = None,
) -> Budget:
    """Price every choice of pairs, openings, samples and analyses and compute its power.

    Parameters
    ----------
    plan : Plan
        With prices.
    response : str, optional
        The primary one, when left out.
    target : float, optional
        Power wanted; the plan's, when left out.
    money : float, optional
        Money there is; the plan's, when left out.
    effect : float or tuple of float, optional
        Ratio or difference, one or one an opening; the plan's, when left out.
    spread : Spread, Finished or array, optional
        Variation; the plan's, when left out. Samples and analyses then change what the plan
        assumes of cores and laboratory, the rest stays.
    most_pairs : int
        Largest number of pairs on each farm that is looked at.
    samples, analyses, sites : sequence of int
        What is looked at of each; as many farms as the plan has, when left out.

    Returns
    -------
    Budget

    Raises
    ------
    NoAnswer
        No prices, or no choice with a test of the binding.
    UsageError
        Nothing to choose from.

    Notes
    -----
    Exhaustive: from the cheapest on, until one passes a power of 99.9 % (`ENOUGH`).
    """
    costs, planned = prices(plan), response_planned(plan, response)
    plan = _with_effect(plan, planned.name, effect)
    farms = (len(plan.sites),) if sites is None else tuple(sites)
    choices = all_choices(
        plan, most_pairs=most_pairs, samples=samples, analyses=analyses, sites=farms
    )
    if not choices:
        raise UsageError(
            found=f"no choice of up to {most_pairs} pairs on each farm",
            expected="pairs enough for one at each opening, and a laboratory batch with room for "
            "one pair's results",
            remedy="raise the pairs looked at, or the batch under [laboratory]",
        )
    variances = _variances(plan, planned.name, spread)
    priced = sorted((bill_of(plan_with(plan, c)).money(costs), c) for c in choices)
    at_plan = powers([Case(plan, planned.name, spread=variances(plan))])[0]
    here = Choice(
        len(plan.sites), _opened(plan) // len(plan.sites),
        tuple(o.name for o in plan.settings.openings),
        plan.laboratory.samples, plan.laboratory.analyses,
    )  # fmt: skip
    return Budget(
        plan,
        planned.name,
        _evaluated(plan, planned.name, priced, variances),
        Option(here, cost_of(plan), float(at_plan)),
        plan.power if target is None else target,
        costs.money if money is None else money,
        costs.currency,
    )


def _opened(plan: Plan) -> int:
    return sum(site.pairs for site in plan.sites)


def _option(row: pd.Series[Any]) -> Option:
    choice = Choice(
        int(row["sites"]), int(row["pairs"]), row["openings"],
        int(row["samples"]), int(row["analyses"]),
    )  # fmt: skip
    return Option(choice, float(row["cost"]), float(row["power"]))


def _with_effect(plan: Plan, response: str, effect: Effect) -> Plan:
    """Put the effect into the plan, where it follows the openings that are kept."""
    if effect is None or effect == "observed":
        return plan
    assumed = plan.assumptions.get(response, Assumption())
    values = effect if isinstance(effect, tuple) else (float(effect),)
    return replace(
        plan, assumptions={**plan.assumptions, response: replace(assumed, effect=values)}
    )


def _variances(plan: Plan, response: str, spread: Source) -> Callable[[Plan], Floats]:
    """Return the variances of a plan with other samples and analyses."""
    of = response_planned(plan, response)
    assumed = plan.assumptions.get(response, Assumption()).spread
    if spread is None or isinstance(spread, Spread):
        own = assumed if spread is None else spread
        return lambda varied: components(own, of, varied.laboratory)
    base = spread.to_components(plan)[0] if isinstance(spread, Finished) else spread
    before = components(assumed, of, plan.laboratory)

    def within_changed(varied: Plan) -> Floats:
        """Variances with the within-bale part of another number of samples."""
        change = components(assumed, of, varied.laboratory) - before
        return np.maximum(base + change, 0.0)

    return within_changed


def _evaluated(
    plan: Plan,
    response: str,
    priced: Sequence[tuple[float, Choice]],
    variances: Callable[[Plan], Floats],
) -> pd.DataFrame:
    """Compute powers from the cheapest plan on, until more money buys nothing."""
    rows: list[dict[str, object]] = []
    for start in range(0, len(priced), _AT_ONCE):
        part = priced[start : start + _AT_ONCE]
        plans = [plan_with(plan, choice) for _, choice in part]
        found = powers([Case(p, response, spread=variances(p)) for p in plans])
        rows += [
            {**asdict(choice), "cost": cost, "power": float(power)}
            for (cost, choice), power in zip(part, found, strict=True)
            if np.isfinite(power)
        ]
        if np.nanmax(found, initial=0.0) >= ENOUGH:
            break
    if not rows:
        # Whatever keeps all of them from an answer keeps the plan from it.
        asked(Case(plan, response))
        raise NoAnswer(
            found="no plan within reach has a test of the binding",
            expected="pairs enough for every term of the model",
            remedy="look at more pairs or farms",
        )
    frame = pd.DataFrame(rows)
    return frame.sort_values(["cost", "power"], ascending=[True, False], ignore_index=True)
