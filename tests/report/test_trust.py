"""What the report says of its own tests is what was measured on simulated trials."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from benchmarks.calibrate import TABLE
from conftest import Analysed
from planning.simulation_plans import plan_of

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.planning.power import power
from silagetrial.report import methods
from silagetrial.report.trust import MEASURED, UNEQUAL_FARMS, by_design, by_rows

WHERE = {
    "re-cored, spread": ("6 pairs, 4 openings, spread x3", "at 270 days"),
    "re-cored, time": ("6 pairs, 4 openings, half-life 120 d", "growth"),
    "separate, spread": ("12 pairs, 3 openings, separate, spread x3", "at 240 days"),
    "missing": ("4 pairs, 4 openings, no correlation, 25 % missing", "average"),
    "half below": ("8 pairs, 4 openings, 50 % below the limit", "average"),
}


@pytest.mark.parametrize("name", list(MEASURED))
def test_the_figures_are_those_of_the_calibration(name: str) -> None:
    where, _, rule = name.rpartition(", ")
    design, question = WHERE[where]
    table = pd.read_csv(TABLE)
    row = table[
        (table["design"] == design)
        & (table["question"] == question)
        & (table["rule"] == {"model": "Kenward-Roger"}.get(rule, rule))
    ]
    assert len(row) == 1
    assert MEASURED[name] == round(100 * row["size"].iloc[0])


def test_each_kind_of_design_is_told_when_to_go_by_the_paired_t(analysed: Analysed) -> None:
    (cored,) = by_design(analysed("recored"))
    assert f"in {MEASURED['re-cored, spread, model']}, where the spread trebled" in cored
    assert "stayed alike for months" in cored
    assert cored.endswith("Where either is to be expected, go by the paired t.")
    (separate,) = by_design(analysed("separate"))
    assert "alike" not in separate
    assert separate.endswith("Where such spread is to be expected, go by the paired t.")
    assert separate in methods.methods(analysed("separate")).lines
    assert by_design(analysed("one opening")) == ()


def test_a_planned_spread_by_opening_needs_no_such_warning(analysed: Analysed) -> None:
    analysis = analysed("recored")
    settings = analysis.trial.settings
    plan = replace(settings.analysis, residual_by="opening")
    trial = replace(analysis.trial, settings=replace(settings, analysis=plan))
    assert by_design(Analysis(trial, analysis.responses)) == ()


def changed(result: ResponseAnalysis, rows: pd.DataFrame, error_df: int) -> ResponseAnalysis:
    assert result.model is not None
    records = replace(result.records, rows=rows)
    return replace(result, records=records, model=replace(result.model, error_df=error_df))


def test_few_pairs_with_results_missing_make_the_average_cautious(analysed: Analysed) -> None:
    analysis = analysed("recored")
    result = analysis["dm_loss"]
    rows = result.records.rows.reset_index(drop=True)
    fewer = rows[np.arange(len(rows)) % 4 != 0]
    (said,) = by_rows(analysis.trial, changed(result, fewer, 3))
    whole = rows["bale"].nunique() * rows["opening"].nunique()
    gone = f"{100 * (1 - len(fewer) / whole):.0f}"
    assert said.startswith(
        f"DM loss: with 3 degrees of freedom and {gone} % of the results missing"
    )
    assert f"it missed the truth in {MEASURED['missing, model']}, not in 5" in said
    assert by_rows(analysis.trial, changed(result, fewer, 7)) == ()
    most = rows[np.arange(len(rows)) % 40 != 0]
    assert by_rows(analysis.trial, changed(result, most, 3)) == ()
    apart = analysed("separate")
    own = apart["dm_loss"]
    assert by_rows(apart.trial, changed(own, own.records.rows, 3)) == ()
    shown = methods.witnesses(analysis.trial, changed(result, fewer, 3)).lines
    assert said in shown


def test_many_values_below_the_limit_make_the_tests_cautious(analysed: Analysed) -> None:
    analysis = analysed("recored")
    result = analysis["butyric_acid"]
    assert result.model is not None
    last = result.model.levels["opening"][-1]
    rows = result.records.rows.reset_index(drop=True)
    below = (rows["opening"] == last) & (np.arange(len(rows)) % 5 < 2)
    (said,) = by_rows(analysis.trial, changed(result, rows.assign(below=below), 9))
    assert said.startswith("Butyric acid: up to ")
    assert "below the limit. The tests are cautious there" in said
    assert by_rows(analysis.trial, changed(result, rows.assign(below=False), 9)) == ()


def test_where_they_part_the_paired_t_is_called_the_safer_one(analysed: Analysed) -> None:
    analysis = analysed("separate")
    said = methods.witnesses(analysis.trial, analysis["butyric_acid"]).lines[0]
    assert "Where the spread differs between openings the paired t is the safer one." in said
    settings = replace(analysis.trial.settings, design="recored")
    cored = methods.witnesses(replace(analysis.trial, settings=settings), analysis["butyric_acid"])
    assert (
        "openings, or a bale's results are the more alike the closer in time, the paired t"
        in (cored.lines[0])
    )


def test_farms_with_unequal_numbers_of_pairs_are_told(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["dm_loss"]
    assert result.model is not None
    rows = result.records.rows
    farms = replace(result, model=replace(result.model, unit="site"))
    first = rows["site"].iloc[0]
    fewer = rows[(rows["site"] != first) | (rows["pair"] != rows["pair"].iloc[0])]
    pairs = fewer.groupby("site")["pair"].nunique()
    (said,) = by_rows(analysis.trial, replace(farms, records=replace(result.records, rows=fewer)))
    assert f"the farms have {pairs.min()} to {pairs.max()} pairs" in said
    assert f"it showed one in {UNEQUAL_FARMS}, not in 5" in said
    assert (
        by_rows(analysis.trial, replace(result, records=replace(result.records, rows=fewer))) == ()
    )


def test_a_power_over_openings_names_the_same_figure() -> None:
    plan = plan_of(6, effect=(1.0,))
    note = next(n for n in power(plan).notes if n.startswith("The spread is taken to be the same"))
    assert f"{MEASURED['re-cored, spread, model']} in 100 instead of 5 where it trebles" in note
    assert not any(
        n.startswith("The spread is taken") for n in power(plan_of(6, openings=(60,), effect=(1.0,),
                                                                   design="separate")).notes
    )  # fmt: skip
