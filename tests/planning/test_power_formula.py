"""Power of layouts by formula: closed forms (tests/reference/make_power.R), simulation, errors."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from power_plans import cv_of, power_plan
from statsmodels.stats.power import TTestPower

import silagetrial
from silagetrial.analysis import choose_model
from silagetrial.analysis.compare import growth_weights
from silagetrial.errors import NoAnswer, SilageTrialError, UsageError
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.simulate import draw
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    t_tail,
    theta_covariance,
)
from silagetrial.planning.assumptions import COMPONENTS, components, published_magnitudes
from silagetrial.planning.from_plan import truth_of
from silagetrial.planning.layout import plan_trial
from silagetrial.planning.many import Case, asked, powers
from silagetrial.planning.plan import Factor, Laboratory, Plan, Spread
from silagetrial.planning.planned_rows import planned_rows
from silagetrial.planning.power import detectable_difference, pairs_needed, power
from silagetrial.planning.structure import sized

R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "power.json").read_text(encoding="utf-8")
)
PAIRED = [row for row in R["t"] if row["type"] == "paired"]
STRATA = Spread(pair=0.4, bale=0.3, core=0.35)
CHANGE = (0.2, 0.5, 0.8)
RICH = Spread(site=0.5, pair=0.5, bale=0.6, core=0.4, laboratory=0.1, effect_between_sites=0.3)


@pytest.mark.parametrize("row", PAIRED)
def test_paired_layout_is_the_paired_t(row: dict[str, Any]) -> None:
    found = power(power_plan(row["n"]))
    assert found.power == pytest.approx(row["power"], abs=1e-8)
    assert found.df == pytest.approx(row["n"] - 1, abs=1e-8)
    assert found.exact
    assert "exact: balanced, one error stratum" in found.wording


@pytest.mark.parametrize("row", R["paired_n"])
def test_pairs_needed_as_r(row: dict[str, float]) -> None:
    found = pairs_needed(power_plan(), target=row["power"])
    assert found.pairs == found.total == math.ceil(row["n"])
    at = found.table.frame.set_index("pairs")["power"]
    assert at[found.pairs] == found.power >= row["power"] > at[found.pairs - 1]


@pytest.mark.parametrize(("size", "pairs"), [(0.5, 34), (0.8, 15), (0.2, 199)])
def test_published_pairs(size: float, pairs: int) -> None:
    """Pairs for 80 % power, two-sided 5 %, difference in SDs of the difference: from memory."""
    plan = power_plan(spread=Spread(bale=1 / math.sqrt(2)), effect=(size,))
    assert pairs_needed(plan).pairs == pairs


def test_pair_variance_drops_out() -> None:
    """8 pairs, SD 0.4 between pairs and 0.5 within, 0.5 apart: 0.4080; simulated 0.416 +- 0.011.

    2,000 data sets by lmer and Kenward-Roger.
    """
    found = power(power_plan(8, spread=Spread(pair=0.4, bale=0.5)))
    assert found.power == pytest.approx(0.408033082737895, abs=1e-8)
    assert abs(found.power - 0.416) < 3 * 0.011


def test_split_plot_main_effect() -> None:
    """Noncentral F (1, 5); 2,000 data sets by lmer and Kenward-Roger gave 0.492 +- 0.011."""
    plan = power_plan(6, design="recored", openings="ABC", spread=STRATA, effect=CHANGE,
                      aim="average")  # fmt: skip
    found = power(plan)
    assert found.power == pytest.approx(R["split_plot"]["average"], abs=1e-8)
    assert found.exact
    assert found.df == pytest.approx(5.0, abs=1e-8)
    assert abs(found.power - 0.492) < 3 * 0.011


def test_growth_lies_in_the_inner_stratum() -> None:
    plan = power_plan(6, design="recored", openings="ABC", spread=STRATA, effect=CHANGE,
                      aim="growth")  # fmt: skip
    found = power(plan)
    assert found.exact
    assert found.df == pytest.approx(20.0, abs=1e-7)
    days = np.log1p(np.array([30.0, 90.0, 180.0]))
    weights = (days - days.mean()) / ((days - days.mean()) ** 2).sum() * np.ptp(days)
    assert found.effect == pytest.approx(float(weights @ np.array(CHANGE)))
    error = math.sqrt(2 * 0.35**2 / 6 * (weights**2).sum())
    assert found.std_error == pytest.approx(error, rel=1e-9)


@pytest.mark.parametrize(("pairs", "published"), [(3, 0.157), (4, 0.236)])
def test_one_opening_of_four_is_approximate(pairs: int, published: float) -> None:
    """Cored bales, SD 0.8 and 0.35, 1 apart: two error strata; simulation gives .200 and .258."""
    spread = Spread(bale=0.8, core=0.35)
    plan = power_plan(pairs, design="recored", openings="ABCD", spread=spread, effect=(1.0,))
    found = power(plan)
    assert found.power == pytest.approx(published, abs=0.0012)
    assert not found.exact
    assert "confirm by simulation" in found.wording


def test_unequal_complete_pairs_are_still_exact() -> None:
    """5 and 3 pairs on two farms of equal weight: pooled paired t with 6 df."""
    found = power(power_plan(5, 3, spread=Spread(pair=0.4, bale=0.5)))
    error = math.sqrt(2 * 0.25 * (1 / 5 + 1 / 3) / 4)
    assert found.std_error == pytest.approx(error, rel=1e-9)
    assert found.df == pytest.approx(6.0, abs=1e-8)
    assert found.exact


def test_farms_like_these() -> None:
    """6 farms of 4 pairs: the means of farms are the replicates, 5 df."""
    spread = Spread(bale=0.5, effect_between_sites=0.3)
    found = power(power_plan(*[4] * 6, spread=spread))
    error = math.sqrt((0.3**2 + 2 * 0.25 / 4) / 6)
    assert found.std_error == pytest.approx(error, rel=1e-9)
    assert found.df == pytest.approx(5.0, abs=1e-8)
    assert found.exact


def test_variance_without_a_term_joins_what_it_cannot_be_told_from() -> None:
    """One pair on each of 6 farms: farm by binding and bale are one variance."""
    spread = Spread(site=0.7, pair=0.4, bale=0.5, effect_between_sites=0.3)
    found = power(power_plan(*[1] * 6, spread=spread))
    assert found.std_error == pytest.approx(math.sqrt((0.3**2 + 2 * 0.25) / 6), rel=1e-9)
    assert found.df == pytest.approx(5.0, abs=1e-8)


def test_ratio_is_a_difference_of_logarithms() -> None:
    spread = Spread(pair=cv_of(0.4), bale=cv_of(0.5))
    ratio = power(power_plan(8, response="butyric_acid", spread=spread, effect=(math.exp(0.5),)))
    plain = power(power_plan(8, spread=Spread(pair=0.4, bale=0.5)))
    assert ratio.power == pytest.approx(plain.power, abs=1e-10)
    assert ratio.half_width == pytest.approx(math.exp(plain.half_width), rel=1e-9)
    assert (ratio.scale, plain.scale) == ("ratio", "difference")


def test_samples_and_analyses_divide() -> None:
    spread = Spread(core=0.6, laboratory=0.2)
    response = asked(Case(power_plan())).question.response
    laboratory = Laboratory(samples=3, analyses=2)
    assert components(spread, response, laboratory)[-1] == pytest.approx((0.36 + 0.02) / 3)


def test_mean_of_lognormal_cores() -> None:
    """Variance of the logarithm of a mean of lognormal values, drawn: 400,000 means."""
    response = asked(Case(power_plan(response="butyric_acid", effect=(0.5,)))).question.response
    found = components(Spread(core=0.5), response, Laboratory(samples=4))[-1]
    rng = np.random.default_rng(1)
    sd = math.sqrt(math.log1p(0.25))
    drawn = np.log(np.exp(sd * rng.standard_normal((400_000, 4))).mean(axis=1)).var()
    assert found == pytest.approx(drawn, rel=0.02)


@pytest.mark.parametrize("size", [(4, 0.5, 0.4, 0.36200), (12, math.log(1.25), 0.4, 0.19494)])
def test_claim_of_equivalence(size: tuple[int, float, float, float]) -> None:
    pairs, margin, sd, expected = size
    plan = power_plan(pairs, spread=Spread(bale=sd / math.sqrt(2)), effect=(),
                      analysis={"margins": {"dm_loss": margin}})  # fmt: skip
    found = power(plan)
    assert found.kind == "equivalence"
    assert found.power == pytest.approx(expected, abs=5e-6)


def test_claim_of_non_inferiority() -> None:
    row = R["non_inferiority"][0]
    analysis = {"margins": {"dm_loss": row["margin"]}, "claim": "non-inferiority"}
    spread = Spread(bale=row["se"] * math.sqrt(8 / 2))
    found = power(power_plan(8, spread=spread, effect=(), analysis=analysis))
    assert found.power == pytest.approx(row["power"], abs=1e-8)
    difference = power(power_plan(8, spread=spread, analysis=analysis), kind="difference")
    assert difference.kind == "difference"


def test_detectable_difference_has_the_power_asked_for() -> None:
    plan = power_plan(9, 6, openings="AB", spread=RICH)
    found = detectable_difference(plan, target=0.9)
    assert power(plan, effect=found.effect).power == pytest.approx(0.9, abs=1e-8)
    assert power(plan, effect=found.other_side).power == pytest.approx(0.9, abs=1e-8)
    theirs = TTestPower().solve_power(nobs=8, alpha=0.05, power=0.8, alternative="two-sided")
    ours = detectable_difference(power_plan(8))
    assert ours.effect == pytest.approx(0.7 * theirs, rel=1e-6)


def test_pairs_for_a_half_width() -> None:
    found = pairs_needed(power_plan(), half_width=0.36)
    widths = found.table.frame.set_index("pairs")["half_width"]
    assert found.pairs is not None
    assert widths[found.pairs] <= 0.36 < widths[found.pairs - 1]
    assert power(power_plan(found.pairs)).half_width == pytest.approx(found.half_width)


def test_too_few_even_at_most() -> None:
    found = pairs_needed(power_plan(effect=(0.05,)), most=30)
    assert (found.pairs, found.total) == (None, None)
    assert found.table.frame["pairs"].max() == 30


@pytest.mark.parametrize("design", ["separate", "recored"])
@pytest.mark.parametrize("sites", [1, 2, 6])
@pytest.mark.parametrize("openings", ["A", "ABC"])
def test_masks_are_layouts_of_their_own(design: str, sites: int, openings: str) -> None:
    """What shares a design with larger layouts comes out as if laid out alone."""
    plan = power_plan(*[8] * sites, design=design, openings=openings, spread=RICH)
    cases = [Case(plan, pairs=n) for n in (4, 5, 6, 7, 11)]
    alone = [power(plan, pairs=case.pairs, rows=_rows(plan, case.pairs)).power for case in cases]
    assert powers(cases) == pytest.approx(alone, abs=1e-9)


def _rows(plan: Plan, pairs: Any) -> Any:
    return planned_rows(plan, (pairs,) * len(plan.sites))


@pytest.mark.parametrize("kind", [
    {"openings": "A"}, {"openings": "ABC"}, {"design": "recored", "openings": "AB"},
    {"bindings": ("net", "film", "twine"), "openings": "AB"},
    {"openings": "A", "switch_every": 2},
    {"openings": "A", "factors": (Factor("film_layers", ("4", "6")),),
     "analysis": {"factors": ("film_layers",)}},
])  # fmt: skip
@pytest.mark.parametrize("sites", [1, 3, 5])
def test_more_pairs_change_no_term(kind: dict[str, Any], sites: int) -> None:
    """The model of the smallest layout of a kind is that of every larger one."""
    plan = power_plan(*[2] * sites, **kind)
    least = sized(plan, (24,) * sites).structure.choice
    for count in (24, 36):
        larger = choose_model(_rows(plan, count), plan.settings)
        assert (larger.formula, larger.random, larger.scope, larger.unit) == (
            least.formula, least.random, least.scope, least.unit
        )  # fmt: skip


@pytest.mark.parametrize("pairs", [(12,), (6, 12), (6,) * 6])
@pytest.mark.parametrize("kind", [
    {"openings": "A"}, {"openings": "ABC"}, {"openings": "ABC", "design": "recored"},
])  # fmt: skip
def test_layout_drawn_has_the_power_of_the_plan(
    pairs: tuple[int, ...], kind: dict[str, Any]
) -> None:
    plan = power_plan(*pairs, spread=RICH, **kind)
    drawn = power(plan, rows=plan_trial(plan).rows)
    assert drawn.power == pytest.approx(power(plan).power, abs=1e-9)
    assert sum(drawn.pairs) == sum(pairs)


spreads = st.builds(
    Spread, **{name: st.floats(0.05, 2.0) for name in ("site", "pair", "bale", "core")}
)


@settings(max_examples=25, deadline=None)
@given(
    spreads, st.floats(0.1, 3.0), st.floats(0.01, 50.0), st.sampled_from(["separate", "recored"])
)
def test_units_change_nothing(spread: Spread, effect: float, unit: float, design: str) -> None:
    plan = power_plan(6, 4, design=design, openings="AB", spread=spread, effect=(effect,))
    scaled = Spread(**{name: value * unit for name, value in vars(spread).items()})
    other = power(plan, spread=scaled, effect=effect * unit)
    assert other.power == pytest.approx(power(plan).power, abs=1e-7)


@settings(max_examples=25, deadline=None)
@given(spreads, st.floats(0.1, 3.0), st.sampled_from(["A", "ABC"]),
       st.sampled_from(["separate", "recored"]))  # fmt: skip
def test_more_pairs_never_have_less_power(
    spread: Spread, effect: float, openings: str, design: str
) -> None:
    plan = power_plan(6, 6, design=design, openings=openings, spread=spread, effect=(effect,))
    found = powers([Case(plan, pairs=n) for n in range(6, 20)])
    assert (np.diff(found) >= -1e-9).all()


@settings(max_examples=20, deadline=None)
@given(st.floats(0.2, 5.0))
def test_names_and_directions_change_nothing(ratio: float) -> None:
    spread = Spread(pair=0.4, bale=0.6)
    plan = power_plan(8, 4, openings="AB", response="butyric_acid", spread=spread, effect=(ratio,))
    turned = replace(
        plan,
        settings=replace(
            plan.settings,
            compare=("film", "net"),
            reference="film",
            analysis=replace(plan.settings.analysis, contrast=("net", "film")),
        ),
    )
    assert power(turned, effect=1 / ratio).power == pytest.approx(power(plan).power, abs=1e-9)
    swapped = replace(plan, sites=plan.sites[::-1])
    assert power(swapped).power == pytest.approx(power(plan).power, abs=1e-9)


def test_nan_where_a_layout_has_no_answer() -> None:
    found = powers([Case(power_plan(1)), Case(power_plan(8))])
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(PAIRED[2]["power"], abs=1e-8)


def test_public_names() -> None:
    assert silagetrial.power is power
    assert silagetrial.pairs_needed is pairs_needed
    assert silagetrial.detectable_difference is detectable_difference


def test_result_shown() -> None:
    found = power(power_plan(3, 2, spread=RICH))
    assert "Assumptions: invented." in str(found)
    assert "these 2 farms" in str(found)
    assert found._repr_html_().startswith("<p>Power ")
    table = pairs_needed(power_plan())
    assert "pairs" in str(table)
    assert "<table" in table._repr_html_()


def test_pairs_are_said_in_a_sentence() -> None:
    one = pairs_needed(power_plan())
    assert one.wording.startswith(f"{one.pairs} pairs are the fewest for a power of 0.8 (")
    assert str(one).startswith(one.wording)
    two = pairs_needed(power_plan(3, 2, spread=RICH))
    assert (
        f"{two.pairs} pairs on each of 2 farms, {two.total} in all, are the fewest" in two.wording
    )
    wide = pairs_needed(power_plan(), half_width=0.36)
    assert "for an interval that reaches 0.36 to both sides" in wide.wording
    assert "half the interval's width\n" in str(wide)
    ratio = pairs_needed(power_plan(response="butyric_acid"), half_width=1.5)
    assert "reaches a factor of 1.5 to both sides" in ratio.wording
    assert "half the interval's width, a factor" in str(ratio)
    assert "half the interval's width, a factor" not in str(one)
    few = pairs_needed(power_plan(effect=(0.05,)), most=30)
    assert few.wording.startswith("Not even 30 pairs are enough for a power of 0.8")


def test_published_magnitudes_name_their_source() -> None:
    table = published_magnitudes().frame
    assert (table["source"].str.len() > 5).all()
    memory = table.loc[table["quantity"].str.startswith("butyric"), "source"]
    assert memory.tolist() == ["from memory"]
    assert (table["low"] <= table["high"]).all()


def test_notes_say_what_does_not_enter() -> None:
    analysis = {"serial": True, "covariates": ("day0_dm",)}
    plan = power_plan(7, openings="AB", analysis=analysis)
    text = str(power(plan))
    assert "serial correlation do not enter" in text
    assert "day 0" in text
    assert "do not divide by 2 openings" in text


def test_notes_say_what_is_not_assumed() -> None:
    farms = power_plan(3, 3, 3, 3, 3, openings="A", spread=Spread(bale=0.5))
    assert "No variation of the difference from farm to farm is assumed" in str(power(farms))
    assert "from farm to farm is assumed" not in str(power(farms, spread=RICH))
    assert "unlike numbers" not in str(power(farms))
    assert "unlike numbers" in str(power(farms, pairs=(2, 3, 4, 3, 3)))
    assert "unlike numbers" not in str(power(power_plan(2, 3)))
    runs = power_plan(12, spread=Spread(bale=0.5), switch_every=3)
    assert "No variation between runs is assumed" in str(power(runs))
    assert "between runs" not in str(power(runs, spread=Spread(bale=0.5, run=0.2)))


def test_one_value_of_growth_is_simulated_as_that_growth() -> None:
    """The formula takes one value as the growth itself; trials drawn must grow by as much."""
    plan = power_plan(6, openings="ABD", effect=(0.9,), aim="growth")
    ready = asked(Case(plan))
    truth = np.array(truth_of(plan, ready.question.response).effect)
    days = np.array([opening.days for opening in plan.settings.openings])
    assert growth_weights(days) @ truth == pytest.approx(0.9, rel=1e-12)
    assert ready.difference == pytest.approx(0.9, rel=1e-12)
    assert truth[0] == 0.0
    assert truth_of(replace(plan, aim="average"), ready.question.response).effect == (0.9,)


GROWTH = {"aim": "growth"}
REFUSED: list[tuple[Any, type[SilageTrialError], str]] = [
    (lambda: power(power_plan(spread=Spread(bale=-1.0))), UsageError, "a spread of -1.0 for bale"),
    (lambda: power(power_plan(spread=Spread(pair=1.0))), UsageError, "no variation of DM loss"),
    (lambda: power(power_plan(design="recored", openings="AB")), UsageError, "core or laboratory"),
    (lambda: power(power_plan(effect=())), UsageError, "no difference assumed of DM loss"),
    (lambda: power(power_plan(effect=(1.0, 2.0))), UsageError, "2 values of the difference"),
    (lambda: power(power_plan(response="butyric_acid", effect=(-0.5,))), UsageError,
     "the ratio -0.5"),
    (lambda: power(power_plan(), pairs=0), UsageError, "pairs (0,)"),
    (lambda: power(power_plan(), pairs=(3, 4)), UsageError, "1 or more on each of 1 sites"),
    (lambda: power(power_plan(**GROWTH)), NoAnswer, "no growth over openings"),
    (lambda: power(power_plan(), kind="equivalence"), NoAnswer, "no margin for DM loss"),
    (lambda: power(power_plan(1)), NoAnswer, "no degrees of freedom"),
    (lambda: power(power_plan(2, lost=0.97)), NoAnswer, "no standard error of film - net at A"),
    (lambda: detectable_difference(power_plan(2, lost=0.97)), NoAnswer, "no standard error"),
    (lambda: detectable_difference(power_plan(3, lost=0.6)), NoAnswer, "no standard error"),
    (lambda: pairs_needed(power_plan(), target=1.0), UsageError, "a power of 1.0"),
    (lambda: pairs_needed(power_plan(), half_width=0.0), UsageError, "a half-width of 0.0"),
    (lambda: pairs_needed(power_plan(response="butyric_acid"), half_width=0.9), UsageError,
     "a half-width of 0.9"),
    (lambda: power(power_plan(), response="pH"), UsageError, "no variation of pH"),
]  # fmt: skip


@pytest.mark.parametrize(("call", "kind", "text"), REFUSED)
def test_refusals(call: Any, kind: type[SilageTrialError], text: str) -> None:
    with pytest.raises(kind) as caught:
        call()
    assert text in str(caught.value)


def test_observed_power_is_refused_with_what_to_do_instead() -> None:
    with pytest.raises(NoAnswer) as caught:
        power(power_plan(), effect="observed")
    assert "only says the p value again" in caught.value.remedy
    assert "interval" in caught.value.remedy
    assert "plan the next trial" in caught.value.remedy


@pytest.mark.slow
def test_unbalanced_layout_by_simulation() -> None:
    """5 and 3 pairs cored twice, a fifth of the bales gone: 4,000 trials, KR at REML estimates.

    The formula takes the variances as known: 0.726 here beside 0.730 simulated, with a
    Monte Carlo standard error of 0.007.
    """
    spread = Spread(pair=0.4, bale=0.3, core=0.4)
    plan = power_plan(8, 6, design="recored", openings="AB", spread=spread, effect=(0.6,))
    rows = planned_rows(plan, (8, 6))
    gone = ["b1", "b6", "b11", "b16", "b21"]
    rows = rows[~rows["bale"].isin(gone)].reset_index(drop=True)
    formula = power(plan, rows=rows)
    assert not formula.exact
    ready = asked(Case(plan, rows=rows))
    layout = ready.layout
    assert layout is not None
    contrast = layout.inside(ready.question.functions)
    beta = np.linalg.inv(layout.design.r) @ contrast[0] / (contrast[0] @ contrast[0]) * 0.6
    theta = layout.theta(ready.variances)
    y = draw(layout.design, beta, theta, np.random.default_rng(5), 4000)
    batch = prepare(layout.design, y)
    fits = maximise(layout.design, batch)
    at = fits.evaluation
    value = (at.beta * batch.scale[:, None] + batch.offset) @ contrast[0]
    error = batch.scale * np.sqrt(contrast[0] @ kenward_roger_covariance(at) @ contrast[0])
    df = contrast_df(at, contrast, theta_covariance(at))[:, 0]
    rejected = t_tail(value / error, df) < 0.05
    assert rejected.mean() == pytest.approx(formula.power, abs=3 * 0.007)


def test_components_are_named_as_the_models_terms() -> None:
    structure = sized(power_plan(*[3] * 5, design="recored", openings="AB"), (3,) * 5).structure
    inside = {*structure.choice.random, "residual"}
    assert inside - set(COMPONENTS) == {"site:binding:opening"}
