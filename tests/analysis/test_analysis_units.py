"""What stands beside a fit: predicted effects of units, ratios of SDs, the planned bootstrap."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from analysis_designs import answer, replace_text
from builders import make_trial

from silagetrial.analysis import Analysis, analyse
from silagetrial.analysis.sensitivity import main_contrast
from silagetrial.data import read_trial
from silagetrial.mixed import blups, bootstrap, sd_ratios
from silagetrial.mixed.detected import without_negative

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = make_trial(
        tmp_path_factory.mktemp("drawn"), sites=1, pairs=8, design="recored", limit=0.01
    )
    replace_text(folder, "seed =", 'bootstrap = 400\nresidual_by = "binding"\nseed =')
    return answer(folder)


def test_bootstrap_of_the_primary_contrast(drawn: Analysis) -> None:
    """Both rows on the reader's scale; the bootstrap's digits are those of the engine's own."""
    settings = drawn.trial.settings
    for name in ("butyric_acid", "dm_loss"):
        result = drawn[name]
        if not result.answered:
            continue
        assert result.fit is not None
        assert result.comparison is not None
        frame = result.bootstrap.frame.set_index("method")
        exact, simulated = frame.loc["Kenward-Roger t"], frame.loc["bootstrap-t"]
        told = result.differences.frame
        mine = told[told["opening"] == settings.analysis.opening].iloc[0]
        for column in ("estimate", "conf_low", "conf_high", "p_value"):
            assert exact[column] == pytest.approx(mine[column], rel=1e-9)
        contrast = main_contrast(result.comparison, settings)
        own = bootstrap(result.fit, contrast, seed=settings.analysis.seed, draws=400)
        row = own.table.frame.iloc[0]
        turn = np.exp if name == "butyric_acid" else np.asarray
        for end in ("conf_low", "conf_high"):
            assert simulated[end] == pytest.approx(float(turn(row[end])), rel=1e-9)
            slope = simulated[end] if name == "butyric_acid" else 1.0
            error = row[f"{end}_mc_error"] * slope
            assert simulated[f"{end}_mc_error"] == pytest.approx(error, rel=1e-9)
        assert (simulated["draws"] + simulated["failed"], simulated["failed"]) == (400, own.failed)


def test_blups_of_units_with_names(drawn: Analysis) -> None:
    result = drawn["butyric_acid"]
    assert result.fit is not None
    own = blups(result.fit, ["pair", "bale"]).frame
    np.testing.assert_array_equal(result.blups.frame["estimate"], own["estimate"])
    assert result.blups.title == "Butyric acid: predicted effects of pairs, bales"


def test_ratio_of_sds_where_it_is_planned(drawn: Analysis, tmp_path: Path) -> None:
    result = drawn["butyric_acid"]
    assert result.fit is not None
    found = result.sd_ratios.frame
    assert found["estimate"].tolist() == sd_ratios(result.fit).frame["estimate"].tolist()
    plain = answer(make_trial(tmp_path, sites=1))["butyric_acid"]
    assert not len(plain.sd_ratios)
    assert not len(plain.bootstrap)


def test_residuals_beside_a_negative_pair_variance() -> None:
    """Predicted effects of bales are too wide there; the residuals shown are without them."""
    result = analyse(read_trial(DEMO / "cored_bales"))["butyric_acid"]
    fit = result.fit
    assert fit is not None
    assert fit.theta[0] < 0
    told = result.residuals["residual"].to_numpy()
    np.testing.assert_allclose(told, without_negative(fit).residuals, rtol=1e-12)
    assert np.abs(told - fit.residuals).max() > 0.01
