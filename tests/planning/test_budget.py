"""The best plan for the money: against one call of `power` a choice, and what decides a trial."""

from __future__ import annotations

import itertools
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.assumptions import components, response_planned
from silagetrial.planning.budget import ENOUGH, Budget, budget
from silagetrial.planning.choices import Choice, all_choices, opening_sets, plan_with
from silagetrial.planning.costs import cost_of
from silagetrial.planning.dominance import dominance, sensitivity
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.power import detectable_difference, power
from silagetrial.planning.read_plan import read_plan

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(DEMO)


def changed(plan: Plan, **of_butyric_acid: object) -> Plan:
    assumed = replace(plan.assumptions["butyric_acid"], **of_butyric_acid)
    return replace(plan, assumptions={**plan.assumptions, "butyric_acid": assumed})


def one_by_one(plan: Plan, most: int) -> list[tuple[float, float, Choice]]:
    """Cost and power of every choice, made and computed without the search."""
    found = []
    names = [o.name for o in plan.settings.openings]
    for count, cores, times in itertools.product((1, 2, 3), (1, 2), (1, 2)):
        openings = tuple(names[3 - count :])
        step = count if plan.settings.design == "separate" else 1
        for pairs in range(step, most + 1, step):
            # Two pairs at least, and one for each of the two fields of the first farm.
            if pairs < 2:
                continue
            choice = Choice(2, pairs, openings, cores, times)
            varied = plan_with(plan, choice)
            found.append((cost_of(varied), power(varied).power, choice))
    return found


@pytest.mark.parametrize("design", ["separate", "recored"])
@pytest.mark.slow
def test_the_best_plans_are_those_of_brute_force(plan: Plan, design: str) -> None:
    plan = replace(plan, lost=0.0, settings=replace(plan.settings, design=design))
    plan = changed(plan, effect=(0.35,))
    every = one_by_one(plan, 12)
    found = budget(plan, most_pairs=12, samples=(1, 2), analyses=(1, 2), money=7000.0)
    assert found.cheapest is not None
    assert found.strongest is not None
    reached = min(x for x in every if x[1] >= plan.power)
    assert found.cheapest.cost == reached[0]
    paid = max(p for cost, p, _ in every if cost <= 7000)
    assert found.strongest.power == pytest.approx(min(paid, max(found.options["power"])), abs=1e-9)
    for cost, value, choice in every:
        beaten = found.frontier[(found.frontier["cost"] <= cost)]["power"].max()
        assert beaten >= min(value, ENOUGH) - 1e-9, choice


def test_the_frontier_rises_and_no_plan_lies_above_it(plan: Plan) -> None:
    found = budget(plan, most_pairs=18, samples=(1, 2), analyses=(1,))
    frontier = found.frontier
    assert (np.diff(frontier["cost"]) > 0).all()
    assert (np.diff(frontier["power"]) > 0).all()
    for row in found.options.itertuples():
        assert row.power <= frontier.loc[frontier["cost"] <= row.cost, "power"].max()


def test_each_option_has_the_power_and_cost_of_its_plan(plan: Plan) -> None:
    found = budget(plan, most_pairs=9, samples=(1, 2), analyses=(1, 2))
    for row in found.options.sample(8, random_state=1).itertuples():
        choice = Choice(row.sites, row.pairs, row.openings, row.samples, row.analyses)
        varied = plan_with(plan, choice)
        assert power(varied).power == pytest.approx(row.power, abs=1e-9)
        assert cost_of(varied) == row.cost


def test_a_plan_that_keeps_all_openings_is_named_too(plan: Plan) -> None:
    found = budget(changed(plan, effect=(0.4,)), samples=(1,), analyses=(1,))
    kept = found.cheapest_with_all
    assert kept is not None
    assert found.cheapest is not None
    assert len(kept.choice.openings) == 3
    assert kept.cost > found.cheapest.cost
    assert "cheapest that keeps all openings" in str(found)


def test_nothing_affordable_and_nothing_strong_enough(plan: Plan) -> None:
    poor = budget(plan, money=500.0, most_pairs=6, samples=(1,), analyses=(1,))
    assert poor.strongest is None
    weak = budget(changed(plan, effect=(0.98,)), most_pairs=6, samples=(1,), analyses=(1,))
    assert weak.cheapest is None
    assert weak.strongest is not None
    assert "cheapest with the power wanted" not in str(weak)
    none = budget(replace(plan, costs=replace(plan.costs, money=None)), most_pairs=6)
    assert none.strongest is None


def test_variances_given_change_with_samples_by_what_the_plan_assumes(plan: Plan) -> None:
    spread = plan.assumptions["butyric_acid"].spread
    given = components(spread, response_planned(plan), plan.laboratory)
    options = {"most_pairs": 6, "samples": (1, 2), "analyses": (1, 2)}
    by_array, by_plan = budget(plan, spread=given, **options), budget(plan, **options)
    np.testing.assert_allclose(by_array.options["power"], by_plan.options["power"], rtol=1e-9)
    same = budget(plan, spread=spread, **options)
    np.testing.assert_allclose(same.options["power"], by_plan.options["power"], rtol=1e-9)


def test_an_effect_by_opening_follows_the_openings_kept(plan: Plan) -> None:
    # At 8 months the plan assumes 0.6, whatever openings stand beside it.
    found = budget(plan, most_pairs=6, samples=(1,), analyses=(1,))
    same = budget(plan, effect=0.6, most_pairs=6, samples=(1,), analyses=(1,))
    np.testing.assert_allclose(found.options["power"], same.options["power"], rtol=1e-9)


