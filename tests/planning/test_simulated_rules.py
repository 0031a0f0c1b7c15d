"""What decided the package's rules, simulated again with its own draws and analyses.

The values are the project's own (`tests/reference/simulated.json`), from scripts that share no code
with the package; they agree within the Monte Carlo error of both.  The two-sample t is scipy's.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from planning.simulation_plans import plan_of
from scipy import stats

from silagetrial.planning.chunks import chunk_rng
from silagetrial.planning.draws import Drawn, draw_trials
from silagetrial.planning.from_plan import scenario_of
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.power import power
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.tally import Tally
from silagetrial.planning.trial_analyses import PairedTAnalysis, RemlAnalysis
from silagetrial.planning.truth import Truth

REFERENCE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "simulated.json").read_text(encoding="utf-8")
)
THEIRS = REFERENCE["monte_carlo_error"]
CHUNK, CHUNKS = 128, 80
TRIALS = CHUNK * CHUNKS
NULL = Truth(Spread(core=1.0))

Draw = Callable[[Grid, np.random.Generator, int], Drawn]


def within(share: float, *, given: float | None = None) -> float:
    """Four Monte Carlo errors of our share, and of theirs where it is theirs (`given`)."""
    ours = math.sqrt(max(share, 1 / TRIALS) * (1 - share) / TRIALS)
    return 4 * math.hypot(ours, THEIRS if given is None else given)


def shares(plan: Plan, draw: Draw, *, unit: str = "") -> dict[str, dict[str, float]]:
    """Share of significant trials by analysis and contrast; all openings stay in the model."""
    scenario = scenario_of(plan, NULL)
    question = scenario.book.question(tuple(range(len(scenario.grid.days))))
    assert question is not None
    if unit:
        question = replace(question, unit=unit)
    hits = []
    for chunk in range(CHUNKS):
        drawn = draw(scenario.grid, chunk_rng(11, 0, chunk), CHUNK)
        hits.append([a(question, scenario.grid, drawn, 0.95).p_value < 0.05
                     for a in (RemlAnalysis(), PairedTAnalysis())])  # fmt: skip
    found = np.mean(np.concatenate(hits, axis=1), axis=1)
    return {name: dict(zip(scenario.book.names, row.tolist(), strict=True))
            for name, row in zip(("model", "paired t"), found, strict=True)}  # fmt: skip


def from_truth(truth: Truth) -> Draw:
    return lambda grid, rng, count: draw_trials(grid, truth, rng, count)


def run(scenario: Scenario) -> Tally:
    tally = scenario.run(chunk_rng(11, 0, 0), CHUNK, 0)
    for chunk in range(1, CHUNKS):
        tally = tally + scenario.run(chunk_rng(11, 0, chunk), CHUNK, chunk)
    return tally


def rejected(tally: Tally, scenario: Scenario, contrast: str, analysis: int = 0) -> float:
    return float(tally.sums[analysis, scenario.book.names.index(contrast), 1] / tally.trials)


@pytest.mark.slow
@pytest.mark.parametrize("row", REFERENCE["recored_sizes"]["rows"], ids=str)
def test_free_variances_keep_the_size_and_variances_held_at_zero_do_not(
    row: dict[str, float],
) -> None:
    within_bale = 1 - row["pair"] - row["bale"]
    spread = Spread(
        pair=row["pair"] ** 0.5, bale=row["bale"] ** 0.5, core=within_bale**0.5
    )  # fmt: skip
    free = scenario_of(plan_of(int(row["pairs"])), Truth(spread))
    held = replace(free, book=replace(free.book, bound="zero", key=""))
    for scenario, wanted in ((free, row["free"]), (held, row["held"])):
        size = rejected(run(scenario), scenario, "average")
        assert size == pytest.approx(wanted, abs=within(wanted))


@pytest.mark.slow
def test_spread_that_grows_spoils_the_pooled_residual() -> None:
    wanted = REFERENCE["grown_spread"]
    sd = np.array(wanted["sd"]) / math.sqrt(2.0)

    def draw(grid: Grid, rng: np.random.Generator, count: int) -> Drawn:
        return Drawn(sd[grid.opening] * rng.standard_normal((count, len(grid.opening))), None, None)

    found = shares(plan_of(6), draw)
    for contrast, value in (("at 30 days", wanted["first"]), ("at 270 days", wanted["last"])):
        assert found["model"][contrast] == pytest.approx(value, abs=within(value))
        assert found["paired t"][contrast] == pytest.approx(0.05, abs=within(0.05))


@pytest.mark.slow
def test_serial_correlation_spoils_the_contrast_of_growth() -> None:
    wanted = REFERENCE["serial"]
    draw = from_truth(Truth(Spread(core=1.0), half_life=wanted["half_life"]))
    found = shares(plan_of(6), draw)
    assert found["model"]["growth"] == pytest.approx(wanted["growth"], abs=within(wanted["growth"]))
    assert found["paired t"]["growth"] == pytest.approx(0.05, abs=within(0.05))


@pytest.mark.slow
@pytest.mark.parametrize(("openings", "name"), [(1, "one"), (2, "two")])
def test_constants_in_the_pooled_residual_spoil_the_other_openings(
    openings: int, name: str
) -> None:
    def draw(grid: Grid, rng: np.random.Generator, count: int) -> Drawn:
        drawn = draw_trials(grid, NULL, rng, count)
        return Drawn(np.where(grid.opening < openings, -3.0, drawn.y), None, None)

    wanted = REFERENCE["below_limit"][name]
    found = shares(plan_of(12), draw)
    for contrast in ("at 180 days", "at 270 days"):
        # Two digits are given: half a unit of the second beside the Monte Carlo error.
        assert found["model"][contrast] == pytest.approx(wanted, abs=within(wanted) + 0.005)
        assert found["paired t"][contrast] == pytest.approx(0.05, abs=within(0.05))


@pytest.mark.slow
@pytest.mark.parametrize("openings", [1, 2])
def test_an_opening_below_the_limit_does_no_harm_where_it_leaves_the_model(openings: int) -> None:
    level = tuple(-6.0 if k < openings else 0.0 for k in range(4))
    truth = Truth(Spread(core=1.0), level=level, limit=-3.0, substitute=-3.7)
    scenario = scenario_of(plan_of(12), truth)
    tally = run(scenario)
    for contrast in ("at 180 days", "at 270 days", "average"):
        size = rejected(tally, scenario, contrast)
        assert size == pytest.approx(0.05, abs=within(0.05, given=0.0))
    assert rejected(tally, scenario, "at 30 days") == 0.0


@pytest.mark.slow
def test_pairs_are_no_replicates_of_farms() -> None:
    wanted = REFERENCE["farms"]
    draw = from_truth(Truth(Spread(pair=0.3, bale=0.5, effect_between_sites=0.3)))
    plan = plan_of(4, sites=6, openings=(60,), design="separate")
    by_farm = shares(plan, draw)
    for analysis in ("model", "paired t"):
        size = by_farm[analysis]["at 60 days"]
        assert size == pytest.approx(wanted["farm_means"], abs=within(0.05))
    by_pair = shares(plan, draw, unit="bale")["paired t"]["at 60 days"]
    value = wanted["pairs_as_replicates"]
    assert by_pair == pytest.approx(value, abs=within(value))


def test_bales_are_no_replicates_of_runs() -> None:
    wanted = REFERENCE["runs"]
    plan = replace(plan_of(12, openings=(60,), design="separate"), switch_every=6)
    grid = scenario_of(plan, NULL).grid
    assert len(np.unique(grid.run)) == 4
    assert len(np.unique(grid.bale)) == 24
    share = wanted["run"]
    truth = Truth(Spread(run=share**0.5, bale=(1 - share) ** 0.5))
    y = draw_trials(grid, truth, chunk_rng(11, 0, 0), TRIALS).y
    p = stats.ttest_ind(y[:, grid.binding == 1], y[:, grid.binding == 0], axis=1).pvalue
    value = wanted["bales_as_replicates"]
    assert np.mean(p < 0.05) == pytest.approx(value, abs=within(value))


@pytest.mark.slow
@pytest.mark.parametrize("row", REFERENCE["one_opening"]["rows"], ids=str)
def test_the_formula_is_too_low_below_six_error_df(row: dict[str, Any]) -> None:
    plan = plan_of(row["pairs"], spread=Spread(bale=0.8, core=0.35), effect=(1.0,))
    by_formula = float(power(plan).power)
    frame = simulate_power(plan, trials=TRIALS, seed=12).table.frame
    here = frame[(frame["contrast"] == "at 270 days") & (frame["analysis"] != "paired t")]
    simulated = float(here["rejected"].iloc[0])
    if row["true"] is None:
        assert simulated == pytest.approx(by_formula, abs=within(by_formula, given=0.0))
        return
    assert by_formula == pytest.approx(row["formula"], abs=0.001)
    assert simulated == pytest.approx(row["true"], abs=within(row["true"]))
    assert simulated - by_formula > within(by_formula, given=0.0)
