"""From trial.toml to curves, further responses, covariates and shares, on made trials."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from analysis_designs import (
    answer,
    change,
    replace_text,
)
from builders import make_trial, read_cells
from curve_designs import planned

from silagetrial.analysis import Analysis
from silagetrial.analysis.catalogue import response_of
from silagetrial.analysis.curve_analysis import CurveAnalysis
from silagetrial.errors import UsageError

PLANNED_DAYS = (30, 90, 180, 240)


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    lines = (
        'curve = "log"\nresponses = ["pH", "lactic_acid"]\ncovariates = ["day0_dm"]\n'
        "limits = {butyric_acid = 1.5, pH = 4.5}"
    )
    return answer(planned(tmp_path_factory.mktemp("planned"), lines))


def curve(analysis: Analysis, name: str) -> CurveAnalysis:
    found = analysis[name].curve
    assert found is not None
    assert found.refusal is None
    return found


# ---- plans ----


def test_nothing_planned_nothing_added(tmp_path: Path) -> None:
    result = answer(make_trial(tmp_path, sites=1))
    assert set(result.responses) == {"butyric_acid", "dm_loss"}
    for part in result.responses.values():
        assert part.curve is None
        assert len(part.shares) == len(part.shares_counted) == 0


def test_further_responses_stand_beside_the_two(analysis: Analysis) -> None:
    assert list(analysis.responses) == ["butyric_acid", "dm_loss", "pH", "lactic_acid"]
    assert set(analysis["pH"].differences.frame["scale"]) == {"difference"}
    assert set(analysis["lactic_acid"].differences.frame["scale"]) == {"ratio"}
    assert analysis["pH"].records.notes == ("pH as the laboratory reported it.",)
    rows = analysis["lactic_acid"].records.rows
    np.testing.assert_allclose(rows["y"], np.log(rows["value"]))


def test_primary_response_is_analysed(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1)
    replace_text(folder, 'primary = "butyric_acid"', 'primary = "ammonia_n"')
    found = answer(folder)["ammonia_n"]
    assert found.response.level_unit == "% of total N"
    assert found.answered


def test_dm_as_a_response_is_corrected_for_volatiles(tmp_path: Path) -> None:
    """Full form of the correction: DM rises by 0.95 of the acids and 0.08 of the lactic acid."""
    folder = make_trial(tmp_path, sites=1)
    replace_text(folder, "seed =", 'responses = ["dm"]\nseed =')
    rows = answer(folder)["dm"].records.rows
    row = {r["sample"]: r for r in read_cells(folder / "samples.csv")}[rows["sample"].iloc[0]]
    oven, butyric = float(row["dm"]), row["butyric_acid"]
    acids = float(row["acetic_acid"]) + float(butyric.strip("<")) * (0.5 if "<" in butyric else 1)
    load = 0.95 * acids + 0.08 * float(row["lactic_acid"])
    assert rows["value"].iloc[0] == pytest.approx(oven + load * oven / 1000)


def test_unknown_response_is_refused() -> None:
    with pytest.raises(UsageError, match="the response 'acid'"):
        response_of("acid")


# ---- curves ----


def test_dm_loss_goes_through_0(analysis: Analysis) -> None:
    found = curve(analysis, "dm_loss")
    assert found.fit is not None
    assert "Intercept" not in found.fit.names
    assert not any(name.startswith("binding") and ":" not in name for name in found.fit.names)
    assert "through 0 at day 0" in found.notes[0]
    assert found.means.frame["days"].min() == 1


def test_acids_have_a_level_of_their_own(analysis: Analysis) -> None:
    found = curve(analysis, "butyric_acid")
    assert found.model is not None
    assert found.model.formula.startswith("y ~ binding + curve_1 + binding:curve_1")
    rows = analysis["butyric_acid"].records.rows
    assert found.means.frame["days"].min() == rows["days"].min()
    assert found.means.frame["days"].max() == rows["days"].max()
    assert set(found.at_openings.frame["days"]) == set(PLANNED_DAYS)


def test_actual_days_are_used(analysis: Analysis) -> None:
    found = curve(analysis, "butyric_acid").model
    assert found is not None
    np.testing.assert_allclose(found.rows["curve_1"], np.log1p(found.rows["days"]))


def test_ph_has_one_baseline_row_a_pair_without_a_bale_effect(analysis: Analysis) -> None:
    found = curve(analysis, "pH")
    assert found.model is not None
    assert found.fit is not None
    crop = found.model.rows[found.model.rows["stored"] == 0]
    assert list(crop["pair"]) == ["A01", "A02", "A03", "A04", "A05"]
    assert set(crop["y"]) == {6.2}
    assert found.model.random == ("pair", {"bale": "0 + stored"})
    main = [name for name in found.fit.names if name.startswith("binding") and ":" not in name]
    assert main == []
    assert "5 samples of the crop at day 0" in " ".join(found.notes)


def test_the_limit_is_told_by_day_and_share(analysis: Analysis) -> None:
    result = analysis["butyric_acid"]
    assert list(curve(analysis, "butyric_acid").passing.frame["limit"]) == [1.5, 1.5]
    assert len(result.shares) == len(result.shares_counted) == 2 * len(PLANNED_DAYS)
    assert result.shares.frame["estimate"].between(0, 1).all()
    assert len(analysis["dm_loss"].shares) == len(curve(analysis, "dm_loss").passing) == 0


def test_bands_and_openings_come_from_one_family(analysis: Analysis) -> None:
    found = curve(analysis, "butyric_acid")
    whole = found.differences.frame.set_index("days")
    for _, row in found.at_openings.frame.iterrows():
        assert row["sim_low"] == whole.loc[row["days"], "sim_low"]


@pytest.mark.slow
def test_planned_slopes_join_the_random_part(tmp_path: Path) -> None:
    lines = 'curve = "linear"\nslopes = ["bale", "lot"]\nresponses = ["pH"]'
    result = answer(planned(tmp_path, lines, pairs=8))
    found = result["butyric_acid"].curve
    assert found is not None
    assert found.model is not None
    assert found.model.random == ("pair", {"bale": "1 + slope"})
    np.testing.assert_allclose(found.model.rows["slope"], found.model.rows["days"] / 30)
    assert "No slopes of lot: it is no random term of this design." in found.notes


def test_slopes_that_no_design_can_tell_are_left_out(tmp_path: Path) -> None:
    lines = 'curve = "linear"\nslopes = ["pair"]'
    result = answer(planned(tmp_path, lines, design="separate", openings=(60, 240), pairs=4))
    found = result["butyric_acid"].curve
    assert found is not None
    assert found.model is not None
    assert found.model.random == ("pair",)
    assert any(note.startswith("No slopes of pair:") for note in found.notes)


def test_too_few_openings_with_values_are_refused(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "spline"\nknots = [60, 150]')
    for days in ("90", "180"):
        for pair in range(1, 6):
            for binding in ("net", "film"):
                change(folder, "samples", {"sample": f"A{pair:02d}-{binding}-{days}"},
                       butyric_acid="")  # fmt: skip
    replace_text(folder, 'form = "full"', 'form = "none"')
    found = answer(folder)["butyric_acid"].curve
    assert found is not None
    assert found.refusal is not None
    assert found.refusal.found.startswith("2 openings with values of Butyric acid for a curve of 4")
    assert found.refusal.expected == "at least 4 openings"
    assert found.fit is None


def test_one_opening_gives_no_rate(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "linear"', openings=(60,), design="separate")
    result = answer(folder)
    acids = result["butyric_acid"].curve
    assert acids is not None
    assert acids.refusal is not None
    assert "1 openings" in acids.refusal.found
    assert result["dm_loss"].curve is not None
    assert result["dm_loss"].curve.refusal is None  # day 0 is the second time


def test_no_baseline_no_curve_of_ph(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "log"\nresponses = ["pH"]')
    change(folder, "samples", {"kind": "day0"}, pH="")
    found = answer(folder)["pH"].curve
    assert found is not None
    assert found.refusal is not None
    assert found.refusal.found == "no pH of the crop at baling (day 0)"


def test_few_sites_enter_a_curve_through_0_as_slopes(tmp_path: Path) -> None:
    found = answer(planned(tmp_path, 'curve = "linear"', sites=2, pairs=3))["dm_loss"].curve
    assert found is not None
    assert found.model is not None
    assert found.model.fixed == (
        "0", "binding:curve_1", "site:curve_1", "binding:site:curve_1",
    )  # fmt: skip


@pytest.mark.slow
def test_many_sites_have_no_effect_of_binding_at_day_0(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "log"\nresponses = ["pH"]', sites=5, pairs=2)
    found = answer(folder)["pH"].curve
    assert found is not None
    assert found.model is not None
    assert "site" in found.model.random
    assert {"site:binding": "0 + stored"} in found.model.random


def test_covariate_is_centred_and_tested_with_the_binding(analysis: Analysis) -> None:
    result = analysis["butyric_acid"]
    assert result.fit is not None
    assert result.fit.frame.numbers["day0_dm"].mean() == pytest.approx(0, abs=1e-10)
    tests = result.tests.frame.set_index("term")
    assert {"day0_dm", "binding:day0_dm"} <= set(tests.index)
    assert tests.loc["binding:day0_dm", "num_df"] == 1