def test_opening_sets_keep_the_question(plan: Plan) -> None:
    first, middle, last = (o.name for o in plan.settings.openings)
    assert opening_sets(plan) == ((last,), (middle, last), (first, middle, last))
    assert set(opening_sets(replace(plan, aim="growth"))) == {(first, last), (first, middle, last)}
    assert opening_sets(replace(plan, aim="average")) == ((first, middle, last),)
    with pytest.raises(NoAnswer, match="no openings"):
        opening_sets(replace(plan, settings=replace(plan.settings, openings=())))


def test_choices_can_be_laid_out(plan: Plan) -> None:
    choices = all_choices(plan, most_pairs=12, samples=(1, 3), analyses=(1, 3), sites=(2, 3))
    assert len(set(choices)) == len(choices)
    for choice in choices:
        assert choice.pairs % len(choice.openings) == 0
        # Two bales, all their results in one batch of 20 less two controls.
        assert 2 * choice.samples * choice.analyses <= 18
    assert all_choices(plan, most_pairs=1, samples=(1,), analyses=(1,), sites=(2,)) == ()
    farms = [site.name for site in plan_with(plan, choices[-1]).sites]
    assert farms == ["Farrowby", "Withenshaw", "further farm 1"]


def test_more_farms_can_be_looked_at(plan: Plan) -> None:
    found = budget(plan, most_pairs=6, samples=(1,), analyses=(1,), sites=(1, 2, 3))
    assert set(found.options["sites"]) == {1, 2, 3}


def test_what_keeps_the_search_from_an_answer_is_said(plan: Plan) -> None:
    with pytest.raises(UsageError, match="no choice of up to 1 pairs"):
        budget(plan, most_pairs=1)
    with pytest.raises(NoAnswer, match="below the limit"):
        budget(changed(plan, limit=9.0), most_pairs=6)
    with pytest.raises(NoAnswer, match="no prices"):
        budget(replace(plan, costs=None))


def test_the_search_takes_seconds(plan: Plan) -> None:
    start = time.perf_counter()
    found: Budget = budget(plan)
    assert len(found.options) > 200
    assert time.perf_counter() - start < 30  # 2 to 3 s alone on one core


def test_shares_sum_to_one_and_are_the_slopes(plan: Plan) -> None:
    parts = dominance(plan).frame.set_index("source")
    assert parts["share"].sum() == pytest.approx(1.0)
    # Pair and farm drop out of a difference within pairs.
    assert parts.loc[["pair", "site"], "share"].max() < 0.01
    # What lies within pairs shares the variance as its variances stand to each other.
    inside = parts.loc[["bale", "core", "laboratory"]]
    expected = inside["variance"] / inside["variance"].sum()
    np.testing.assert_allclose(inside["share"], expected, atol=0.01)
    # Slope of the variance of the contrast by recomputation with 0.1 % more between bales.
    of, laboratory = response_planned(plan), plan.laboratory
    base = components(plan.assumptions["butyric_acid"].spread, of, laboratory)
    more = base.copy()
    more[4] *= 1.001
    errors = [power(plan, spread=v).std_error for v in (base, more)]
    slope = ((errors[1] / errors[0]) ** 2 - 1) / 0.001
    assert parts.loc["bale", "share"] == pytest.approx(slope, rel=0.01)


@pytest.mark.parametrize("response", ["butyric_acid", "dm_loss"])
@pytest.mark.slow
def test_halving_buys_what_a_plan_with_less_variation_needs(plan: Plan, response: str) -> None:
    parts = dominance(plan, response=response, target=0.7).frame.set_index("source")
    now = pairs_needed(plan, response=response, target=0.7).pairs
    assert now is not None
    spread = plan.assumptions[response].spread
    for name in ("bale", "core", "laboratory"):
        had = getattr(spread, name)
        # A coefficient of variation c is a log variance log(1 + c^2).
        less = np.sqrt(np.sqrt(1 + had**2) - 1) if response == "butyric_acid" else had / np.sqrt(2)
        smaller = replace(spread, **{name: float(less)})
        needed = pairs_needed(plan, response=response, spread=smaller, target=0.7).pairs
        assert parts.loc[name, "pairs"] == needed
        assert parts.loc[name, "saved"] == now - needed


@pytest.mark.slow
def test_farms_dominate_where_the_effect_differs_between_them(plan: Plan) -> None:
    sites = tuple(replace(plan.sites[1], name=f"farm {k}", pairs=9) for k in range(6))
    many = replace(plan, sites=sites, lost=0.0)
    spread = replace(plan.assumptions["butyric_acid"].spread, effect_between_sites=0.5)
    first = dominance(changed(many, spread=spread)).frame.iloc[0]
    assert first["source"] == "site:binding"
    assert first["share"] > 0.4


def test_variation_that_is_not_divided_stands_as_one(plan: Plan) -> None:
    variances = np.array([0.1, 0.0, 0.0, 0.1, 0.2, 0.1])
    undivided = changed(plan, spread=Spread(bale=0.5))
    parts = dominance(undivided, spread=variances, target=0.5).frame
    assert "within" in set(parts["source"])
    assert "between samples of a bale and their analyses" in set(parts["what"])


def test_sensitivity_is_the_power_at_other_variances(plan: Plan) -> None:
    table = sensitivity(plan).frame.set_index("variances")
    of = response_planned(plan)
    base = components(plan.assumptions["butyric_acid"].spread, of, plan.laboratory)
    for name, scale in (("halved", 0.5), ("as assumed", 1.0), ("doubled", 2.0)):
        assert table.loc[name, "power"] == pytest.approx(power(plan, spread=scale * base).power)
        seen = detectable_difference(plan, spread=scale * base)
        # The plan assumes a ratio below 1.
        assert table.loc[name, "detectable"] == pytest.approx(seen.other_side)
    assert (np.diff(table["power"]) < 0).all()
    assert (np.diff(table["pairs"]) > 0).all()
