"""DM loss under other corrections of DM: the same model, or why there is no answer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from analysis_designs import answer, change
from builders import make_trial, read_cells, write_cells
from several_bales import together

from silagetrial.analysis import Analysis
from silagetrial.analysis.records import records_of
from silagetrial.analysis.witness import statsmodels_witness
from silagetrial.data.settings import Form
from silagetrial.mixed import adjusted_mean_functions, contrasts, fit_mixed

AT = "240 days"


@pytest.fixture(scope="module")
def unbalanced(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    """Three farms; the third ferments much and has lost four of its six net bales' results."""
    folder = make_trial(
        tmp_path_factory.mktemp("trial"), sites=3, pairs=6, limit=0.01, openings=(60, 240)
    )
    rows = []
    for row in read_cells(folder / "samples.csv"):
        opened = row["kind"] != "day0"
        if opened and row["of"] in {"C07-net", "C08-net", "C09-net", "C10-net"}:
            continue
        if opened and row["of"].startswith("C"):
            row.update(acetic_acid="70", lactic_acid="110")
        rows.append(row)
    write_cells(folder / "samples.csv", rows)
    return answer(folder)


@pytest.mark.parametrize("form", ["none", "short"])
def test_another_form_is_the_same_model_of_its_values(unbalanced: Analysis, form: Form) -> None:
    # The check: the values of a trial that plans this form, fitted directly.
    trial, result = unbalanced.trial, unbalanced["dm_loss"]
    rule = replace(trial.settings.dm_correction, form=form)
    there = replace(trial, settings=replace(trial.settings, dm_correction=rule))
    choice = result.model
    assert choice is not None
    assert result.comparison is not None
    rows = records_of(there, result.response).rows
    fit = fit_mixed(rows, choice.formula, random=choice.random, levels=choice.levels)
    other = result.other_forms[form]
    assert other.refusal is None
    columns = ["estimate", "std_error", "df", "conf_low", "conf_high"]
    said = other.differences.frame[columns].to_numpy()
    direct = contrasts(fit, result.comparison.differences, level=0.95).frame
    assert said == pytest.approx(direct[columns].to_numpy(), rel=1e-6)
    means = contrasts(fit, adjusted_mean_functions(fit, ["binding", "opening"]), level=0.95).frame
    assert other.means.frame["estimate"].to_numpy() == pytest.approx(
        means["estimate"].to_numpy(), rel=1e-6
    )
    # statsmodels' MixedLM of the same values, as the report asks it: variances at zero or above.
    bounded = fit_mixed(
        rows, choice.formula, random=choice.random, levels=choice.levels, bound="zero"
    )
    witness = statsmodels_witness(bounded, result.comparison.differences)
    assert witness.agrees, witness.remark


def test_plain_means_of_the_correction_would_tell_another_story(unbalanced: Analysis) -> None:
    # Means over the bales that are left mix the farms: the third one's film bales have no partner.
    result = unbalanced["dm_loss"]
    row, plain = (
        table.frame.set_index("opening").loc[AT, "estimate"]
        for table in (result.differences, result.other_forms["none"].differences)
    )
    rows = result.records.rows
    here = rows[rows["opening"] == AT]
    effect = (here["value"] - here["uncorrected"]).groupby(here["binding"]).mean()
    assert row - (effect["film"] - effect["net"]) > 0
    assert plain == pytest.approx(-0.869, abs=0.001)
    assert row == pytest.approx(-0.806, abs=0.001)


def test_bales_weighed_together_count_alike_whatever_was_sampled_of_each(tmp_path: Path) -> None:
    """Short form by hand: DMc% = 2.08 + 0.975 DM% (from memory), of the mean of the bales' means.

    ``L = 1 - M1 D1 / (M0 D0)``, so that another D1 moves it by M1 / (M0 D0) a unit.
    """
    folder = together(make_trial(tmp_path, form="none"), 2)
    samples = read_cells(folder / "samples.csv")
    first = next(row for row in samples if row["sample"] == "A01-net-60")
    write_cells(folder / "samples.csv", [*samples, {**first, "sample": "again", "dm": "420"}])
    result = answer(folder)["dm_loss"]
    rows, choice = result.records.rows, result.model
    assert rows["from_own"].all()
    assert "A01-net-60 again A02-net-60" in set(rows["sample"])
    assert choice is not None
    assert result.comparison is not None
    change = 20.8 + 0.975 * rows["d1"] - rows["d1"]
    moved = rows["value"] - 100 * rows["m1"] * change / (rows["m0"] * rows["d0"])
    fit = fit_mixed(
        rows.assign(y=moved), choice.formula, random=choice.random, levels=choice.levels
    )
    direct = contrasts(fit, result.comparison.differences, level=0.95).frame["estimate"]
    said = result.other_forms["short"].differences.frame["estimate"]
    assert said.to_numpy() == pytest.approx(direct.to_numpy(), rel=1e-6)


def test_a_value_corrected_by_the_laboratory_leaves_out_what_is_not_known(tmp_path: Path) -> None:
    folder = change(make_trial(tmp_path), "samples", {"sample": "A01-net-60"}, dm_basis="corrected")
    found = answer(folder)["dm_loss"].other_forms
    assert found["none"].refusal is not None
    assert found["none"].refusal.found == "DM of 1 of 32 values is as the laboratory corrected it"
    assert not len(found["none"].differences)
    assert found["short"].refusal is None


def test_where_the_laboratory_corrected_all_no_other_form_is_known(tmp_path: Path) -> None:
    folder = change(make_trial(tmp_path), "samples", {}, dm_basis="corrected")
    found = answer(folder)["dm_loss"].other_forms
    for form in ("none", "short"):
        refusal = found[form].refusal
        assert refusal is not None
        assert refusal.found == "DM of 32 of 32 values is as the laboratory corrected it"


def test_a_form_refused_for_one_sample_is_left_out_for_all(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, form="none")
    change(folder, "samples", {"sample": "A01-net-60"}, lactic_acid="")
    found = answer(folder)["dm_loss"].other_forms
    assert set(found) == {"full", "short"}
    assert found["full"].refusal is not None
    assert found["full"].refusal.found == (
        "no value under this form of 1 of 32 (DM cannot be corrected: lactic_acid not determined)"
    )
    assert found["short"].refusal is None


def test_other_responses_have_no_other_form(unbalanced: Analysis) -> None:
    assert unbalanced["butyric_acid"].other_forms == {}
