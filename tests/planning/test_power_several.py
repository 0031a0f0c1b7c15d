"""Several contrasts at once, the joint F test, losses, and values below the limit."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from power_plans import cv_of, power_plan
from scipy import stats

from silagetrial.errors import NoAnswer, SilageTrialError, UsageError
from silagetrial.planning.limits import below_limit
from silagetrial.planning.losses import DRAWS, masks
from silagetrial.planning.many import Case, powers
from silagetrial.planning.noncentral import t_power
from silagetrial.planning.plan import Spread
from silagetrial.planning.power import pairs_needed, power
from silagetrial.planning.several import family_power, joint_power
from silagetrial.planning.structure import sized

R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "power.json").read_text(encoding="utf-8")
)
STRATA = Spread(pair=0.4, bale=0.3, core=0.35)
THREE = ("net", "film", "twine")


def test_interaction_of_the_split_plot() -> None:
    """Noncentral F (2, 20); 2,000 data sets by lmer and Kenward-Roger gave 0.401 +- 0.011."""
    plan = power_plan(6, design="recored", openings="ABC", spread=STRATA, effect=(0.2, 0.5, 0.8))
    found = joint_power(plan)
    assert found.power == pytest.approx(R["split_plot"]["interaction"], abs=1e-8)
    assert (found.num_df, found.den_df, found.scaling) == pytest.approx((2, 20.0, 1.0))
    assert abs(found.power - 0.401) < 3 * 0.011


def test_families_say_what_does_not_enter() -> None:
    acid = power_plan(
        8, openings="AB", response="butyric_acid", effect=(0.5,), level=1.0, limit=0.3, lost=0.1,
        spread=Spread(pair=0.3, bale=0.5),
    )  # fmt: skip
    notes = " ".join(family_power(acid, "openings").table.notes)
    assert "Expected losses do not enter." in notes
    assert "Values below the laboratory's limit do not enter." in notes
    plain = family_power(power_plan(8, openings="AB"), "openings")
    assert "do not enter" not in " ".join(plain.table.notes)


def test_bonferroni_by_formula() -> None:
    plan = power_plan(8, bindings=THREE, spread=Spread(pair=0.4, bale=0.5))
    table = family_power(plan, "bindings").table.frame
    error = math.sqrt(2 * 0.25 / 8)
    assert table["power"].to_numpy() == pytest.approx(float(t_power(0.5, error, 14)))
    assert table["bonferroni"].to_numpy() == pytest.approx(
        float(t_power(0.5, error, 14, alpha=0.025))
    )
    # Dunnett's two-sided 5 % value, 2 contrasts correlated 0.5, 14 df: R's qmvt by scipy here.
    critical = stats.multivariate_t(shape=[[1, 0.5], [0.5, 1]], df=14, seed=1)
    found = float(t_power(0.5, error, 14, critical=2.457))
    assert critical.cdf([2.457] * 2, lower_limit=[-2.457] * 2) == pytest.approx(0.95, abs=5e-4)
    assert table["simultaneous"].to_numpy() == pytest.approx(found, abs=2e-4)


def test_holm_by_drawing_lies_between() -> None:
    """Holm rejects all that Bonferroni does, and never more than tests without adjustment."""
    plan = power_plan(8, bindings=THREE, spread=Spread(pair=0.4, bale=0.5))
    found = family_power(plan, "bindings")
    table = found.table.frame
    slack = 4 * table["holm_mc_error"]
    assert (table["holm"] > table["bonferroni"] - slack).all()
    assert (table["holm"] < table["power"] + slack).all()
    assert found.all_holm <= table["holm"].min() <= table["holm"].max() <= found.any_holm


def test_holm_of_one_true_difference_keeps_the_family() -> None:
    plan = power_plan(8, bindings=THREE, spread=Spread(pair=0.4, bale=0.5))
    found = family_power(plan, "bindings", effect={"film": 0.5})
    null = found.table.frame.set_index("term").loc["twine - net"]
    assert null["effect"] == 0.0
    assert null["holm"] <= 0.05 + 4 * null["holm_mc_error"]
    assert found.all_holm == pytest.approx(found.any_holm)


def test_holm_against_drawn_trials() -> None:
    """Two openings of separate bales, 8 pairs: 20,000 trials analysed pair by pair."""
    plan = power_plan(8, openings="AB", spread=Spread(bale=0.5), effect=(0.6, 0.6))
    found = family_power(plan, "openings")
    rng = np.random.default_rng(2)
    d = 0.6 + math.sqrt(0.5) * rng.standard_normal((20_000, 2, 4))
    pooled = np.sqrt(d.var(axis=2, ddof=1).mean(axis=1, keepdims=True))
    p = np.sort(2 * stats.t.sf(np.abs(d.mean(axis=2) / (pooled / 2)), 6), axis=1)
    some = (p[:, 0] <= 0.025).mean()
    both = ((p[:, 0] <= 0.025) & (p[:, 1] <= 0.05)).mean()
    assert found.any_holm == pytest.approx(some, abs=4 * math.sqrt(2) * found.mc_error)
    assert found.all_holm == pytest.approx(both, abs=4 * math.sqrt(2) * found.mc_error)


def test_openings_carry_their_own_effects() -> None:
    plan = power_plan(8, openings="AB", spread=Spread(bale=0.5), effect=(0.2, 0.9))
    table = family_power(plan, "openings").table.frame
    assert table["effect"].tolist() == [0.2, 0.9]
    assert table["opening"].tolist() == ["A", "B"]
    assert "holm" in str(family_power(plan, "openings"))
    assert "<table" in family_power(plan, "openings")._repr_html_()


def test_losses_lie_between_fewer_pairs_and_all() -> None:
    plan = power_plan(12, lost=0.1, spread=Spread(pair=0.3, bale=0.5))
    found = power(plan)
    whole = power(power_plan(12, spread=Spread(pair=0.3, bale=0.5))).power
    assert found.power < whole
    assert not found.exact
    assert found.mc_error is not None
    assert f"mean over {DRAWS} drawn layouts" in str(found)
    # Pairs that stay whole are binomial; a bale without partner adds a little to them.
    count = np.arange(2, 13)
    chance = stats.binom.pmf(count, 12, 0.81)
    exact = [power(power_plan(int(n), spread=Spread(pair=0.3, bale=0.5))).power for n in count]
    least = float(chance @ np.array(exact))
    assert least - 4 * found.mc_error < found.power < whole


def test_spare_pairs_make_up_for_losses() -> None:
    spread = Spread(pair=0.3, bale=0.5)
    without = power(power_plan(10, lost=0.1, spread=spread)).power
    spare = power(power_plan(10, lost=0.1, spread=spread, spare_pairs=3)).power
    whole = power(power_plan(10, spread=spread)).power
    assert without < spare <= whole + 1e-12


def test_every_bale_is_lost_equally_often() -> None:
    plan = power_plan(6, 5, lost=0.25)
    layout = sized(plan, (6, 5))
    there = masks(layout, plan, (6, 5))
    assert there is not None
    assert there.shape == (DRAWS, 22)
    assert (there.mean(axis=0) == 0.75).all()


def test_losses_enter_all_answers_alike() -> None:
    plan = power_plan(12, lost=0.1, spread=Spread(pair=0.3, bale=0.5))
    assert powers([Case(plan)])[0] == pytest.approx(power(plan).power, abs=1e-9)
    needed = pairs_needed(plan)
    assert needed.pairs is not None
    assert power(plan, pairs=needed.pairs).power == pytest.approx(needed.power, abs=1e-9)
    whole = pairs_needed(power_plan(spread=Spread(pair=0.3, bale=0.5))).pairs
    assert whole is not None
    assert needed.pairs > whole


VARIANCES = np.array([0.05, 0.02, 0.0, 0.2, 0.25, 0.1])


def test_shares_below_the_limit() -> None:
    found = below_limit(VARIANCES, limit=0.5, first=0.6, second=1.2)
    total = math.sqrt(VARIANCES.sum())
    assert found.first == pytest.approx(stats.norm.cdf(math.log(0.5 / 0.6) / total), abs=1e-9)
    assert found.second == pytest.approx(stats.norm.cdf(math.log(0.5 / 1.2) / total), abs=1e-9)


def test_half_the_limit_as_drawn() -> None:
    """Mean and spread of a pair's difference with half the limit in place: 400,000 pairs."""
    found = below_limit(VARIANCES, limit=0.5, first=0.7, second=1.2)
    rng = np.random.default_rng(3)
    shared = math.sqrt(VARIANCES[[0, 3]].sum()) * rng.standard_normal((400_000, 1))
    own = math.sqrt(VARIANCES[[1, 4, 5]].sum())
    y = np.log([0.7, 1.2]) + shared + own * rng.standard_normal((400_000, 2))
    d = -np.diff(np.where(y < math.log(0.5), math.log(0.25), y), axis=1)[:, 0]
    assert found.difference == pytest.approx(d.mean(), abs=4 * d.std() / math.sqrt(400_000))
    assert found.widening == pytest.approx(d.std() / (own * math.sqrt(2)), rel=0.005)


