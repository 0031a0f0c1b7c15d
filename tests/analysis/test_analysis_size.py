"""Size of the tests at 5 %, by simulation through the batch engine.

Rules 10.1 and 10.7: where there is no difference, the test of the binding rejects in 5 % of
trials.  Tolerance: four Monte Carlo standard errors; seeds fixed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    bales_in_runs,
    effects,
    frame_of,
    recored_pairs,
    separate_pairs,
    settings_of,
    unpaired_lots,
)
from scipy import stats
from size_simulation import Size, sizes

from silagetrial.analysis.exact import pair_differences

TIMES = 20_000
RECORED = (recored_pairs(6, "ABC"), settings_of("recored", openings="ABC"))

pytestmark = pytest.mark.slow


def holds(size: Size, *, nominal: float = 0.05) -> bool:
    # A fit whose variance lies at the edge of what is possible may not converge: one in 10,000.
    return size.failed < 2e-4 and abs(size.rejected - nominal) < 4 * size.error


@pytest.mark.parametrize(
    "sds",
    [{}, {"pair": 1.0}, {"pair": 0.7, "bale": 0.7}, {"bale": 0.7}, {"pair": 2.0, "bale": 1.0}],
    ids=str,
)
def test_recored_pairs(sds: dict[str, float]) -> None:
    """6 pairs x 3 openings, whatever share of the variance lies between pairs and bales."""
    rows, settings = RECORED
    found = sizes(rows, settings, effects(rows, sds, times=TIMES, seed=1))
    assert holds(found["average"])
    assert found["average"].df == pytest.approx(5.0)
    assert holds(found["growth"])
    # At one opening two strata are mixed: Satterthwaite's df are an approximation there.
    assert found["opening"].rejected < 0.05 + 0.005 + 4 * found["opening"].error


@pytest.mark.parametrize("run", [0.0, 0.5, 1.0])
def test_bales_in_runs(run: float) -> None:
    """24 bales in 4 runs hold 5 % on 2 df; bales as replicates would not."""
    rows = bales_in_runs(4, 6)
    y = effects(rows, {"run": run}, times=TIMES, seed=2)
    found = sizes(rows, settings_of(), y)["average"]
    assert holds(found)
    assert found.df == pytest.approx(2.0)
    film = (rows["binding"] == "film").to_numpy()
    naive = (stats.ttest_ind(y[:, film], y[:, ~film], axis=1).pvalue < 0.05).mean()
    assert naive > 0.15 if run else abs(naive - 0.05) < 4 * found.error


@pytest.mark.parametrize("lot", [0.0, 0.5, 2.0])
def test_unpaired_lots(lot: float) -> None:
    """Two lots, bindings unevenly spread: a random lot gave .016 and .023 here, not .05."""
    rows = unpaired_lots([{"net": 6, "film": 3}, {"net": 2, "film": 7}])
    assert holds(sizes(rows, settings_of(), effects(rows, {"lot": lot}, times=TIMES, seed=3))[
        "average"
    ])  # fmt: skip


@pytest.mark.parametrize("effect", [0.0, 0.3, 1.0])
def test_six_farms(effect: float) -> None:
    """Farms like these: 5 % whatever the farms' spread of the difference; so does the companion."""
    rows = separate_pairs(4, "A", sites=6)
    sds = {"site": 1.0, "site:binding": effect, "pair": 0.5, "residual": 0.5}
    y = effects(rows, sds, times=TIMES, seed=4)
    found = sizes(rows, settings_of(), y)["average"]
    assert holds(found)
    assert found.df == pytest.approx(5.0)
    each = [pair_differences(rows.assign(y=one), "film", "net", unit="site")["A"]
            for one in y[:1000]]  # fmt: skip
    rejected = (stats.ttest_1samp(np.array(each), 0.0, axis=1).pvalue < 0.05).mean()
    assert abs(rejected - 0.05) < 4 * np.sqrt(0.05 * 0.95 / 1000)


@pytest.mark.parametrize("design", ["separate", "recored"])
def test_growth_that_varies_from_farm_to_farm(design: str) -> None:
    """Without site:binding:opening the growth test rejected in .28 and .17 of these trials."""
    made = separate_pairs if design == "separate" else recored_pairs
    rows = made(4 if design == "separate" else 3, "AB", sites=6)
    sds = {"site": 1.0, "site:binding": 0.3, "site:binding:opening": 0.5, "pair": 0.5,
           "residual": 0.5}  # fmt: skip
    found = sizes(rows, settings_of(design, openings="AB"), effects(rows, sds, times=8000, seed=3))
    assert holds(found["growth"])
    assert holds(found["average"])
    assert found["opening"].rejected < 0.05 + 0.005 + 4 * found["opening"].error


def test_pairs_and_unpaired_bales() -> None:
    """4 pairs and 6 single bales: 3 to 8 df, approximate; measured .0626, promised below .07."""
    singles = frame_of(
        [
            {"bale": f"u{i}", "site": "site 0", "binding": ("net", "film")[i % 2], "opening": "A"}
            for i in range(6)
        ]
    )
    rows = pd.concat([separate_pairs(4, "A"), singles], ignore_index=True)
    for pair in (0.0, 0.7):
        assert sizes(rows, settings_of(), effects(rows, {"pair": pair}, times=4000, seed=5))[
            "average"
        ].rejected < 0.07  # fmt: skip
