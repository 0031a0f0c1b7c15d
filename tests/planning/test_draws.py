"""Draws have the moments that were asked for."""

from __future__ import annotations

import numpy as np
import pytest
from planning.simulation_plans import plan_of
from scipy import stats

from silagetrial.errors import UsageError
from silagetrial.planning.draws import Drawn, draw_trials
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.plan import Spread
from silagetrial.planning.simulate import scenario_of
from silagetrial.planning.truth import MassBalance, Truth
from silagetrial.silage.drymatter import dm_loss_se

DRAWS = 4000
FOUR = 4.0 / np.sqrt(DRAWS)


def grid_of(pairs: int = 4, **options: object) -> Grid:
    plan = plan_of(pairs, **options)
    return scenario_of(plan, Truth(Spread(core=1.0))).grid


def drawn(grid: Grid, truth: Truth) -> Drawn:
    return draw_trials(grid, truth, np.random.default_rng(3), DRAWS)


def covariance(y: np.ndarray, i: int, j: int) -> float:
    return float(np.cov(y[:, i], y[:, j])[0, 1])


def test_each_variance_is_shared_by_the_rows_of_its_units() -> None:
    grid = grid_of(3, sites=2)
    spread = Spread(site=0.5, pair=0.7, bale=0.9, core=0.4, laboratory=0.3,
                    effect_between_sites=0.6)  # fmt: skip
    y = drawn(grid, Truth(spread)).y
    same = {name: getattr(grid, name) == getattr(grid, name)[0] for name in
            ("site", "pair", "bale", "binding")}  # fmt: skip
    bale_only = np.flatnonzero(same["bale"])[1]
    pair_only = np.flatnonzero(same["pair"] & ~same["bale"])[0]
    site_only = np.flatnonzero(same["site"] & ~same["pair"] & same["binding"])[0]
    other_binding = np.flatnonzero(same["site"] & ~same["pair"] & ~same["binding"])[0]
    elsewhere = np.flatnonzero(~same["site"])[0]
    shared = [0.0, 0.25, 0.25 + 0.18, 0.25 + 0.49, 0.25 + 0.18 + 0.49 + 0.81]
    rows = (elsewhere, other_binding, site_only, pair_only, bale_only)
    total = shared[-1] + 0.16 + 0.09
    for row, wanted in zip(rows, shared, strict=True):
        assert covariance(y, 0, row) == pytest.approx(wanted, abs=1.5 * total * FOUR)
    assert np.var(y[:, 0]) == pytest.approx(total, abs=1.5 * total * FOUR)


def test_the_difference_between_bindings_varies_from_farm_to_farm_as_asked() -> None:
    grid = grid_of(2, sites=1, openings=(60,), design="separate")
    y = drawn(grid, Truth(Spread(effect_between_sites=0.5))).y
    difference = y[:, grid.binding == 1].mean(axis=1) - y[:, grid.binding == 0].mean(axis=1)
    assert difference.std() == pytest.approx(0.5, rel=FOUR)


def test_effects_and_levels_stand_at_their_openings() -> None:
    grid = grid_of(4)
    truth = Truth(Spread(core=0.1), effect=(0.0, 1.0, 2.0, 3.0), level=(5.0, 6.0, 7.0, 8.0))
    y = drawn(grid, truth).y.mean(axis=0)
    wanted = 5.0 + grid.opening + grid.opening * (grid.binding == 1)
    assert np.abs(y - wanted).max() < 0.1 * FOUR * 1.5


def test_cores_are_correlated_by_the_half_life() -> None:
    grid = grid_of(2, openings=(10, 40, 100))
    y = drawn(grid, Truth(Spread(core=1.0), half_life=30.0)).y
    rows = np.flatnonzero(grid.bale == 0)
    found = np.corrcoef(y[:, rows].T)
    days = grid.days[grid.opening[rows]]
    wanted = 0.5 ** (np.abs(days[:, None] - days) / 30.0)
    assert np.abs(found - wanted).max() < FOUR
    other = np.flatnonzero(grid.bale == 1)
    assert abs(np.corrcoef(y[:, rows[0]], y[:, other[0]])[0, 1]) < FOUR


def test_spread_grows_over_openings_and_differs_by_binding() -> None:
    grid = grid_of(4)
    y = drawn(grid, Truth(Spread(core=1.0), by_opening=8.0, by_binding=2.0)).y
    sd = y.std(axis=0)
    first = sd[(grid.opening == 0) & (grid.binding == 0)].mean()
    last = sd[(grid.opening == 3) & (grid.binding == 0)].mean()
    middle = sd[(grid.opening == 1) & (grid.binding == 0)].mean()
    assert last / first == pytest.approx(8.0, rel=FOUR)
    assert middle / first == pytest.approx(2.0, rel=FOUR)
    assert sd[grid.binding == 1].mean() / sd[grid.binding == 0].mean() == pytest.approx(2, rel=FOUR)
    assert np.mean(sd**2) == pytest.approx(1.0, rel=FOUR)