def test_power_with_values_below_the_limit_by_simulation() -> None:
    """10 pairs, a third of film's values below: 20,000 paired t tests of half the limit."""
    spread = Spread(pair=cv_of(0.4), bale=cv_of(0.6))
    plan = power_plan(10, response="butyric_acid", spread=spread, effect=(0.5,), level=2.0,
                      limit=0.75)  # fmt: skip
    found = power(plan)
    assert not found.exact
    assert found.share_below is not None
    rng = np.random.default_rng(4)
    y = np.log([1.0, 2.0]) + 0.4 * rng.standard_normal((20_000, 10, 1))
    y = y + 0.6 * rng.standard_normal((20_000, 10, 2))
    below = y < math.log(0.75)
    d = -np.diff(np.where(below, math.log(0.375), y), axis=2)[..., 0]
    rejected = stats.ttest_1samp(d, 0.0, axis=1).pvalue < 0.05
    assert found.power == pytest.approx(rejected.mean(), abs=0.015)
    assert found.share_below["film"] == pytest.approx(below[..., 0].mean(), abs=0.005)
    assert found.share_below["net"] == pytest.approx(below[..., 1].mean(), abs=0.005)
    assert "half the limit" in str(found)


def test_limit_far_below_changes_nothing() -> None:
    spread = Spread(pair=cv_of(0.4), bale=cv_of(0.6))
    plain = power_plan(10, response="butyric_acid", spread=spread, effect=(0.5,))
    far = power_plan(10, response="butyric_acid", spread=spread, effect=(0.5,), level=2.0,
                     limit=1e-4)  # fmt: skip
    assert power(far).power == pytest.approx(power(plain).power, abs=1e-9)
    unknown = power_plan(10, response="butyric_acid", spread=spread, effect=(0.5,), limit=0.5)
    assert "no level is assumed" in str(power(unknown))


PLAN = power_plan(8, bindings=THREE, openings="AB", spread=Spread(bale=0.5))
BELOW = power_plan(8, response="butyric_acid", spread=Spread(bale=0.5), effect=(0.5,), level=0.5,
                   limit=0.4)  # fmt: skip
REFUSED: list[tuple[Callable[[], object], type[SilageTrialError], str]] = [
    (lambda: family_power(PLAN, "openings", effect={"film": 1.0}), UsageError,
     "effects by binding for a family of openings"),
    (lambda: family_power(PLAN, "bindings", effect={"jute": 1.0}), UsageError,
     "an effect of jute"),
    (lambda: family_power(PLAN, "bindings", effect=(0.1, 0.2)), UsageError,
     "an effect for each opening, for a family of bindings"),
    (lambda: joint_power(power_plan(8)), NoAnswer, "one opening"),
    (lambda: power(BELOW), NoAnswer, "of the values of one binding would lie below the limit"),
]  # fmt: skip


@pytest.mark.parametrize(("call", "kind", "text"), REFUSED)
def test_refusals(call: Callable[[], object], kind: type[SilageTrialError], text: str) -> None:
    with pytest.raises(kind, match=text):
        call()
