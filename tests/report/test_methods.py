"""Methods are written from what was run: design, model in symbols, inference, software."""

from __future__ import annotations

import platform
import re
from dataclasses import replace
from importlib.metadata import version

import pytest
from conftest import Analysed
from report_variants import HOSTILE

from silagetrial.display.block import Prose
from silagetrial.report import methods
from silagetrial.report.symbols import groups

SEPARATE = "y_ijkpb = μ + β_i + τ_j + (βτ)_ij + φ_k + (βφ)_ik + P_p + e_ijkpb"
RECORED = "y_ijpb = μ + β_i + τ_j + (βτ)_ij + P_p + B_b + e_ijpb"
FARMS = "y_iklpb = μ + β_i + F_k + (βF)_ik + L_l + P_p + e_iklpb"


def formulas(parts: tuple[Prose, ...]) -> list[str]:
    return [line for part in parts if part.kind == "formula" for line in part.lines]


@pytest.mark.parametrize(
    ("name", "line"),
    [("separate", SEPARATE), ("recored", RECORED)],
)
def test_a_model_stands_in_one_line_with_every_term_in_words(
    analysed: Analysed, name: str, line: str
) -> None:
    analysis = analysed(name)
    parts = methods.in_symbols(analysis)
    assert formulas(parts)[1:] == [line]
    told = [part for part in parts if part.kind == "symbols"][-1].lines
    right = line.partition(" = ")[2].split(" + ")
    assert [words.partition(":")[0] for words in told] == [line.partition(" = ")[0], *right]
    (terms,) = groups(analysis)
    assert len(right) == 2 + len(terms.fixed) + len(terms.random)


def test_many_farms_are_random_and_stand_in_capitals(analysed: Analysed) -> None:
    assert FARMS in formulas(methods.in_symbols(analysed("five farms")))


def test_indices_stand_below_the_line_and_names_stay_as_they_are(analysed: Analysed) -> None:
    parts = methods.in_symbols(analysed("hostile"))
    formula = next(part for part in parts if part.kind == "formula" and "y_" in part.lines[0])
    assert formula._repr_html_() == (
        '<p class="st-formula">y<sub>ijpb</sub> = μ + β<sub>i</sub> + τ<sub>j</sub> + '
        "(βτ)<sub>ij</sub> + P<sub>p</sub> + B<sub>b</sub> + e<sub>ijpb</sub></p>"
    )
    html = parts[-1]._repr_html_()
    assert "β<sub>i</sub>: binding (net and &lt;b&gt;$x^2$ {{7*7}}), fixed" in html
    assert Prose(("a_b: x_y <i>",), kind="symbols")._repr_html_() == (
        "<ul><li>a<sub>b</sub>: x_y &lt;i&gt;</li></ul>"
    )
    assert repr(Prose(("a_b: x_y",), kind="symbols")) == "- a_b: x_y"


def test_only_what_was_run_is_told(analysed: Analysed) -> None:
    separate = " ".join(methods.methods(analysed("separate")).lines)
    for word in (
        "bootstrap",
        "Equivalence",
        "Non-inferiority",
        "planned curve",
        "adjusted for the crop",
        "As planned, ",
        "share of bales over",
        "cores added back",
        "drawn at random",
    ):
        assert word not in separate, word
    without = analysed("no weighings")
    text = " ".join(methods.methods(without).lines)
    assert "mass balance" not in text
    assert "Weissbach" not in text
    assert "No model was fitted for DM loss: " in text
    assert formulas(methods.in_symbols(without)) == [SEPARATE]
    nothing = " ".join(methods.methods(analysed("no samples")).lines)
    for word in ("maximum likelihood", "Kenward", "simultaneous", "statsmodels", "Growth"):
        assert word not in nothing, word
    one = " ".join(methods.methods(analysed("one opening")).lines)
    assert "Growth" not in one
    assert "95 % intervals, each alone" in one


def test_what_became_of_results_below_the_limit_is_told_with_their_share(
    analysed: Analysed,
) -> None:
    separate = " ".join(methods.methods(analysed("separate")).lines)
    assert "is none of that opening (" in separate
    cored = " ".join(methods.methods(analysed("recored")).lines)
    assert "outside the window" not in cored
    assert "lay 14 of 78 results of butyric acid (18 %); where it is modelled" in cored
    assert "reported as counts: 6 weeks for butyric acid." in cored
    assert "(butyric acid); 6 weeks, 3 months, 5 months and 8 months (DM loss)" in cored
    assert "earlier cores added back" in cored


def test_a_lost_bale_keeps_the_values_from_before_its_loss(analysed: Analysed) -> None:
    analysis = analysed("recored")
    rows, events = analysis["dm_loss"].records.rows, analysis.trial.events
    (lost,) = events.loc[events["what"] == "lost", "bale"]
    assert len(rows[rows["bale"] == lost]) == 3, "it was cored before it was lost"
    assert (
        "From its loss on a lost bale has no value (1 bale), and none was put in its place; "
        "its partner, where it has one, stays in the model."
        in " ".join(methods.methods(analysis).lines)
    )