def test_heavy_tails_keep_the_standard_deviation() -> None:
    grid = grid_of(8)
    y = drawn(grid, Truth(Spread(core=1.0), tails=5.0)).y.ravel()
    assert y.std() == pytest.approx(1.0, rel=0.02)
    # Student's t with 5 df: excess kurtosis 6 (handbook value); its own sample value is wild,
    # so compare the share beyond 3 standard deviations with scipy's.
    beyond = 2 * stats.t(5).sf(3.0 / np.sqrt(3.0 / 5.0))
    assert (np.abs(y) > 3).mean() == pytest.approx(beyond, rel=0.1)


def test_results_go_missing_and_bales_are_lost_in_the_share_asked_for() -> None:
    grid = grid_of(6, design="separate")
    found = drawn(grid, Truth(Spread(core=1.0), missing=0.12)).present
    assert found is not None
    assert found.mean() == pytest.approx(0.88, abs=FOUR / 5)
    gone = drawn(grid, Truth(Spread(core=1.0), lost=0.2)).present
    assert gone is not None
    assert gone.mean() == pytest.approx(0.8, abs=FOUR / 5)


def test_a_cored_bale_that_is_lost_stays_lost() -> None:
    grid = grid_of(3)
    present = drawn(grid, Truth(Spread(core=1.0), lost=0.5)).present
    assert present is not None
    for bale in range(6):
        rows = np.flatnonzero(grid.bale == bale)
        steps = np.diff(present[:, rows[np.argsort(grid.opening[rows])]].astype(int), axis=1)
        assert (steps <= 0).all()
    lost = ~present[:, grid.opening == 3]
    assert lost.mean() == pytest.approx(0.5, abs=FOUR)


def test_spoilage_loses_the_worse_bales_in_the_same_share() -> None:
    grid = grid_of(8, design="separate", openings=(60,))
    truth = Truth(Spread(bale=1.0), lost=0.2, spoilage=2.0)
    out = drawn(grid, truth)
    assert out.present is not None
    assert out.present.mean() == pytest.approx(0.8, abs=0.01)
    assert out.y[~out.present].mean() - out.y[out.present].mean() > 1.0


def test_values_below_the_limit_are_marked_and_replaced() -> None:
    grid = grid_of(4)
    truth = Truth(Spread(core=1.0), limit=-0.5, substitute=-0.9)
    out = drawn(grid, truth)
    assert out.below is not None
    assert out.below.mean() == pytest.approx(stats.norm.cdf(-0.5), abs=0.01)
    assert set(np.unique(out.y[out.below])) == {-0.9}
    assert out.y[~out.below].min() >= -0.5


def test_dm_loss_carries_the_errors_of_scale_and_oven() -> None:
    grid = grid_of(4, design="separate", openings=(60,), response="dm_loss")
    balance = MassBalance(mass=600.0, dm=350.0, mass_sd=1.5, dm_sd=6.0, shared_day0=False)
    y = drawn(grid, Truth(Spread(core=1e-9), level=(5.0,), balance=balance)).y
    dry = 600.0 * 0.35
    after = 600.0 - 0.05 * dry
    # Propagation of error, the package's own formula, checked against a worked example elsewhere.
    wanted = 100 * dm_loss_se(600.0, 350.0, after, 950 * dry / after,
                              sd_m0=1.5, sd_d0=6.0, sd_m1=1.5, sd_d1=6.0)  # fmt: skip
    assert y.std() == pytest.approx(float(wanted), rel=0.02)
    assert y.mean() == pytest.approx(5.0, abs=0.1)
    shared = drawn(grid, Truth(Spread(core=1e-9), level=(5.0,),
                               balance=MassBalance(dm_sd=6.0, mass_sd=0.0))).y  # fmt: skip
    rows = np.flatnonzero(grid.pair == 0)
    assert np.corrcoef(shared[:, rows[0]], shared[:, rows[1]])[0, 1] == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("tails", 2.0, "degrees of freedom above 2"),
        ("missing", 1.0, "a share from 0 to below 1"),
        ("by_opening", 0.0, "a ratio above 0"),
        ("half_life", -1.0, "days, 0 or more"),
        ("batch", -1.0, "a standard deviation, 0 or more"),
    ],
)
def test_a_truth_that_nothing_can_be_drawn_from_is_refused(
    name: str, value: float, expected: str
) -> None:
    with pytest.raises(UsageError, match=expected) as caught:
        Truth(Spread(), **{name: value})
    assert f"correct {name}" in str(caught.value)
