"""From a plan's assumptions, departures and grid to scenarios, and from there to one table."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from planning.simulation_plans import plan_of

from silagetrial.data.settings import MeasurementSd
from silagetrial.errors import DataProblems, UsageError
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.from_plan import ANALYSES, scenario_of, truth_of
from silagetrial.planning.grids import scenarios_of
from silagetrial.planning.plan import Laboratory, Plan, Spread
from silagetrial.planning.planned_rows import planned_rows
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.truth import MassBalance, Truth

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"
SPREAD = Spread(pair=0.3, bale=0.4, core=0.5)
PLAN = plan_of(4, openings=(60, 150), effect=(0.4,), spread=SPREAD)
ACID = plan_of(4, response="butyric_acid", effect=(0.7,), level=3.0, limit=0.2, spread=SPREAD)


def expand(plan: Plan, grid: dict[str, tuple[float, ...]], **options: object) -> list[Scenario]:
    response = response_planned(plan)
    return scenarios_of(plan, response, grid, analyses=ANALYSES, **options)


def changed(tmp_path: Path, *edits: tuple[str, str], more: str = "") -> Path:
    text = DEMO.read_text(encoding="utf-8")
    for old, new in edits:
        assert text.count(old) == 1
        text = text.replace(old, new)
    file = tmp_path / "plan.toml"
    file.write_text(text + more, encoding="utf-8")
    return file


def test_every_combination_is_one_scenario_and_one_table() -> None:
    grid = {"pairs": (3, 5), "lost": (0.0, 0.2), "effect": (0.0, 0.6)}
    out = simulate_power(PLAN, trials=256, seed=3, grid=grid)
    frame = out.table.frame
    assert list(frame.columns[:3]) == list(grid)
    points = frame[list(grid)].drop_duplicates()
    assert len(points) == 8
    assert len(frame) == 8 * 2 * 4
    assert list(points.iloc[1]) == [3, 0.0, 0.6]
    power = frame[frame["contrast"] == "average"].groupby(["effect", "pairs"])["rejected"].mean()
    assert power[0.6, 5] > power[0.6, 3] > power[0.0, 3]
    assert set(out.shown.frame["contrast"]) == {out.primary}
    assert len(out.shown.frame) == 8 * 2


def test_the_first_point_has_the_bits_of_the_plan_changed_by_hand() -> None:
    by_hand = replace(plan_of(6, openings=(60, 150), effect=(0.9,), spread=SPREAD,
                              departures={"half_life": 40.0}), lost=0.1)  # fmt: skip
    grid = {"pairs": (6,), "half_life": (40.0, 0.0), "lost": (0.1,), "effect": (0.9,)}
    one = simulate_power(by_hand, trials=200, seed=4).table.frame
    other = simulate_power(PLAN, trials=200, seed=4, grid=grid).table.frame
    pd.testing.assert_frame_equal(
        one, other[other["half_life"] == 40.0][one.columns].reset_index(drop=True), check_exact=True
    )


def test_axes_change_what_they_say() -> None:
    (one,) = expand(PLAN, {"sites": (3,), "pairs": (2,), "spread": (2.0,), "missing": (0.1,)})
    assert list(one.book.rows["site"].unique()) == ["farm 0", "farm 0 (2)", "farm 0 (3)"]
    assert one.book.rows["pair"].nunique() == 6
    assert one.truth.spread.core == pytest.approx(1.0)
    assert one.truth.missing == 0.1
    four = expand(ACID, {"limit": (0.1, 0.4), "level": (2.0,), "analyses": (4,), "samples": (2,)})
    assert [s.truth.limit for s in four] == [math.log(0.1), math.log(0.4)]
    assert four[0].truth.level == (math.log(2.0),)
    # Two samples of coefficient of variation .5 averaged: variance log(1 + .25/2).
    assert four[0].truth.spread.core ** 2 == pytest.approx(math.log1p(0.125))
    assert four[0].book is four[1].book, "one layout, one search for its model"


def test_the_plans_own_grid_is_taken_unless_another_is_given(tmp_path: Path) -> None:
    file = changed(tmp_path, more="\n[grid]\npairs = [6, 9]\nby_opening = [1, 2.5]\n")
    assert read_plan(file).grid == {"pairs": (6, 9), "by_opening": (1, 2.5)}
    assert len(simulate_power(file, trials=10).scenarios) == 4
    assert len(simulate_power(file, trials=10, grid={"tails": [4, 8]}).scenarios) == 2
    assert len(simulate_power(file, trials=10, grid={}).scenarios) == 1


@pytest.mark.parametrize(
    ("line", "found", "expected"),
    [
        ("pairs = [6, 6]", "pairs = [6, 6]", "several different ones"),
        ("pairs = [6, 2.5]", "pairs = [6, 2.5]", "whole numbers from 1"),
        ("pairs = 6", "pairs = 6", "a list of numbers"),
        ("spread = [-1]", "spread = [-1]", "factors from 0"),
        ("limit = [0, 0.2]", "limit = [0, 0.2]", "values above 0"),
        ("pears = [6]", "pears", "pairs"),
    ],
)
def test_a_grid_that_makes_no_sense_is_a_problem_of_the_plan(
    tmp_path: Path, line: str, found: str, expected: str
) -> None:
    file = changed(tmp_path, more=f"\n[grid]\n{line}\n")
    with pytest.raises(DataProblems) as caught:
        read_plan(file)
    (problem,) = caught.value.problems
    assert found in problem.found
    assert expected in f"{problem.expected} {problem.remedy}"
    assert problem.line == file.read_text(encoding="utf-8").count("\n")


def test_a_grid_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(UsageError, match="'paris' in the grid") as caught:
        expand(PLAN, {"paris": (3,)})
    assert "pairs" in caught.value.remedy
    with pytest.raises(UsageError, match="one value or several"):
        expand(PLAN, {"pairs": ()})
    with pytest.raises(UsageError, match="pairs=5 beside pairs in the grid"):
        expand(PLAN, {"pairs": (3,)}, pairs=5)
    with pytest.raises(UsageError, match="a share from 0 to below 1"):
        expand(PLAN, {"missing": (1.5,)})
    with pytest.raises(UsageError, match="analyses in the grid beside a finished report"):
        expand(PLAN, {"analyses": (2,)}, variances=np.ones(6))


def test_departures_of_a_plan_are_drawn(tmp_path: Path) -> None:
    words = "by_opening = 2, by_binding = 1.5, half_life = 90, tails = 5, batch = 0.4, " \
            "spoilage = 1, missing = 0.05"  # fmt: skip
    plan = read_plan(changed(tmp_path, ("limit = 0.2", f"limit = 0.2\ndepartures = {{{words}}}")))
    truth = truth_of(plan, response_planned(plan))
    told = (truth.by_opening, truth.by_binding, truth.half_life, truth.tails, truth.spoilage,
            truth.missing, truth.lost)  # fmt: skip
    assert told == (2, 1.5, 90, 5, 1, 0.05, 0.03)
    # Lognormal with coefficient of variation .4 (exact): the variance of its logarithm.
    assert truth.batch**2 == pytest.approx(math.log1p(0.16))


def test_scales_and_ovens_of_the_plan_are_under_dm_losses(tmp_path: Path) -> None:
    sds = ("[units]", "[measurement_sd]\nmass = 2.0\ndm = 8.0\n\n[units]")
    plan = read_plan(changed(tmp_path, sds, (
        "difference = -1.0  # percentage points, film minus net",
        "difference = -1.0\ndepartures = {fresh_mass = 700, dry_matter = 420}",
    )))  # fmt: skip
    truth = truth_of(plan, response_planned(plan, "dm_loss"))
    assert truth.balance == MassBalance(mass=700, dm=420, mass_sd=2.0, dm_sd=8.0)
    assert truth_of(plan, response_planned(plan)).balance is None, "no mass in a concentration"
    out = simulate_power(plan, response="dm_loss", trials=64)
    assert "errors of scales (SD 2 kg of 700 kg) and ovens (SD 8 of 420 g/kg)" in str(out)
    bare = replace(plan.settings, measurement_sd=MeasurementSd())
    none = truth_of(replace(plan, settings=bare), response_planned(plan, "dm_loss"))
    assert none.balance is None


def test_a_dry_matter_that_cannot_be_is_a_problem_of_the_plan(tmp_path: Path) -> None:
    file = changed(tmp_path, (
        "difference = -1.0  # percentage points, film minus net",
        "difference = -1.0\ndepartures = {dry_matter = 1200}",
    ))  # fmt: skip
    with pytest.raises(DataProblems, match="between 0 and 1000"):
        read_plan(file)
    with pytest.raises(UsageError, match="kg, above 0"):
        MassBalance(mass=0.0)


def test_batches_hold_whole_pairs_of_one_opening() -> None:
    plan = replace(PLAN, laboratory=Laboratory(batch=8, duplicates=1, reference=True))
    scenario = scenario_of(plan_of_pairs(plan, 7), Truth(SPREAD))
    rows = planned_rows(plan_of_pairs(plan, 7), (7,)).assign(batch=scenario.grid.batch)
    # Six results beside two controls: three pairs; seven pairs take three batches an opening.
    assert rows["batch"].nunique() == 6
    assert (rows.groupby(["pair", "opening"])["batch"].nunique() == 1).all()
    assert (rows.groupby("batch")["opening"].nunique() == 1).all()
    assert rows.groupby("batch").size().max() <= 6


def plan_of_pairs(plan: Plan, pairs: int) -> Plan:
    return replace(plan, sites=tuple(replace(site, pairs=pairs) for site in plan.sites))


def test_variances_of_a_finished_report_are_drawn(tmp_path: Path) -> None:
    rows = [{"estimate": v} for v in (0.09, 0.16, 0.25)]
    variances = {"terms": ["pair", "bale", "residual"], "estimates": rows,
                 "covariance": np.eye(3).tolist()}  # fmt: skip
    content = {
        "title": "invented", "design": "recored", "level": 0.95,
        "responses": {"pH": {"variances": variances, "differences": [], "effect": "difference"}},
    }  # fmt: skip
    (tmp_path / "results.json").write_text(json.dumps(content), encoding="utf-8")
    out = simulate_power(replace(PLAN, assumptions={}), report=tmp_path, effect=0.4, trials=128,
                         grid={"spread": (1.0, 2.0)})  # fmt: skip
    found = [scenario.truth.spread for scenario in out.scenarios]
    assert found[0] == Spread(pair=0.3, bale=0.4, core=0.5)
    assert found[1].bale == pytest.approx(0.8)
