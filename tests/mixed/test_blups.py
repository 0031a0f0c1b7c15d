"""BLUPs with their prediction errors: R's mixed-model equations and closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from reference_models import fitted, made, values

from silagetrial.errors import UsageError
from silagetrial.mixed import blups, fit_mixed, predict

R = values("predictions.json")


def test_intercepts_and_slopes_by_hendersons_equations() -> None:
    """First three people of sleepstudy, tests/reference/make_predictions.R."""
    fit = fitted("sleepstudy_rs_corr")
    frame = blups(fit).frame.iloc[:6]
    assert frame["effect"].tolist() == ["1", "Days"] * 3
    np.testing.assert_allclose(frame["estimate"], R["effects"]["estimate"], rtol=1e-5)
    np.testing.assert_allclose(frame["std_error"] ** 2, R["effects"]["adjusted"], rtol=2e-6)
    told = 1.0 - np.array(R["effects"]["plain"]) / np.tile(fit.theta[[0, 2]], 3)
    np.testing.assert_allclose(frame["reliability"], told, rtol=1e-5)


def test_reliability_of_a_one_way_layout() -> None:
    """Balanced: ``(1 - 1/k) n s_b / (n s_b + s)``, the shrinkage less the mean's own part."""
    fit = fitted("Dyestuff")
    batch, rest = fit.theta
    frame = blups(fit).frame
    shrunk = 5 * batch / (5 * batch + rest)
    np.testing.assert_allclose(frame["reliability"], (1 - 1 / 6) * shrunk, rtol=1e-8)
    own = fit.frame.y.reshape(6, 5).mean(axis=1) - fit.frame.y.mean()
    np.testing.assert_allclose(frame["estimate"], shrunk * own, rtol=1e-7)


def test_terms_asked_for_and_none_detected() -> None:
    data = made("made_splitplot_time.csv").astype({"day": str})
    fit = fit_mixed(data, "y ~ trt * day", random=["pair", "bale"])
    whole = blups(fit).frame
    pair = blups(fit, ["pair"]).frame
    assert set(whole["term"]) == {"pair", "bale"}
    assert set(pair["term"]) == {"pair"}
    zero = blups(fit_mixed(made("made_paired_zero.csv"), "y ~ trt", random=["pair"])).frame
    assert (zero["estimate"] == 0.0).all()
    assert (zero["remark"] == "none detected").all()
    assert zero[["std_error", "reliability"]].isna().all(axis=None)


@pytest.mark.slow
def test_error_is_never_more_than_without_the_units_results() -> None:
    """A variance next to zero: the error of predicting 0 is the units' own SD."""
    rng = np.random.default_rng(5)
    seen = 0
    for _ in range(40):
        frame = pd.DataFrame({"unit": np.repeat(list("abcdefgh"), 3), "y": rng.normal(size=24)})
        fit = fit_mixed(frame, "y ~ 1", random=["unit"])
        if fit.detected[0]:
            errors = blups(fit).frame["std_error"]
            assert (errors <= np.sqrt(fit.theta[0]) * (1 + 1e-9)).all()
            known = predict(fit, frame[["unit"]], known=["unit"], of="mean").frame
            new = predict(fit, frame[["unit"]], of=["unit"]).frame
            assert (known["std_error"] <= new["std_error"] * (1 + 1e-9)).all()
            seen += bool((errors > np.sqrt(fit.theta[0]) * (1 - 1e-9)).all())
    assert seen >= 3


def test_wrong_term() -> None:
    with pytest.raises(UsageError) as caught:
        blups(fitted("Dyestuff"), ["farm"])
    assert "no random term 'farm'" in caught.value.found


def test_bales_beside_a_negative_pair_variance() -> None:
    """Effects exist without negative variances: as from the fit with all of them above zero."""
    rng = np.random.default_rng(11)
    cells = [(f"p{i}", f"p{i}{b}", b, o) for i in range(8) for b in "ab" for o in "xyz"]
    data = pd.DataFrame(cells, columns=["pair", "bale", "binding", "opening"])
    own = np.tile([0.7, -0.7], 8) * rng.normal(1.0, 0.3, 8).repeat(2) * rng.choice([-1, 1], 8
        ).repeat(2)  # fmt: skip
    data["y"] = own[pd.factorize(data["bale"])[0]] + rng.normal(0, 0.3, len(data))
    random = ["pair", "bale"]
    free = fit_mixed(data, "y ~ binding * opening", random=random)
    assert free.theta[0] < 0
    bound = fit_mixed(data, "y ~ binding * opening", random=random, bound="zero")
    found, wanted = (blups(fit, ["bale"]).frame for fit in (free, bound))
    np.testing.assert_allclose(found["estimate"], wanted["estimate"], rtol=1e-6, atol=1e-9)
    assert found["reliability"].between(0, 1).all()
    new = pd.DataFrame({"binding": ["a"], "opening": ["x"]})
    seen, same = (predict(fit, new).frame.iloc[0] for fit in (free, bound))
    assert seen["std_error"] == pytest.approx(same["std_error"], rel=1e-6)
    assert seen["std_error"] ** 2 < free.theta[1:].sum(), "the negative part is not left out"
