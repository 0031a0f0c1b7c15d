"""Farms with unequal numbers of pairs: what the report and DEVELOPERS.md say of them."""

from __future__ import annotations

import pytest
from planning.simulation_plans import plan_of

from silagetrial.planning.plan import Spread
from silagetrial.planning.power import power
from silagetrial.planning.simulate import simulate_power
from silagetrial.report.trust import UNEQUAL_FARMS

SPREAD = Spread(pair=0.3, bale=0.6)


def rejected(pairs: tuple[int, ...], effect: float) -> dict[str, float]:
    """Share of 4,000 trials that show a difference, by analysis."""
    plan = plan_of(4, sites=6, openings=(60,), design="separate", effect=(0.5,), spread=SPREAD)
    out = simulate_power(plan, pairs=pairs, effect=effect, trials=4000, seed=1)
    return dict(zip(out.table.frame["analysis"], out.table.frame["rejected"], strict=True))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("pairs", "formula", "simulated", "size", "farm_means"),
    [
        ((2, 3, 4, 5, 6, 7), 0.62, 0.47, 0.007, 0.63),
        ((3, 4, 4, 4, 4, 5), 0.63, 0.57, 0.022, 0.64),
    ],
)
def test_unequal_farms_make_kenward_roger_cautious(
    pairs: tuple[int, ...], formula: float, simulated: float, size: float, farm_means: float
) -> None:
    # Figures of our own simulation (DEVELOPERS.md, Limits); Monte Carlo error .008 and .003.
    plan = plan_of(4, sites=6, openings=(60,), design="separate", effect=(0.5,), spread=SPREAD)
    assert power(plan, pairs=pairs).power == pytest.approx(formula, abs=0.005)
    with_effect, without = rejected(pairs, 0.5), rejected(pairs, 0.0)
    model = "REML, Kenward-Roger"
    assert with_effect[model] == pytest.approx(simulated, abs=0.03)
    assert with_effect["paired t"] == pytest.approx(farm_means, abs=0.03)
    assert without[model] == pytest.approx(size, abs=0.008)
    assert without["paired t"] == pytest.approx(0.05, abs=0.014)


@pytest.mark.slow
def test_the_report_says_what_was_simulated() -> None:
    assert round(100 * rejected((2, 3, 4, 5, 6, 7), 0.0)["REML, Kenward-Roger"]) == UNEQUAL_FARMS
