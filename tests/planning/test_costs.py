"""Costs of a plan: counted by hand, and against the layout that is drawn from the plan."""

from dataclasses import replace
from pathlib import Path

import pytest

from silagetrial.errors import NoAnswer
from silagetrial.planning.costs import bill_of, cost_of, cost_table
from silagetrial.planning.layout import plan_trial
from silagetrial.planning.plan import Costs, Plan
from silagetrial.planning.read_plan import read_plan

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(DEMO)


def test_counts_by_hand(plan: Plan) -> None:
    # Two farms, 12 and 9 pairs and one spare on each, three openings, one sample, one analysis,
    # batches of 20 of which a duplicate and a reference take 2.
    bill = bill_of(plan)
    assert (bill.farms, bill.pairs, bill.opening_days) == (2, 23, 6)
    # A crop sample of each pair made, and one of each of the 42 bales opened.
    assert bill.cores == 23 + 42
    # 21 crop samples and 42 of bales; batches: crop 1 + 1, openings (4 and 3 pairs, 2 results
    # each, on two dates) 3 + 3; each with 2 controls.
    assert bill.analyses == 21 + 42 + 8 * 2
    assert cost_of(plan) == 2 * 600 + 23 * 90 + 6 * 150 + 65 * 8 + 79 * 55


def test_the_table_adds_up(plan: Plan) -> None:
    frame = cost_table(plan).frame
    assert frame["money"].iloc[:-1].sum() == frame["money"].iloc[-1] == cost_of(plan)
    assert "pairs, spare ones included" in str(cost_table(plan))
    assert cost_table(plan).title == "Costs, EUR"


@pytest.mark.parametrize("design", ["separate", "recored"])
@pytest.mark.parametrize(("samples", "analyses", "duplicates"), [(1, 1, 1), (2, 3, 2), (3, 1, 0)])
@pytest.mark.parametrize("same_day", [False, True])
def test_the_layout_has_what_is_paid_for(
    plan: Plan, design: str, samples: int, analyses: int, duplicates: int, same_day: bool
) -> None:
    day = plan.sites[0].baling
    sites = tuple(
        replace(site, pairs=12, spare_pairs=2, baling=day if same_day else site.baling)
        for site in plan.sites
    )
    laboratory = replace(
        plan.laboratory, samples=samples, analyses=analyses, duplicates=duplicates, batch=30
    )
    settings = replace(plan.settings, design=design)
    varied = replace(plan, sites=sites, laboratory=laboratory, settings=settings)
    layout, bill = plan_trial(varied), bill_of(varied)
    assert bill.pairs == layout.bales["pair"].nunique()
    assert bill.opening_days == len(layout.calendar)
    key = layout.key
    opened = set(layout.rows["bale"])
    results = key[(key["kind"] != "day0") & (key["role"] == "sample") & key["of"].isin(opened)]
    day0 = key[(key["kind"] == "day0") & (key["role"] == "sample")]
    assert bill.cores == len(results) / analyses + len(day0)
    assert bill.analyses == key["batch"].notna().sum()


def test_without_prices_nothing_is_guessed(plan: Plan) -> None:
    for costs in (None, Costs(currency="EUR", money=100.0)):
        with pytest.raises(NoAnswer, match="no prices in the plan") as error:
            cost_of(replace(plan, costs=costs))
        assert "[costs]" in error.value.remedy