def test_degrees_of_freedom_are_those_of_the_comparison_named_first(analysed: Analysed) -> None:
    analysis = analysed("separate")
    text = " ".join(methods.methods(analysis).lines)
    for name, what in (("butyric_acid", "butyric acid"), ("dm_loss", "DM loss")):
        frame = analysis[name].differences.frame
        (df,) = frame.loc[frame["opening"] == "9 months", "df"]
        assert f"{df:.1f} in {what}" in text


def test_software_stands_with_its_versions_and_the_seed(analysed: Analysed) -> None:
    text = " ".join(methods.methods(analysed("separate")).lines)
    assert f"on Python {platform.python_version()}, numpy {version('numpy')}" in text
    assert f"SciPy {version('scipy')}" in text
    assert f"statsmodels {version('statsmodels')}" in text
    assert "Nothing in the analysis is random; the seed kept for it is 4160." in text


def test_what_the_settings_plan_beside_is_told_where_it_was_run(analysed: Analysed) -> None:
    analysis = analysed("recored")
    trial, butyric = analysis.trial, analysis["butyric_acid"]
    plan = replace(
        trial.settings.analysis, residual_by="opening", serial=True, bootstrap=400, seed=9053
    )
    planned = replace(trial, settings=replace(trial.settings, analysis=plan))
    # The table alone tells that data sets were drawn; fitting them would take half a minute.
    drawn = {**analysis.responses, "butyric_acid": replace(butyric, bootstrap=butyric.average)}
    with_both = replace(analysis, trial=planned, responses=drawn)
    text = " ".join(methods.methods(with_both).lines)
    assert "the residual variance differs by opening" in text
    assert "correlated the more the closer in time" in text
    assert "(Efron & Tibshirani 1993, section 12.5): 400 data sets" in text
    assert "Random numbers: seed 9053." in text
    residual = [part for part in methods.in_symbols(with_both) if part.kind == "symbols"][-1]
    assert residual.lines[-1].endswith("it is correlated within a bale, exponentially in days")


def test_a_claim_and_a_plan_are_told_with_margin_seed_and_date(analysed: Analysed) -> None:
    alike = " ".join(methods.methods(analysed("alike")).lines)
    assert "Equivalence within the margins of the settings (1.80 in butyric acid)" in alike
    assert "drawn at random before baling (seed 17, analysis plan of 2024-04-01)" in alike
    worse = " ".join(methods.methods(analysed("not worse")).lines)
    assert "a one-sided test of size 0.025" in worse
    assert "Schuirmann" not in worse


def test_each_deviation_from_the_plan_is_told(analysed: Analysed) -> None:
    text = " ".join(methods.methods(analysed("margin changed")).lines)
    assert "Not all as planned: " in text
    assert re.search(r"margins, butyric acid: planned 1\.\d+, done 1\.\d+\.", text)


def test_composites_and_laboratories_are_told(analysed: Analysed) -> None:
    text = " ".join(methods.methods(analysed("composites")).lines)
    assert "Composite samples of " in text
    assert HOSTILE not in text
    assert "Results come from one laboratory (Quellmoor laboratory)." in text


def test_the_dm_in_the_mass_balance_is_named_as_it_was_corrected(analysed: Analysed) -> None:
    def dry_matter(name: str) -> str:
        lines = [line for part in methods.in_symbols(analysed(name)) for line in part.lines]
        return next(line for line in lines if line.startswith("D_0, D_1"))

    assert "of the silage at opening, corrected for volatiles by the full form" in dry_matter(
        "separate"
    )
    assert dry_matter("sign hidden").endswith("both of the oven")


def test_one_residual_variance_is_named_as_what_it_is(analysed: Analysed) -> None:
    residual = methods.in_symbols(analysed("separate"))[-1].lines[-1]
    assert residual.endswith("its variance is one for all bindings, openings and farms")


def test_serial_correlation_makes_the_degrees_of_freedom_of_first_order(
    analysed: Analysed,
) -> None:
    analysis = analysed("recored")
    plan = replace(analysis.trial.settings.analysis, serial=True)
    trial = replace(analysis.trial, settings=replace(analysis.trial.settings, analysis=plan))
    said = "of first order, with the expected information"
    assert said in " ".join(methods.methods(replace(analysis, trial=trial)).lines)
    assert said not in " ".join(methods.methods(analysis).lines)


def test_where_farms_are_the_replicates_the_check_is_the_t_of_their_means(
    analysed: Analysed,
) -> None:
    assert "the t of each contrast from one mean a farm, and MixedLM" in " ".join(
        methods.methods(analysed("five farms")).lines
    )
    assert "the paired t of each contrast, pair by pair, and MixedLM" in " ".join(
        methods.methods(analysed("separate")).lines
    )
