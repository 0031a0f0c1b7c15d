"""The second opinion: where statsmodels agrees, and what is said when it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    effects,
    fitted,
    recored_pairs,
    separate_pairs,
    settings_of,
    unpaired_lots,
)
from statsmodels.regression.mixed_linear_model import MixedLM

from silagetrial.analysis import witness
from silagetrial.analysis.strata import completed
from silagetrial.analysis.witness import Witness, statsmodels_witness
from silagetrial.data.settings import Settings
from silagetrial.mixed import Fit, fit_mixed

DESIGNS = {
    "separate pairs": (separate_pairs(6, "AB"), settings_of(openings="AB")),
    "re-cored pairs": (recored_pairs(8, "AB"), settings_of("recored", openings="AB")),
    "six sites": (separate_pairs(2, "A", sites=6), settings_of()),
}


def witness_of(rows: pd.DataFrame, settings: Settings, sds: dict[str, float], seed: int) -> Witness:
    y = effects(rows, sds, times=1, seed=seed)[0]
    choice, fit, wanted = fitted(rows, settings, y)
    if not (fit.theta > 0).all():
        fit = fit_mixed(completed(rows).assign(y=y), choice.formula, random=choice.random,
                        levels=choice.levels, bound="zero")  # fmt: skip
    return statsmodels_witness(fit, wanted.differences)


@pytest.mark.parametrize("design", DESIGNS)
def test_agreement_away_from_the_bound(design: str) -> None:
    rows, settings = DESIGNS[design]
    sds = {"site": 1.0, "site:binding": 1.0, "pair": 1.0, "bale": 1.0, "residual": 0.3}
    found = witness_of(rows, settings, sds, seed=3)
    assert found.agrees
    assert found.remark == ""
    table = found.table
    assert list(table.columns) == ["term", "quantity", "ours", "theirs", "digits"]
    assert list(table["quantity"].unique()) == ["log-likelihood", "estimate", "std_error"]
    assert table["theirs"].to_numpy() == pytest.approx(table["ours"].to_numpy(), rel=1e-3, abs=1e-3)
    assert (table["digits"] >= 3).all()


def test_agreement_at_the_bound_is_named() -> None:
    """With the pair variance held at zero in both, the remark says which is held there."""
    rows, settings = DESIGNS["separate pairs"]
    found = next(
        w for seed in range(30)
        if "at zero" in (w := witness_of(rows, settings, {}, seed)).remark
    )  # fmt: skip
    assert found.agrees
    assert "Both hold the variance of pair at zero here." in found.remark
    assert "statsmodels warned: The MLE may be on the boundary" in found.remark


def test_model_without_random_terms_is_least_squares() -> None:
    """No grouping: OLS with the restricted likelihood, to all digits."""
    rows = unpaired_lots([{"net": 5, "film": 4}])
    found = witness_of(rows, settings_of(), {}, seed=2)
    assert found.agrees
    assert (found.table["digits"] > 10).all()


@pytest.fixture
def wrong(monkeypatch: pytest.MonkeyPatch) -> Fit:
    """A fit, and a statsmodels whose optimiser does nothing."""
    rows, settings = DESIGNS["separate pairs"]
    y = effects(rows, {"pair": 1.0, "residual": 0.2}, times=1, seed=3)[0]
    rows = rows[np.arange(len(rows)) != 0].reset_index(drop=True)
    _, fit, _ = fitted(rows, settings, y[1:])
    return fit


def test_disagreement_says_whose_likelihood_is_higher(
    wrong: Fit, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = MixedLM.fit
    monkeypatch.setattr(
        MixedLM, "fit", lambda self, **_: real(self, reml=True, method="bfgs", maxiter=0)
    )
    rows, settings = DESIGNS["separate pairs"]
    _, _, wanted = fitted(rows, settings, effects(rows, {"pair": 1.0}, times=1, seed=3)[0])
    found = statsmodels_witness(wrong, wanted.differences)
    assert not found.agrees
    assert "our log-likelihood is the higher one: its optimiser stopped early." in found.remark
    assert "statsmodels warned:" in found.remark


def test_our_lower_likelihood_is_admitted(wrong: Fit) -> None:
    """A fit of ours that had stopped early would be found out."""
    rows, settings = DESIGNS["separate pairs"]
    _, _, wanted = fitted(rows, settings, effects(rows, {"pair": 1.0}, times=1, seed=3)[0])
    early = replace(wrong, fits=replace(wrong.fits, loglik=wrong.fits.loglik - 0.5))
    found = statsmodels_witness(early, wanted.differences)
    assert not found.agrees
    assert "our log-likelihood is the lower one." in found.remark


def test_differing_estimates_are_disagreement(wrong: Fit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal likelihoods and standard errors do not hide an estimate that is elsewhere."""
    rows, settings = DESIGNS["separate pairs"]
    _, _, wanted = fitted(rows, settings, effects(rows, {"pair": 1.0}, times=1, seed=3)[0])
    assert statsmodels_witness(wrong, wanted.differences).agrees
    real = Fit.beta
    monkeypatch.setattr(Fit, "beta", property(lambda self: real.fget(self) + 0.01))
    assert not statsmodels_witness(wrong, wanted.differences).agrees


def test_witness_that_finds_no_fit(wrong: Fit, monkeypatch: pytest.MonkeyPatch) -> None:
    """statsmodels' optimiser can meet a singular matrix: the analysis goes on and says so."""

    def singular(self: MixedLM, **_: object) -> None:
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr(MixedLM, "fit", singular)
    rows, settings = DESIGNS["separate pairs"]
    _, _, wanted = fitted(rows, settings, effects(rows, {"pair": 1.0}, times=1, seed=3)[0])
    found = statsmodels_witness(wrong, wanted.differences)
    assert not found.agrees
    assert found.table["theirs"].isna().all()
    assert (found.table["digits"] == 0).all()
    assert found.remark == (
        "statsmodels found no fit of this model. statsmodels warned: no fit (Singular matrix)"
    )


def test_groups_given_to_statsmodels_are_independent(monkeypatch: pytest.MonkeyPatch) -> None:
    """No level of any term lies in two groups, and the answer is that of one group of all rows."""
    sds = {"pair": 1.0, "bale": 1.0, "residual": 0.5}
    found, settings = {}, settings_of("recored", openings="AB")
    rows = recored_pairs(9, "AB")
    for most in (1, 4):
        monkeypatch.setattr(witness, "MOST_GROUPS", most)
        found[most] = witness_of(rows, settings, sds, seed=5).table["theirs"].to_numpy()
    np.testing.assert_allclose(found[4], found[1], rtol=1e-5, atol=1e-6)
    y = effects(rows, sds, times=1, seed=5)[0]
    _, fit, _ = fitted(rows, settings, y)
    groups = witness.independent_groups(fit)
    assert len(set(groups)) == 4
    for term in fit.frame.terms:
        both = np.unique(np.column_stack([term.codes, groups]), axis=0)
        assert len(both) == len(term.levels)
    crossed = fitted(separate_pairs(2, "A", sites=6), settings_of(), effects(
        separate_pairs(2, "A", sites=6), {"site": 1.0}, times=1, seed=1
    )[0])[1]  # fmt: skip
    assert len(set(witness.independent_groups(crossed))) == 4
