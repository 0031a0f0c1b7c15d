"""Standard deviations of what was measured twice, against an analysis of variance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from builders import make_trial, read_cells, write_cells
from scipy.stats import chi2
from statsmodels.formula.api import ols

from silagetrial.data import read_trial
from silagetrial.data.precision import laboratory_sd, weighing_sd


def repeated(folder: Path, gross: list[tuple[str, str, str]]) -> None:
    """Add weighings of A01-net: name, time of the day of baling, reading."""
    rows = read_cells(folder / "weighings.csv")
    base = next(row for row in rows if row["weighing"] == "A01-net-w0")
    more = [
        {**base, "weighing": name, "weighed_at": f"2025-05-26 {at}", "gross": kg, "repeat": str(k)}
        for k, (name, at, kg) in enumerate(gross, start=2)
    ]
    write_cells(folder / "weighings.csv", [*({**row, "repeat": ""} for row in rows), *more])


def test_repeat_weighings_are_averaged_and_tell_the_scale(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    first = read_trial(folder).weighings.set_index("weighing").loc["A01-net-w0"]
    at = first["weighed_at"]
    near = [f"{at + pd.Timedelta(minutes=5 * k):%H:%M}" for k in (0, 1, 2)]
    kg = [f"{first['gross'] + k:.1f}" for k in (1.0, 2.0, 2.0)]
    repeated(folder, [(f"w{k}", near[k], kg[k]) for k in range(3)])
    trial = read_trial(folder)
    assert trial.problem_list == ()
    (row,) = trial.weighing_sd.frame.to_dict("records")
    values = first["net"] + np.array([0.0, 1.0, 2.0, 2.0])
    assert row["estimate"] == pytest.approx(values.std(ddof=1))
    assert (row["term"], row["sets"], row["df"], row["unit"]) == ("platform", 1, 3, "kg")
    assert row["mean"] == pytest.approx(values.mean())


def test_weighings_hours_apart_or_without_a_time_are_no_repeats(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    repeated(folder, [("later", "23:50", "680"), ("dated", "00:00", "681")])
    sd = read_trial(folder).weighing_sd
    assert len(sd) == 0
    assert sd.notes == ()


def test_within_sd_is_the_residual_of_an_analysis_of_variance() -> None:
    # statsmodels: residual mean square of a one-way analysis of variance.
    rng = np.random.default_rng(3)
    sets = np.repeat([f"s{k}" for k in range(6)], [2, 2, 3, 2, 4, 2])
    values = rng.normal(20, 3, 6)[np.unique(sets, return_inverse=True)[1]] + rng.normal(0, 1, 15)
    first = ~pd.Series(sets).duplicated().to_numpy()
    columns = ("dm", "pH", "lactic_acid", "acetic_acid", "propionic_acid", "butyric_acid",
               "iso_butyric_acid", "valeric_acid", "caproic_acid", "ethanol", "propanediol",
               "ammonia_n", "total_n", "wsc", "ash")  # fmt: skip
    samples = pd.DataFrame(
        {
            "sample": [
                s if f else f"{s}-{k}" for k, (s, f) in enumerate(zip(sets, first, strict=True))
            ],
            "role": np.where(first, "sample", "duplicate"),
            "of_sample": np.where(first, None, sets),
            **dict.fromkeys(columns, np.nan),
            "lactic_acid": values,
        }
    )
    none = pd.DataFrame(columns=["sample", "result", "value", "use"])
    told = laboratory_sd(samples, none).frame.set_index("scale")
    for scale, y in (("identity", values), ("log", np.log(values))):
        fit = ols("y ~ C(s)", data=pd.DataFrame({"y": y, "s": sets})).fit()
        row = told.loc[scale]
        assert row["estimate"] == pytest.approx(np.sqrt(fit.mse_resid), rel=1e-12)
        assert row["df"] == fit.df_resid
        # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3: s sqrt(df / chi-square).
        limits = np.sqrt(fit.mse_resid * fit.df_resid / chi2.ppf([0.975, 0.025], fit.df_resid))
        assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(limits.tolist(), rel=1e-12)


@pytest.mark.slow
def test_the_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    names = [f"b{k}" for k in range(6)]
    at = pd.Timestamp("2025-05-26 10:00")
    inside = []
    for _ in range(400):
        frame = pd.DataFrame(
            {
                "bale": np.repeat(names, 2), "scale": "s", "wet": False, "soil": False,
                "film_on": True, "weighed_at": [at, at + pd.Timedelta(minutes=9)] * 6,
                "net": np.repeat(rng.normal(600, 20, 6), 2) + rng.normal(0, 1.5, 12),
            }
        )  # fmt: skip
        (row,) = weighing_sd(frame).frame.to_dict("records")
        inside.append(row["conf_low"] <= 1.5 <= row["conf_high"])
    # Monte Carlo standard error 1.1 points.
    assert abs(np.mean(inside) - 0.95) < 0.035
