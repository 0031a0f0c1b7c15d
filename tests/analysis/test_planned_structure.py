"""What trial.toml plans about the residual and within which margin, carried into the answer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from analysis_designs import replace_text
from builders import make_trial

from silagetrial.analysis import Analysis, analyse
from silagetrial.data import read_trial
from silagetrial.mixed import contrasts, equivalence, fit_mixed, non_inferiority


def answer(folder: Path, plan: str) -> Analysis:
    """Analyse nine re-cored pairs with further lines under [analysis]."""
    make_trial(folder, design="recored", pairs=9, openings=(30, 90, 180, 270), seed=5)
    replace_text(folder, "[analysis]\n", f"[analysis]\n{plan}\n")
    trial = read_trial(folder)
    assert not trial.errors
    return analyse(trial)


@pytest.mark.slow
def test_planned_residual_variances(tmp_path: Path) -> None:
    """The model reported is the one planned; the plain one stands among the others."""
    result = answer(tmp_path / "t", 'residual_by = "opening"')["butyric_acid"]
    assert result.fit is not None
    assert len(result.fit.frame.residual.names) == 4
    assert result.witness is None
    rows = result.sensitivity.frame.set_index("structure")
    assert rows.index[0] == "as reported"
    assert "residual variance by opening" not in rows.index
    plain = rows.loc["one residual variance"]
    assert plain["aic"] != pytest.approx(rows.loc["as reported", "aic"])
    ratios = result.sd_ratios.frame
    assert len(ratios) == 3
    assert (ratios["conf_low"] < ratios["estimate"]).all()
    assert (ratios["estimate"] < ratios["conf_high"]).all()


def test_planned_serial_correlation(tmp_path: Path) -> None:
    """Independent values have no serial correlation, one opening cannot have: each says so.

    (DM loss has one opening: later ones lack the mass of earlier cores.)
    """
    result = answer(tmp_path / "t", "serial = true")
    found = {name: result[name].refusal.found for name in ("butyric_acid", "dm_loss")}
    assert "no serial correlation" in found["butyric_acid"]
    assert "rows at two different days" in found["dm_loss"]


def test_claims_within_a_margin(tmp_path: Path) -> None:
    """The claim is the engine's equivalence test of the planned differences."""
    result = answer(tmp_path / "t", "margins = {butyric_acid = 3.0, dm_loss = 4.0}")
    for name, margin, ratio in (("butyric_acid", 3.0, True), ("dm_loss", 4.0, False)):
        part = result[name]
        if part.fit is None or part.comparison is None:
            continue
        direct = equivalence(part.fit, part.comparison.differences, margin=margin, ratio=ratio)
        np.testing.assert_array_equal(part.claim.frame["p_value"], direct.frame["p_value"])
        assert "Equivalence" in part.claim.title


def test_non_inferiority_is_one_sided(tmp_path: Path) -> None:
    plan = 'margins = {butyric_acid = 3.0}\nclaim = "non-inferiority"'
    part = answer(tmp_path / "t", plan)["butyric_acid"]
    assert part.fit is not None
    assert part.comparison is not None
    direct = non_inferiority(
        part.fit, part.comparison.differences, margin=3.0, worse="higher", ratio=True
    )
    np.testing.assert_array_equal(part.claim.frame["p_value"], direct.frame["p_value"])


def test_without_a_margin_nothing_is_claimed(tmp_path: Path) -> None:
    part = answer(tmp_path / "t", "")["butyric_acid"]
    assert len(part.claim) == 0
    assert part.fit is not None
    assert part.model is not None
    own = fit_mixed(
        part.records.rows, part.model.formula,
        random=part.model.random, levels=part.model.levels,
    )  # fmt: skip
    assert part.comparison is not None
    np.testing.assert_allclose(
        contrasts(own, part.comparison.differences).frame["estimate"],
        np.log(part.differences.frame["estimate"]),
    )
