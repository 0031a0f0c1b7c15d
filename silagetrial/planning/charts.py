"""The pictures of a plan, from its facts."""

from __future__ import annotations

from silagetrial.display.block import Picture
from silagetrial.planning.budget import Budget
from silagetrial.planning.cases import Source
from silagetrial.planning.curves import (
    axis_of_pairs,
    detectable_by_pairs,
    pairs_unit,
    power_by_pairs,
)
from silagetrial.planning.facts import Facts
from silagetrial.planning.figures import detectable_chart, power_chart
from silagetrial.planning.figures_money import frontier_chart
from silagetrial.planning.planned_test import Effect

__all__ = ["budget_chart", "charts_of"]


def charts_of(facts: Facts, *, effect: Effect, spread: Source) -> dict[str, Picture]:
    """Draw power, where an effect is assumed, and what could be seen.

    Parameters
    ----------
    facts : Facts
    effect, spread
        As in `power`.
    """
    plan, question, unit = facts.plan, facts.asked.question, pairs_unit(facts.plan)
    of = question.response
    needed = None if facts.needed is None else facts.needed.pairs
    counts = axis_of_pairs(plan, needed)
    charts: dict[str, Picture] = {}
    if facts.power is not None:
        data = power_by_pairs(plan, response=of.name, effect=effect, spread=spread, pairs=counts)
        charts["power"] = power_chart(data, target=facts.target, planned=facts.opened, unit=unit)
    seen = detectable_by_pairs(
        plan, response=of.name, spread=spread, target=facts.target, pairs=counts,
        side=question.difference or 0.0,
    )  # fmt: skip
    label = f"{of.effect} of {of.in_sentence}"
    if of.effect == "difference":
        label += f",\n{of.unit}"
    charts["detectable"] = detectable_chart(
        seen, planned=facts.opened, unit=unit, label=label, ratio=of.effect == "ratio",
        power=facts.target,
    )  # fmt: skip
    return charts


def budget_chart(found: Budget) -> Picture:
    """Draw what money buys, with the plan and the best plans marked."""
    named = {
        "the plan": found.planned,
        "cheapest": found.cheapest,
        "most power": found.strongest,
    }
    marks = [(name, o.cost, o.power) for name, o in named.items() if o is not None]
    return frontier_chart(
        found.options, found.frontier, marks=marks, target=found.target, money=found.money,
        currency=found.currency,
    )  # fmt: skip
