"""Simulated trials: what comes out agrees with theory and with R."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from planning.simulation_plans import plan_of
from scipy import stats

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.plan import Spread
from silagetrial.planning.simulate import Simulation, scenario_of, simulate_power, truth_of
from silagetrial.planning.tally import share_error
from silagetrial.planning.truth import Truth


def found(simulation: Simulation, analysis: str, contrast: str) -> pd.Series:
    frame = simulation.table.frame
    here = frame[frame["analysis"].str.startswith(analysis) & (frame["contrast"] == contrast)]
    assert len(here) == 1
    return here.iloc[0]


def paired_power(pairs: int, delta: float, sd: float) -> float:
    t = stats.t(pairs - 1).ppf(0.975)
    shift = delta / (sd / np.sqrt(pairs))
    return float(stats.nct(pairs - 1, shift).sf(t) + stats.nct(pairs - 1, shift).cdf(-t))


def test_one_opening_has_the_power_of_the_paired_t() -> None:
    # P1: 8 pairs, SD of the residual 0.5, difference 0.5: exact .4080 by scipy's noncentral t.
    plan = plan_of(8, openings=(60,), design="separate", effect=(0.5,),
                   spread=Spread(pair=0.4, bale=0.5))  # fmt: skip
    out = simulate_power(plan, trials=8000, seed=1)
    wanted = paired_power(8, 0.5, 0.5 * np.sqrt(2.0))
    assert wanted == pytest.approx(0.408033, abs=1e-6)
    for analysis in ("REML", "paired"):
        row = found(out, analysis, "at 60 days")
        assert row["rejected"] == pytest.approx(wanted, abs=4 * row["rejected_mc"])
        assert row["covered"] == pytest.approx(0.95, abs=4 * row["covered_mc"])
        assert row["bias"] == pytest.approx(0.0, abs=4 * row["bias_mc"])
    # Balanced: the mixed model with a free pair variance is the paired t, trial by trial.
    frame = out.table.frame
    assert frame["rejected"].nunique() == 1


def test_the_average_has_the_power_of_the_split_plot_analysis() -> None:
    # P2: 6 pairs x 2 x 3, differences .2 .5 .8: exact .4896 (noncentral F, 1 and 5 df).
    plan = plan_of(6, openings=(30, 90, 180), effect=(0.2, 0.5, 0.8),
                   spread=Spread(pair=0.4, bale=0.3, core=0.35))  # fmt: skip
    out = simulate_power(plan, trials=8000, seed=2)
    for analysis in ("REML", "paired"):
        row = found(out, analysis, "average")
        assert row["rejected"] == pytest.approx(0.489568, abs=4 * row["rejected_mc"])
        assert row["df"] == pytest.approx(5.0)


def test_stops_at_a_chunk_end_when_the_precision_is_reached() -> None:
    plan = plan_of(6, openings=(60,), design="separate", spread=Spread(bale=0.5))
    out = simulate_power(plan, trials=50_000, precision=0.008, seed=3)
    row = found(out, "REML", "at 60 days")
    assert row["trials"] % 128 == 0
    assert row["rejected_mc"] <= 0.008
    before = row["trials"] - 128
    assert share_error(0.05, before) > 0.006
    assert row["trials"] < 50_000


def test_an_opening_below_the_limit_leaves_the_model() -> None:
    plan = plan_of(6, response="butyric_acid", effect=(1.0,), level=4.0, limit=3.9,
                   spread=Spread(pair=0.2, bale=0.2, core=0.4))  # fmt: skip
    out = simulate_power(plan, trials=256, seed=4)
    row = found(out, "REML", "at 30 days")
    assert 0.2 < row["answered"] < 0.95
    assert row["rejected"] <= row["answered"]
    assert found(out, "REML", "average")["answered"] >= row["answered"]


def test_trials_without_an_answer_count_as_not_significant() -> None:
    plan = plan_of(2, openings=(60,), design="separate", effect=(5.0,),
                   spread=Spread(bale=0.1), lost=0.4)  # fmt: skip
    row = found(simulate_power(plan, trials=1024, seed=5), "REML", "at 60 days")
    assert 0.3 < row["failed"] < 0.95
    assert row["answered"] == pytest.approx(1 - row["failed"])
    assert row["rejected"] <= 1 - row["failed"]


def test_spare_pairs_step_in_for_pairs_that_lost_a_bale() -> None:
    plan = plan_of(6, openings=(60,), design="separate", spread=Spread(bale=0.5), lost=0.1)
    spare = replace(plan, sites=(replace(plan.sites[0], spare_pairs=2),))
    # Binomial: of 6 pairs 6 x .19 lose a bale; both spare pairs are whole .81 ** 2 of the time.
    broken, stand_in = stats.binom(6, 0.19), stats.binom(2, 0.81)
    replaced = sum(broken.pmf(b) * stand_in.pmf(s) * min(b, s) for b in range(7) for s in range(3))
    df = {
        name: found(simulate_power(p, trials=4000, seed=8), "paired", "at 60 days")["df"]
        for name, p in (("none", plan), ("spare", spare))
    }
    assert df["none"] == pytest.approx(6 * 0.81 - 1, abs=0.1)
    assert df["spare"] - df["none"] == pytest.approx(replaced, abs=0.1)


def test_runs_have_no_paired_t() -> None:
    plan = replace(plan_of(8, openings=(60,), design="separate", spread=Spread(bale=0.5)),
                   switch_every=2)  # fmt: skip
    row = found(simulate_power(plan, trials=128, seed=9), "paired", "at 60 days")
    assert row["answered"] == 0
    assert row["rejected"] == 0


def test_farms_are_the_replicates_from_five_on() -> None:
    # The difference varies from farm to farm with SD .3: with pairs as replicates the size is
    # .104; six farms with four pairs each.
    spread = Spread(pair=0.3, bale=0.5, effect_between_sites=0.3)
    plan = plan_of(4, sites=6, openings=(60,), design="separate", spread=spread)
    out = simulate_power(plan, trials=6000, seed=6)
    for analysis in ("REML", "paired"):
        row = found(out, analysis, "at 60 days")
        assert row["df"] == pytest.approx(5.0, abs=0.6)
        assert row["rejected"] == pytest.approx(0.05, abs=4 * row["rejected_mc"] + 0.004)


def test_grown_spread_breaks_the_pooled_residual_and_not_the_paired_t() -> None:
    # 6 re-cored pairs whose difference SD grows .4 .7 1 1.2.
    plan = plan_of(6, openings=(30, 90, 180, 270), spread=Spread(core=1.0),
                   departures={"by_opening": 3.0})  # fmt: skip
    out = simulate_power(plan, trials=6000, seed=7)
    last, first = (found(out, "REML", f"at {d} days")["rejected"] for d in (270, 30))
    assert last > 0.11
    assert first < 0.01
    for day in (30, 270):
        row = found(out, "paired", f"at {day} days")
        assert row["rejected"] == pytest.approx(0.05, abs=4 * row["rejected_mc"])


def test_a_dm_loss_limit_or_level_that_is_missing_is_asked_for() -> None:
    plan = plan_of(4, response="butyric_acid", effect=(0.7,), limit=0.3)
    with pytest.raises(UsageError, match="a limit of Butyric acid without its level"):
        simulate_power(plan, trials=10)
    bare = replace(plan, assumptions={})
    with pytest.raises(UsageError, match=r"a section \[assumptions.butyric_acid\]"):
        simulate_power(bare, trials=10)


def test_one_pair_has_no_test_to_simulate() -> None:
    plan = plan_of(1, openings=(60,), design="separate")
    with pytest.raises(NoAnswer, match="at least two pairs"):
        scenario_of(plan, Truth(Spread(core=1.0)))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"trials": 0}, "trials=0"),
        ({"workers": 0}, "workers=0"),
        ({"seed": -1}, "seed=-1"),
        ({"precision": 2.0}, "a Monte Carlo standard error between 0 and 1"),
    ],
)
def test_options_that_make_no_sense_are_refused(options: dict[str, float], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        simulate_power(plan_of(4, openings=(60,), design="separate"), **options)


def test_shares_of_none_and_all_have_an_error_all_the_same() -> None:
    assert share_error(0.0, 100) > 0
    assert share_error(1.0, 100) == pytest.approx(share_error(0.0, 100))
    # Binomial standard error, handbook formula.
    assert share_error(0.2, 400) == pytest.approx(0.02)
    assert np.isnan(share_error(0.5, 0))


def test_a_ratio_is_drawn_on_the_logarithm() -> None:
    plan = plan_of(4, response="butyric_acid", effect=(0.5,), level=4.0,
                   spread=Spread(bale=1.0, core=0.5, laboratory=0.3))  # fmt: skip
    truth = truth_of(plan, response_planned(plan))
    assert truth.effect[0] == pytest.approx(np.log(0.5))
    assert truth.level[0] == pytest.approx(np.log(4.0))
    # Lognormal with coefficient of variation 1: variance of the logarithm log 2.
    assert truth.spread.bale**2 == pytest.approx(np.log(2.0))
    both = truth.spread.core**2 + truth.spread.laboratory**2
    assert both == pytest.approx(np.log((1 + 0.25) * (1 + 0.09)))
