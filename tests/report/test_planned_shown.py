"""What the plan asks for beside the comparison at each opening is shown, and in results.json."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from said import made_up, only_of

from silagetrial.analysis import Analysis, analyse
from silagetrial.data import read_trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Picture, Prose
from silagetrial.display.language import speaking
from silagetrial.report import figures, results, tables

DEMO = Path(__file__).parents[2] / "data_demo" / "cored_bales"
PLAN = """[analysis]
margins = {butyric_acid = 2.0, dm_loss = 2.0}
curve = "log"
limits = {butyric_acid = 3.0}
responses = ["pH"]
"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = tmp_path_factory.mktemp("planned") / "trial"
    shutil.copytree(DEMO, folder)
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(text.replace("[analysis]\n", PLAN), encoding="utf-8")
    return analyse(read_trial(folder))


@pytest.fixture(scope="module")
def plain() -> Analysis:
    return analyse(read_trial(DEMO))


def test_claim_shares_and_curve(planned: Analysis) -> None:
    trial, butyric = planned.trial, planned["butyric_acid"]
    claim = tables.claim(trial, butyric)
    assert isinstance(claim, Table)
    assert claim.frame["comparison"].unique().tolist() == ["twine / net"]
    assert claim.frame["verdict"].str.startswith("equivalen").all()
    modelled, counted = tables.shares(butyric)
    assert isinstance(modelled, Table)
    assert isinstance(counted, Table)
    assert "%" in str(modelled)
    notes, at_openings, rates, passing, tests, exact = tables.curve(trial, butyric)
    assert isinstance(notes, Prose)
    assert isinstance(at_openings, Table)
    assert at_openings.frame["term"].unique().tolist() == ["twine / net"]
    for each in (rates, passing, tests, exact):
        assert isinstance(each, Table)
        assert len(each)
    levels, compared = figures.curve(trial, butyric)
    assert isinstance(levels, Picture)
    assert "day 237, twine: " in levels.alt
    assert "day 237, twine - net" in compared.alt
    held = butyric.curve
    assert held is not None
    value = "Butyric acid, ratio"
    assert list(compared.data[value]) == list(held.differences.frame["estimate"])
    assert list(compared.data[f"simultaneous 95 % low of {value}"]) == list(
        held.differences.frame["sim_low"]
    )
    assert list(levels.data["95 % high of Butyric acid (g/kg DM)"]) == list(
        held.means.frame["conf_high"]
    )


def test_a_curve_is_described_in_the_language(planned: Analysis) -> None:
    butyric = planned["butyric_acid"]
    with speaking(made_up()):
        pictures = figures.curve(planned.trial, butyric)
    assert len(pictures) == 2
    for picture in pictures:
        only_of(picture.alt, {"Butyric acid", "twine", "net"})
        only_of(picture.caption, {"Butyric acid"})


def test_other_structures_on_the_readers_scale(planned: Analysis) -> None:
    for name in ("butyric_acid", "dm_loss"):
        result = planned[name]
        shown = tables.sensitivity(planned.trial, result)
        assert isinstance(shown, Table)
        first = shown.frame.iloc[0]
        own = result.differences.frame
        mine = own[own["opening"] == "8 months"].iloc[0]
        assert first["structure"] == "as reported"
        assert first["estimate"] == pytest.approx(mine["estimate"], rel=1e-9)
        assert first["p_value"] == pytest.approx(mine["p_value"], rel=1e-6)
        assert "for looking, not for choosing" in str(shown)
        assert isinstance(tables.variance_intervals(result), Folded)


def test_results_hold_them(planned: Analysis) -> None:
    found = results.contents(planned)["responses"]
    assert isinstance(found, dict)
    assert list(found) == ["butyric_acid", "dm_loss", "pH"]
    assert [r.response.name for r in planned.further] == ["pH"]
    for each in found.values():
        assert each["curve"]["refusal"] is None
        assert np.isfinite(each["curve"]["differences"].frame["sim_low"]).all()
        assert len(each["sensitivity"])


def test_without_a_plan_nothing_is_shown(plain: Analysis) -> None:
    butyric = plain["butyric_acid"]
    assert tables.claim(plain.trial, butyric) == Prose(())
    assert tables.shares(butyric) == (Prose(()), Prose(()))
    assert tables.curve(plain.trial, butyric) == ()
    assert figures.curve(plain.trial, butyric) == ()
    assert plain.further == ()
