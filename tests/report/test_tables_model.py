"""Units' effects folded, ratios of SDs, the bootstrap beside Kenward and Roger's interval."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from report_variants import HOSTILE, copy_demo, settings

from silagetrial.analysis import Analysis, analyse
from silagetrial.data import read_trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.report import results, tables

Analysed = Callable[[str], Analysis]


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = copy_demo("cored_bales", tmp_path_factory.mktemp("planned"))
    settings(folder, ("[analysis]\n", '[analysis]\nbootstrap = 400\nresidual_by = "binding"\n'))
    return analyse(read_trial(folder))


def test_units_are_folded_with_error_and_shrinkage_named(planned: Analysis) -> None:
    shown = tables.blups(planned["butyric_acid"])
    assert isinstance(shown, Folded)
    assert "<details" in shown._repr_html_()
    text = str(shown)
    for words in ("std error", "reliability", "shrunk towards 0", "the logarithm"):
        assert words in text
    frame = planned["butyric_acid"].blups.frame
    assert str(frame["level"].iloc[0]) in text


def test_none_detected_is_said(planned: Analysis) -> None:
    result = planned["dm_loss"]
    frame = result.blups.frame
    nothing = frame.assign(remark="none detected", estimate=0.0)
    every = replace(result, blups=replace(result.blups, frame=nothing))
    shown = tables.blups(every)
    assert isinstance(shown.content, Prose) if isinstance(shown, Folded) else False
    assert "None detected of pairs" in str(shown)
    first = frame["term"].iloc[0]
    some = frame.assign(remark=frame["term"].map(lambda t: "none detected" if t == first else ""))
    part = str(tables.blups(replace(result, blups=replace(result.blups, frame=some))))
    if frame["term"].nunique() > 1:
        assert f"None detected of {first}s: their effects count as 0." in part


def test_bootstrap_beside_kenward_and_roger(planned: Analysis) -> None:
    for name in ("butyric_acid", "dm_loss"):
        result = planned[name]
        shown = tables.bootstrap(planned.trial, result)
        assert isinstance(shown, Table)
        assert shown.frame["method"].tolist() == ["Kenward-Roger t", "bootstrap-t"]
        counted = shown.frame.iloc[1]
        assert counted["draws"] + counted["failed"] == 400
        text = str(shown)
        assert "8 months" in text.splitlines()[0]
        for words in ("± low", "data sets fitted", "not fitted", "Monte Carlo"):
            assert words in text


def test_a_bootstrap_without_an_answer_says_why(planned: Analysis) -> None:
    result = planned["dm_loss"]
    frame = result.bootstrap.frame.copy()
    gone = ["conf_low", "conf_high", "p_value", "draws", "failed"]
    frame.loc[frame["method"] == "bootstrap-t", gone] = float("nan")
    frame["remark"] = ["", "60 of 400 simulated data sets cannot be fitted"]
    shown = tables.bootstrap(
        planned.trial, replace(result, bootstrap=replace(result.bootstrap, frame=frame))
    )
    assert "60 of 400 simulated data sets cannot be fitted" in str(shown)


def test_ratios_of_sds(planned: Analysis) -> None:
    shown = tables.sd_ratios(planned["butyric_acid"])
    assert isinstance(shown, Table)
    assert "ratio of SDs" in str(shown)
    assert "95 % intervals" in str(shown)


def test_without_a_plan_only_units_are_shown(analysed: Analysed) -> None:
    result = analysed("recored")["butyric_acid"]
    assert tables.bootstrap(analysed("recored").trial, result) == Prose(())
    assert tables.sd_ratios(result) == Prose(())
    assert isinstance(tables.blups(result), Folded)
    assert tables.blups(analysed("one pair")["butyric_acid"]) == Prose(())


def test_results_hold_them(planned: Analysis) -> None:
    found = results.contents(planned)["responses"]
    assert isinstance(found, dict)
    for each in found.values():
        assert len(each["bootstrap"]) == 2
        assert len(each["blups"])
        assert len(each["sd_ratios"])


def test_names_of_units_are_never_markup(analysed: Analysed) -> None:
    page = tables.blups(analysed("hostile")["butyric_acid"])._repr_html_()
    assert "<script>" not in page
    assert "<img" not in page
    assert HOSTILE not in page


def test_too_few_draws_are_refused(tmp_path: Path) -> None:
    """Before anything is fitted."""
    folder = copy_demo("cored_bales", tmp_path)
    settings(folder, ("[analysis]\n", "[analysis]\nbootstrap = 10\n"))
    assert [p.column for p in read_trial(folder).errors] == ["analysis.bootstrap"]
