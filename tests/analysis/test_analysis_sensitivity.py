"""Other covariance structures beside the model reported."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from analysis_designs import DAYS, effects, fitted, recored_pairs, separate_pairs, settings_of
from scipy import stats

from silagetrial.analysis.sensitivity import (
    main_contrast,
    reml_aic,
    sensitivity,
    structures,
)
from silagetrial.data.settings import Settings
from silagetrial.mixed import contrasts, fit_mixed


def recored(pairs: int = 9) -> tuple[pd.DataFrame, Settings]:
    openings = ("A", "B", "C", "D")
    rows = recored_pairs(pairs, openings)
    rows["days"] = rows["opening"].map(DAYS)
    rows["y"] = effects(rows, {"pair": 0.5, "bale": 0.4, "residual": 0.3}, times=1, seed=4)[0]
    return rows, settings_of("recored", openings=openings, opening="D", contrast=("film", "net"))


def table(rows: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    choice, _, wanted = fitted(rows, settings, rows["y"].to_numpy())
    frame = sensitivity(rows, choice, settings, main_contrast(wanted, settings), level=0.95).frame
    return frame.set_index("structure")


def test_each_row_is_a_fit_of_its_own() -> None:
    rows, settings = recored()
    choice, _, wanted = fitted(rows, settings, rows["y"].to_numpy())
    contrast = main_contrast(wanted, settings)
    assert contrast.labels.iloc[0].to_dict() == {"term": "film - net", "opening": "D"}
    found = table(rows, settings)
    options: dict[str, dict[str, Any]] = {
        "as reported": {"random": ["pair", "bale"]},
        "residual variance by opening": {
            "random": ["pair", "bale"], "residual_by": "opening",
        },
        "serial correlation within bales, in their place": {
            "random": ["pair"], "serial": {"bale": "days"},
        },
        "variances held at zero or above": {"random": ["pair", "bale"], "bound": "zero"},
    }  # fmt: skip
    for name, each in options.items():
        fit = fit_mixed(rows, choice.formula, levels=choice.levels, **each)
        own = contrasts(fit, contrast).frame.iloc[0]
        for column in ("estimate", "std_error", "df", "p_value"):
            assert found.loc[name, column] == pytest.approx(own[column], rel=1e-9), name
        assert found.loc[name, "aic"] == pytest.approx(-2 * fit.loglik + 2 * len(fit.theta))
        assert found.loc[name, "remark"] == ""


def test_what_cannot_be_told_says_why() -> None:
    rows, settings = recored(pairs=4)
    found = table(rows, settings)
    name = "residual variance by binding and opening"
    assert np.isnan(found.loc[name, "estimate"])
    assert "residual degrees of freedom for residual" in found.loc[name, "remark"]


def test_separate_bales_have_no_serial_rows() -> None:
    rows = separate_pairs(6, ("A", "B"))
    settings = settings_of("separate", openings=("A", "B"))
    choice, _, wanted = fitted(rows, settings, np.arange(len(rows)) % 7 * 1.0)
    names = [s.name for s in structures(rows, choice, recored=False)]
    assert not [name for name in names if "serial" in name]
    # Without a plan: the first binding at the last opening.
    assert main_contrast(wanted, settings).labels["opening"].tolist() == ["B"]


def test_aic_ratio_of_likelihoods() -> None:
    """Two nested structures: the AIC differ by the likelihood ratio less twice the parameters.

    The simulated size of the REML ratio of one added residual variance is near its chi-square
    (Stram & Lee's point concerns bounds, and here there is none): a check that the AIC is made of
    the likelihoods it names, by a distribution known outside the project.
    """
    rows, settings = recored(pairs=12)
    choice, _, _ = fitted(rows, settings, rows["y"].to_numpy())
    ratios = []
    for seed in range(60):
        y = effects(rows, {"pair": 0.5, "bale": 0.4, "residual": 0.3}, times=1, seed=seed)[0]
        one, two = (
            fit_mixed(rows.assign(y=y), choice.formula, random=choice.random,
                      levels=choice.levels, residual_by=by)
            for by in (None, "binding")
        )  # fmt: skip
        ratios.append(reml_aic(one) - reml_aic(two) + 2.0)
    assert min(ratios) > -1e-7
    assert stats.kstest(ratios, stats.chi2(1).cdf).pvalue > 0.01
