"""What a plan costs: its parts counted as the layout makes them, times their prices."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from silagetrial.display.phrases import block_word
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.planning.plan import Costs, Plan
from silagetrial.planning.plan_checks import room_in_batch

__all__ = ["Bill", "bill_of", "cost_of", "cost_table", "prices"]


@dataclass(frozen=True)
class Bill:
    """What has to be paid for.

    Parameters
    ----------
    farms : int
    pairs : int
        Made, spare ones included.
    opening_days : int
        Openings times the farms they are done on.
    cores : int
        Samples taken: one of the crop for each pair made, and those of the bales opened.
    analyses : int
        Results paid for: of the crop and of the bales, and the duplicates and reference samples
        of every batch.
    """

    farms: int
    pairs: int
    opening_days: int
    cores: int
    analyses: int

    def money(self, costs: Costs) -> float:
        """Return the sum, in the currency of the prices."""
        return (
            self.farms * costs.site
            + self.pairs * costs.pair
            + self.opening_days * costs.opening
            + self.cores * costs.core
            + self.analyses * costs.analysis
        )


def bill_of(plan: Plan) -> Bill:
    """Count what a plan has to pay for.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Bill
        The counts of the layout. Batches are counted with pairs spread over the openings as evenly
        as can be, which a drawn layout may miss by a batch where they do not divide.
    """
    laboratory, openings = plan.laboratory, max(1, len(plan.settings.openings))
    bales = len(plan.settings.compare)
    opened = [site.pairs for site in plan.sites]
    made = sum(opened) + sum(site.spare_pairs for site in plan.sites)
    times = openings if plan.settings.design == "recored" else 1
    samples = sum(opened) * bales * times * laboratory.samples
    results = sum(opened) + samples * laboratory.analyses
    return Bill(
        farms=len({site.name for site in plan.sites}),
        pairs=made,
        opening_days=openings * len(plan.sites),
        cores=made + samples,
        analyses=results + _controls(plan),
    )


def _controls(plan: Plan) -> int:
    """Count duplicates and reference samples over all batches."""
    laboratory = plan.laboratory
    each = len(plan.settings.compare) * laboratory.samples * laboratory.analyses
    total = 0
    for pairs, results in [*((n, 1) for n in _a_day(plan, opening=None)), *_opened(plan, each)]:
        if pairs:
            batches = -(-pairs // max(1, room_in_batch(plan) // results))
            sizes = [pairs // batches + (k < pairs % batches) for k in range(batches)]
            total += sum(min(laboratory.duplicates, size * results) for size in sizes)
            total += batches * laboratory.reference
    return total


def _opened(plan: Plan, each: int) -> list[tuple[int, int]]:
    """Pairs of each opening day, and the results of one pair."""
    openings = range(max(1, len(plan.settings.openings)))
    return [(pairs, each) for k in openings for pairs in _a_day(plan, opening=k)]


def _a_day(plan: Plan, *, opening: int | None) -> list[int]:
    """Return how many pairs are sampled on each day of one opening; None: at baling.

    Farms that bale on the same day share the batches of a day.
    """
    openings = max(1, len(plan.settings.openings))
    separate = plan.settings.design == "separate" and opening is not None
    days: dict[object, int] = {}
    for number, site in enumerate(plan.sites):
        pairs = site.pairs
        if separate:
            # A rest goes to other openings on the next farm.
            shift = ((opening or 0) - number) % openings
            pairs = site.pairs // openings + (shift < site.pairs % openings)
        day = site.label if site.baling is None else site.baling
        days[day] = days.get(day, 0) + pairs
    return list(days.values())


def prices(plan: Plan) -> Costs:
    """Return the prices of a plan.

    Raises
    ------
    NoAnswer
        If none is given: a price is never guessed.
    """
    costs = plan.costs
    if costs is None or not any(
        (costs.site, costs.pair, costs.opening, costs.core, costs.analysis)
    ):
        raise NoAnswer(
            found="no prices in the plan",
            expected="what a farm, a pair, an opening day, a sample and an analysis cost",
            remedy="add to plan.toml a section [costs] with currency, site, pair, opening, core "
            "and analysis; leave out what costs nothing",
        )
    return costs


def cost_of(plan: Plan) -> float:
    """Return what a plan costs.

    Raises
    ------
    NoAnswer
        If no price is given.
    """
    return bill_of(plan).money(prices(plan))


def cost_table(plan: Plan) -> Table:
    """Return what a plan costs, part by part.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Table
        ``what number price money``.

    Raises
    ------
    NoAnswer
        If no price is given.
    """
    costs, bill = prices(plan), bill_of(plan)
    blocks = f"{block_word(plan.settings.compare)}s, spare ones included"
    rows: list[tuple[str, int | None, float | None, float]] = [
        (what, number, price, number * price)
        for what, number, price in (
            ("farms", bill.farms, costs.site),
            (blocks, bill.pairs, costs.pair),
            ("opening days on a farm", bill.opening_days, costs.opening),
            ("samples taken", bill.cores, costs.core),
            ("analyses, controls included", bill.analyses, costs.analysis),
        )
    ]
    rows.append(("in all", None, None, bill.money(costs)))
    return Table(
        pd.DataFrame(rows, columns=["what", "number", "price", "money"]),
        title=f"Costs{f', {costs.currency}' if costs.currency else ''}",
        formats={"number": ".0f", "price": ".2f", "money": ".0f"},
    )
