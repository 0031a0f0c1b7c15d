"""What would spoil the comparison: each raised by a plan that has it, and only then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd
import pytest
from invented_plans import BALING, EQUAL, make_plan

from silagetrial.analysis.model import choose_model
from silagetrial.planning.layout import plan_trial
from silagetrial.planning.plan import Factor, Laboratory, Plan, SitePlan
from silagetrial.planning.spoilers import spoilers

MANY = (6,) * 7
FILM = Factor("film_layers", ("4", "6"))
DATED = SitePlan("", 0, baling=BALING)


def test_a_sound_plan_has_nothing_to_say() -> None:
    assert plan_trial(make_plan(*MANY)).warnings == ()


@dataclass(frozen=True)
class Case:
    """A plan, and what must be said of it and of nothing else under that key."""

    plan: Plan
    severity: str
    key: str
    found: str
    expected: str
    remedy: str


CASES = (
    Case(make_plan(1, openings=1), "error", "layout.pairs", "1 pair in the comparison leaves no "
         "degrees of freedom", "at least one more pair", "six or more"),
    Case(make_plan(*MANY, held_equal={"baler": "X"}), "error", "held_equal.film_layers",
         "no film_layers", "under [held_equal], or as a factor", "add film_layers = 6"),
    Case(make_plan(*MANY, held_equal={"film_layers": 6}), "warning", "held_equal.baler",
         "no baler", "baler under [held_equal]", "cannot be told from the binding"),
    Case(make_plan(*MANY, switch_every=2), "warning", "layout.switch_every",
         "switched every 2 bales: 42 runs", "switched at every bale", "the run, not the bale"),
    Case(make_plan(5, openings=1), "warning", "layout.pairs", "4 degrees of freedom", "6 or more",
         "one more pair gives one more"),
    Case(make_plan(2, openings=1), "warning", "layout.pairs", "1 degree of freedom", "6 or more",
         "confirm it by simulation"),
    Case(make_plan(12, 12, 12, 12, switch_every=6), "warning", "layout.pairs",
         "4 degrees of freedom", "6 or more", "one more run of each binding"),
    Case(make_plan(15), "warning", "layout.pairs", "5 pairs at 6 months: the exact test by "
         "randomisation cannot give a p below 0.062", "p below alpha, 0.05", "plan more pairs"),
    Case(make_plan(4, 4, 4, 4, 4, openings=4), "warning", "layout.pairs",
         "4 degrees of freedom", "6 or more", "one more site"),
    Case(make_plan(3), "warning", "layout.pairs", "1 pair at the opening '6 months'",
         "at least 2", "how pairs vary"),
    Case(make_plan(12, 2), "warning", "sites.pairs", "no pair of Farm 2 at some opening",
         "at least 3 pairs", "leave the site out"),
    Case(make_plan(12), "warning", "sites", "1 farm", "5 or more", "this farm only"),
    Case(make_plan(12, 12), "warning", "sites", "2 farms", "5 or more", "these 2 farms only"),
    Case(make_plan(*MANY, design="recored"), "warning", "design.bales", "each core is an air leak",
         "separate bales", 'bales = "separate"'),
    Case(make_plan(3, openings=1, factors=(FILM,), held_equal={"baler": "X"}), "warning",
         "factors", "binding:film_layers cannot be estimated: one bale a film_layers",
         "pairs of every film_layers", "fewer levels"),
    Case(make_plan(*MANY, laboratory=Laboratory(reference=False)), "warning",
         "laboratory.reference", "a drift of the laboratory cannot be told from storage time",
         "the same frozen reference", "reference = true"),
    Case(make_plan(*MANY, laboratory=Laboratory(duplicates=0)), "warning",
         "laboratory.duplicates", "no blind duplicates", "one or more", "set duplicates = 1"),
    Case(make_plan(12, site=SitePlan("", 0)), "warning", "sites.baling",
         "no day of baling for Farm 1", "a planned day", "with the same seed"),
    Case(make_plan(12, lost=0.1), "warning", "layout.spare_pairs",
         "0 spare pairs on Farm 1, where 2.3 pairs are expected", "spare pairs",
         "spare_pairs = 3"),
    Case(make_plan(12, site=replace(DATED, tiers=4)), "warning", "sites.tiers",
         "stacked 4 high on Farm 1", "at most 3", "use more places"),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.key}-{case.found[:24]}")
def test_spoiler(case: Case) -> None:
    said = [
        item
        for item in plan_trial(case.plan).warnings
        if item.column == case.key and case.found in item.found
    ]
    assert len(said) == 1, plan_trial(case.plan).warnings
    assert said[0].severity == case.severity
    assert said[0].file == "plan.toml"
    assert case.expected in said[0].expected
    assert case.remedy in said[0].remedy


def test_three_bindings_need_a_primary_contrast() -> None:
    plan = make_plan(*MANY, bindings=3)
    assert plan_trial(plan).warnings == ()
    analysis = replace(plan.settings.analysis, contrast=())
    plan = replace(plan, settings=replace(plan.settings, analysis=analysis))
    (said,) = plan_trial(plan).warnings
    assert said.column == "analysis.contrast"
    assert "3 bindings and no primary contrast" in said.found
    assert "the one primary comparison" in said.expected
    assert "the binding of interest first" in said.remedy


def test_spare_pairs_for_the_losses_expected_are_enough() -> None:
    """The pairs that stay whole are then as many as are to be opened."""
    plan = make_plan(*MANY, lost=0.1, site=replace(DATED, spare_pairs=2))
    assert (6 + 2) * 0.9**2 >= 6 > (6 + 1) * 0.9**2
    assert plan_trial(plan).warnings == ()


def edited(edit: Callable[[pd.DataFrame], pd.Series | list[object]], column: str) -> list[str]:
    """Spoilers of a sound plan of which one column was changed by hand."""
    plan = make_plan(*MANY)
    rows = plan_trial(plan).rows.copy()
    rows[column] = edit(rows)
    model = choose_model(rows, plan.settings)
    return [f"{item.severity}: {item.found}" for item in spoilers(plan, rows, model)]


@pytest.mark.parametrize(
    "column",
    ["field", "cut", "baler", "film_layers", "store", "tier", "laboratory", "batch", "additive"],
)
def test_binding_told_by_another_column(column: str) -> None:
    found = edited(lambda rows: (rows["binding"] == "net").map({True: "a", False: "b"}), column)
    assert found == [
        f"error: each {column} has bales of one binding only: binding and {column} are confounded"
    ]


def test_binding_told_by_the_opening() -> None:
    names = {"net": "2 months", "film": "4 months"}
    found = edited(lambda rows: rows["binding"].map(names), "opening")
    assert any("binding and opening are confounded" in text for text in found)


def test_one_binding_always_first() -> None:
    def net_first(rows: pd.DataFrame) -> pd.Series:
        ranked = rows.assign(later=rows["binding"] != "net").sort_values(["pair", "later"])
        return (ranked.groupby("site").cumcount() + 1).reindex(rows.index)

    found = edited(net_first, "order")
    assert found == [
        "error: net is made first in each of 42 pairs: binding and order are confounded"
    ]


def test_order_within_runs_is_drawn_once_a_set_and_hides_no_warning() -> None:
    """Two sets of runs begin with one binding in half of all draws (coins): no error of design."""
    plan = make_plan(24, openings=1, switch_every=12)
    layouts = [plan_trial(plan, seed=seed) for seed in range(6)]
    begun = [
        layout.rows.sort_values("order").drop_duplicates("pair")["binding"].nunique()
        for layout in layouts
    ]
    assert {1, 2} == set(begun)
    for layout in layouts:
        said = [problem.found for problem in layout.warnings]
        assert not any("made first" in text for text in said)
        assert (
            "the binding is switched every 12 bales: 4 runs of one binding, which leave 1 degree "
            "of freedom for the error of the binding, and all that changes between runs looks "
            "like the binding"
        ) in said


def test_one_binding_first_in_every_set_of_runs() -> None:
    plan = make_plan(24, switch_every=2)
    layout = plan_trial(plan)
    # As if net began every set: its runs are those of the first bales.
    made = layout.rows.drop_duplicates("bale").sort_values("order")
    first = made.drop_duplicates("pair").drop_duplicates("run")["run"]
    net_first = layout.rows.assign(
        binding=layout.rows["run"].isin(first).map({True: "net", False: "film"})
    )
    model = choose_model(net_first, plan.settings)
    found = [str(each.severity) + ": " + each.found for each in spoilers(plan, net_first, model)]
    assert (
        "error: net is made first in each of 12 sets of runs: binding and order are confounded"
    ) in found


def test_pairs_under_unlike_conditions() -> None:
    def first_moved(rows: pd.DataFrame) -> list[object]:
        return ["shed" if n in (0, 4) else "yard" for n in range(len(rows))]

    found = edited(first_moved, "store")
    assert found == ["warning: store differs between the bales of pair P01 and 1 more"]


def test_too_few_pairs_when_baling_stops_early() -> None:
    layout = plan_trial(make_plan(12), stopped_early={"Farm 1": 2})
    assert layout.warnings[0].severity == "error"
    assert "2 pairs in the comparison leave no degrees of freedom" in layout.warnings[0].found


def test_losses_count_the_pairs_made() -> None:
    plan = make_plan(12, lost=0.1, site=replace(DATED, spare_pairs=3))
    keys = [item.column for item in plan_trial(plan).warnings]
    assert "layout.spare_pairs" not in keys
    stopped = plan_trial(plan, stopped_early={"Farm 1": 7}).warnings
    (said,) = (item for item in stopped if item.column == "layout.spare_pairs")
    assert "0 spare pairs on Farm 1, where 1.3 pairs" in said.found


def test_declared_factor_needs_no_equal_film_layers() -> None:
    plan = make_plan(*MANY, factors=(FILM,), held_equal={"baler": EQUAL["baler"]})
    assert plan_trial(plan).warnings == ()
