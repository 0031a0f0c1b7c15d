"""Ratios of residual SDs against the classical F interval of two variances."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from reference_models import fitted, made, values
from scipy import stats
from test_mixed_errors import read

from silagetrial.errors import UsageError
from silagetrial.mixed import fit_mixed, sd_ratios

R_TEST = values("nlme.json")["variance_ratio"]  # R's var.test, tests/reference/make_structures.R


def samples(*each: list[float]) -> pd.DataFrame:
    labels = [f"sample {i}" for i, values_ in enumerate(each) for _ in values_]
    return pd.DataFrame({"y": np.concatenate(each), "group": labels})


@pytest.mark.parametrize("level", [0.90, 0.95])
def test_two_samples_give_the_test_of_r(level: float) -> None:
    frame = samples(R_TEST["first"], R_TEST["second"])
    found = sd_ratios(fit_mixed(frame, "y ~ group", residual_by="group"), level=level).frame.loc[0]
    assert found["term"] == "sample 1 / sample 0"
    assert found["statistic"] == pytest.approx(R_TEST["ratio"], rel=1e-9)
    assert [found["df"], found["df_reference"]] == pytest.approx(R_TEST["df"], rel=1e-9)
    assert found["p_value"] == pytest.approx(R_TEST["p_value"], rel=1e-7)
    limits = np.sqrt(R_TEST[f"conf_{level * 100:.0f}"])
    np.testing.assert_allclose(found[["conf_low", "conf_high"]].to_numpy(float), limits, rtol=1e-8)


def test_three_samples_give_the_intervals_of_scipy() -> None:
    """Degrees of freedom n - 1 each, and quantiles of scipy.stats.f, for any number of groups."""
    rng = np.random.default_rng(8)
    each = [list(sd * rng.normal(size=n)) for sd, n in ((1.0, 12), (2.5, 9), (0.4, 20))]
    table = sd_ratios(fit_mixed(samples(*each), "y ~ group", residual_by="group")).frame
    for row, (found, sample) in enumerate(zip(table.to_dict("records"), each[1:], strict=True)):
        ratio = np.var(sample, ddof=1) / np.var(each[0], ddof=1)
        law = stats.f(len(sample) - 1, len(each[0]) - 1)
        assert found["estimate"] == pytest.approx(np.sqrt(ratio), rel=1e-9)
        assert found["conf_low"] == pytest.approx(np.sqrt(ratio / law.ppf(0.975)), rel=1e-8)
        assert found["conf_high"] == pytest.approx(np.sqrt(ratio / law.ppf(0.025)), rel=1e-8)
        p = 2 * min(law.sf(ratio), law.cdf(ratio))
        assert found["p_value"] == pytest.approx(p, rel=1e-7), row
        # Delta method for independent samples: ratio / 2 * sqrt(2 / df + 2 / df).
        df = (len(sample) - 1, len(each[0]) - 1)
        error = np.sqrt(ratio) / 2 * np.sqrt(2 / df[0] + 2 / df[1])
        assert found["std_error"] == pytest.approx(error, rel=1e-8)


def test_ratio_beside_random_effects_and_serial_correlation() -> None:
    """made_serial by R: residual variances 0.290690 (net) and 0.084269 (film)."""
    fit = fitted("made_serial_corExp_varIdent")
    found = sd_ratios(fit).frame.loc[0]
    assert found["term"] == "net / film"
    assert found["estimate"] == pytest.approx(np.sqrt(0.290689797612 / 0.084269023343), rel=1e-8)
    assert found["conf_low"] < found["estimate"] < found["conf_high"]
    # Fewer degrees of freedom than rows: 46 rows a binding share fixed effects and bales.
    assert 5 < found["df"] < 46


@pytest.mark.slow
def test_interval_covers_the_truth_at_its_level() -> None:
    """500 trials of 6 pairs x 2 x 4, SDs 1 and 1.5: within 2.6 Monte Carlo errors of 95 %."""
    rng = np.random.default_rng(77)
    base = made("made_splitplot_time.csv").astype({"day": str, "pair": str})
    film = (base["trt"] == "film").to_numpy()
    pairs, _ = pd.factorize(base["pair"])
    inside, trials = 0, 500
    for _ in range(trials):
        noise = np.where(film, 1.0, 1.5) * rng.normal(size=len(base))
        frame = base.assign(y=noise + rng.normal(size=6)[pairs])
        fit = fit_mixed(frame, "y ~ trt", random=["pair"], residual_by="trt")
        row = sd_ratios(fit).frame.loc[0]
        inside += bool(row["conf_low"] <= 1.5 <= row["conf_high"])
    assert abs(inside / trials - 0.95) < 2.6 * np.sqrt(0.95 * 0.05 / trials)


def test_refusals() -> None:
    read(lambda: sd_ratios(fitted("made_serial_corExp")), UsageError, "one residual variance")
    read(lambda: sd_ratios(fitted("made_serial_corExp_varIdent"), level=95), UsageError, "level=95")
