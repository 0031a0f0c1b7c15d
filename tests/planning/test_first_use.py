"""What somebody who plans for the first time gets wrong, or must be told, is told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_plans import SITE, make_plan
from power_plans import power_plan

from silagetrial import cli
from silagetrial.errors import UsageError
from silagetrial.planning.ask import size_of_trial
from silagetrial.planning.finished import Finished
from silagetrial.planning.grid_axes import check_axis
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.plan_keys import (
    DEPARTURES,
    GRID_NAMES,
    PLAN_SECTIONS,
    assumption_section,
)
from silagetrial.planning.plan_listing import describe_plan
from silagetrial.planning.power import pairs_needed, power
from silagetrial.planning.read_plan import parse_plan, read_plan
from silagetrial.planning.sheets import baling_page, inspection_page, opening_page
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.spoilt_words import spoilt_words
from silagetrial.planning.tags import tag_page
from silagetrial.planning.worth import worth
from silagetrial.planning.worth_words import answer, either_way

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"
TEXT = DEMO.read_text(encoding="utf-8")


def problems_of(*changes: tuple[str, str]) -> list[tuple[str | None, str]]:
    """Columns and what was found, in the demonstration plan with so many changes."""
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return [(problem.column, problem.found) for problem in parse_plan(text)[1]]


@pytest.mark.parametrize(
    ("old", "new", "column", "found"),
    [
        ("cv_pair = 0.3", "cv_pair = 30", "assumptions.butyric_acid.cv_pair", "cv_pair = 30"),
        ("cv_site = 0.4", "cv_site = 5.01", "assumptions.butyric_acid.cv_site", "cv_site = 5.01"),
        ("ratio = [0.8, 0.7, 0.6]", "ratio = 60", "assumptions.butyric_acid.ratio", "ratio = 60"),
        ("ratio = [0.8, 0.7, 0.6]", "ratio = 0.04", "assumptions.butyric_acid.ratio",
         "ratio = 0.04"),
        ("butyric_acid = 1.5", "butyric_acid = 50", "analysis.important", "butyric_acid = 50"),
        ("[costs]", "[grid]\neffect = [0.8, 60]\n\n[costs]", "grid.effect",
         "effect = [0.8, 60] in the grid"),
        ("[costs]", "[grid]\neffect = [-0.8]\n\n[costs]", "grid.effect",
         "effect = [-0.8] in the grid"),
        ("[costs]", "[grid]\nlost = [0, 20]\n\n[costs]", "grid.lost",
         "lost = [0, 20] in the grid"),
        ("[costs]", "[grid]\nmissing = [-0.1]\n\n[costs]", "grid.missing",
         "missing = [-0.1] in the grid"),
        ("[costs]", "[grid]\nbatch = [30]\n\n[costs]", "grid.batch", "batch = [30] in the grid"),
    ],
)  # fmt: skip
def test_a_percentage_is_refused(old: str, new: str, column: str, found: str) -> None:
    assert problems_of((old, new)) == [(column, found)]


def test_a_percentage_in_the_grid_is_told_as_one_that_is_assumed() -> None:
    """One fault, one wording, wherever the figure stands; for a difference it is none."""
    grid = TEXT.replace("[costs]", "[grid]\neffect = [60]\n\n[costs]")
    (there,) = parse_plan(grid)[1]
    (here,) = parse_plan(TEXT.replace("ratio = [0.8, 0.7, 0.6]", "ratio = 60"))[1]
    assert (there.expected, there.remedy) == (here.expected, here.remedy)
    assert there.remedy.startswith("write 0.6 where")
    with pytest.raises(UsageError) as told:
        simulate_power(read_plan(DEMO), trials=10, grid={"effect": (60.0,)})
    assert (told.value.expected, told.value.remedy) == (here.expected, here.remedy)
    check_axis("effect", (60.0, -1.0), response="dm_loss")


@pytest.mark.parametrize("new", ["cv_pair = 5", "cv_pair = 1.5"])
def test_a_large_fraction_is_none(new: str) -> None:
    assert problems_of(("cv_pair = 0.3", new)) == []
    assert problems_of(("ratio = [0.8, 0.7, 0.6]", "ratio = [0.05, 1, 20]")) == []


@pytest.mark.parametrize(
    ("call", "found", "remedy"),
    [
        (lambda plan: power(plan, effect=60.0), "a ratio of 60 for butyric_acid", "write 0.6"),
        (lambda plan: pairs_needed(plan, effect=0.01), "a ratio of 0.01", "write 0.6"),
        (lambda plan: power(plan, spread=Spread(pair=30.0)), "cv_pair = 30 for butyric_acid",
         "0.3 for 30 %"),
    ],
)  # fmt: skip
def test_a_percentage_in_a_call_is_refused(
    call: Callable[[Plan], object], found: str, remedy: str
) -> None:
    with pytest.raises(UsageError) as told:
        call(read_plan(DEMO))
    assert found in told.value.found
    assert remedy in told.value.remedy
    assert told.value.expected


def test_a_difference_may_be_any_number() -> None:
    assert power(power_plan(8), effect=60.0).power == pytest.approx(1.0)


def unassumed(effect: tuple[float, ...] = ()) -> Plan:
    plan = read_plan(DEMO)
    assumed = replace(plan.assumptions["butyric_acid"], effect=effect, limit=None)
    return replace(plan, assumptions={**plan.assumptions, "butyric_acid": assumed})


def test_the_important_difference_is_announced_and_has_no_direction() -> None:
    found = size_of_trial(unassumed())
    assert found.facts.important
    headline = found.lines[0]
    assert (
        "No ratio is assumed, so the difference is the one called important: if butyric acid "
        in (headline)
    )
    assert "differs by a factor of 1.50 between film and net at 8 months, either way," in headline
    assert "higher" not in headline
    (note,) = (line for line in found.lines if "[analysis] important" in line)
    assert "under [assumptions.butyric_acid]" in note
    assert "1.5, as large a difference either way." in note
    # Without a limit of the laboratory the test sees a ratio and its inverse alike.
    below = power(unassumed((1 / 1.5,)))
    assert found.facts.power is not None
    assert found.facts.power.power == pytest.approx(below.power, rel=1e-12)
    assert not any("important" in note for note in below.notes)
    limited = replace(unassumed().assumptions["butyric_acid"], limit=1.5)
    hidden = replace(unassumed(), assumptions={"butyric_acid": limited})
    upwards = [line for line in size_of_trial(hidden).lines if "difference upwards" in line]
    assert len(upwards) == 1
    assert "upwards" not in note
    growing = size_of_trial(replace(unassumed(), aim="growth"))
    assert "up or down" in growing.lines[0]


def test_a_difference_either_way_has_its_unit_and_no_sign() -> None:
    facts = size_of_trial(read_plan(DEMO), response="dm_loss").facts
    assert either_way(facts, -1.0) == (
        "DM loss differs by 1 percentage point between film and net at 8 months, either way"
    )


def past(*terms: str) -> Finished:
    variances = np.array([0.2, -0.05][: len(terms)])
    return Finished("an invented report", "dm_loss", "separate", terms, variances,
                    np.eye(len(terms)) * 0.01, "")  # fmt: skip


@pytest.mark.parametrize(
    ("terms", "why"),
    [
        (("residual",), "the report says nothing of how it varies from farm to farm, nor does"),
        (("residual", "site:binding"), "the report detected no variation of it from farm to farm"),
    ],
)
@pytest.mark.slow
def test_farms_taken_as_alike_are_in_the_headline(terms: tuple[str, ...], why: str) -> None:
    plan = power_plan(4, 4, 4, 4, 4)
    page = worth(plan, spread=past(*terms), search=False)
    assert page.facts is not None
    said = answer(page.facts)[1]
    assert f"taken to be the same on every farm: {why}" in said
    assert said in " ".join(str(page).split())
    few = worth(power_plan(8), spread=past(*terms), search=False).facts
    assert few is not None
    assert not few.farms_alike


def test_farms_that_differ_are_not_said_to_be_alike() -> None:
    assumed = replace(power_plan().assumptions["dm_loss"], spread=Spread(effect_between_sites=0.3))
    plan = replace(power_plan(4, 4, 4, 4, 4), assumptions={"dm_loss": assumed})
    facts = worth(plan, spread=past("residual"), search=False).facts
    assert facts is not None
    assert not facts.farms_alike


def test_every_key_of_a_plan_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["columns", "plan.toml"]) == 0
    shown = capsys.readouterr().out
    assert cli.main(["columns", "plan"]) == 0
    assert capsys.readouterr().out == shown
    assert "(silagetrial columns trial.toml)" in " ".join(shown.split())
    for section in ("layout", "power", "grid", "costs", "next_trial", "laboratory"):
        assert f"  [{section}]" in shown
        for key, spec in PLAN_SECTIONS[section].items():
            assert f"    {key} = " in shown
            assert spec.description
    for key in (*PLAN_SECTIONS[assumption_section("butyric_acid")], "sd_effect_between_sites"):
        assert f"    {key} = " in shown
    assert "[[sites]], once for each" in shown
    for name in (*DEPARTURES, "fresh_mass"):
        assert f"{name}: " in " ".join(shown.split())
    assert set(GRID_NAMES) == set(PLAN_SECTIONS["grid"])
    assert max(map(len, describe_plan(width=60).splitlines())) <= 60


def test_sizes_of_variation_are_shown_with_their_sources() -> None:
    page, listed = str(worth(read_plan(DEMO), search=False)), describe_plan(width=200)
    for shown in (page, listed):
        assert "Sizes of variation from the literature" in shown
        assert "Sheaffer et al. 2000" in shown
        assert "from memory" in shown
        assert "common practice" in shown
    assert "butyric acid of single bales, CV (right-skewed): 0.5 to 1.5 fraction (from" in listed


def test_power_names_what_would_spoil_the_comparison() -> None:
    plan = read_plan(DEMO)
    assert spoilt_words(plan) == ()
    bare = replace(plan, settings=replace(plan.settings, held_equal={"baler": "X"}))
    (said,) = spoilt_words(bare, pairs=6)
    assert said.startswith("Would spoil the comparison: no film_layers")
    assert "What to do: add film_layers = 6" in said
    assert said in size_of_trial(bare).lines
    assert said in " ".join(str(worth(bare, search=False)).split())
    runs = spoilt_words(replace(plan, switch_every=3))
    assert any(line.startswith("May spoil the comparison: the binding is") for line in runs)


def test_a_plan_with_an_error_says_what_to_mend_and_not_what_comes_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.toml").write_text(TEXT.replace("film_layers = 6\n", ""), encoding="utf-8")
    assert cli.main(["plan", str(tmp_path), "--out", str(tmp_path / "t")]) == 4
    shown = capsys.readouterr().out
    assert "Mend first, in plan.toml, and plan again:\n  1. held_equal.film_layers: add " in shown
    assert "Next:" not in shown
    assert "Keep the hash" not in shown
    assert "key held_equal.film_layers" in shown


@pytest.fixture(scope="module")
def of_three() -> Layout:
    plan = make_plan(3, bindings=3, site=replace(SITE, spare_pairs=1), lost=0.3)
    return plan_trial(plan)


def test_three_bindings_are_in_sets_on_every_sheet(of_three: Layout) -> None:
    assert str(of_three.summary).startswith("Sets of each site")
    assert "spare sets" in str(of_three.summary)
    assert "sets together" in str(of_three.calendar)
    assert set(of_three.bales["note"].dropna()) == {"spare set"}
    spare = [w.found for w in of_three.warnings if w.column == "layout.spare_pairs"]
    assert "1 spare set on Farm 1" in spare[0]
    for problem in of_three.warnings:
        for text in (problem.found, problem.expected, problem.remedy.replace("spare_pairs", "")):
            assert "pair" not in text
    baling, opening = baling_page(of_three), opening_page(of_three)
    assert '">set<small>pair</small></th>' in baling
    assert "The spare sets are there for that." in baling
    assert "All bales of a set on the same day." in opening
    assert "<br>set P" in tag_page(of_three)


def test_two_bindings_stay_in_pairs() -> None:
    layout = plan_trial(make_plan(3, site=replace(SITE, spare_pairs=1)))
    assert str(layout.summary).startswith("Pairs of each site")
    assert '">pair<small>pair</small></th>' in baling_page(layout)
    assert "<br>pair P" in tag_page(layout)


def test_the_cautions_stand_after_the_tags(of_three: Layout) -> None:
    page = tag_page(of_three)
    assert page.index("Print the tags") < page.index('class="st-tag"')
    assert page.rindex('class="st-tag"') < page.index('class="st-cautions"')


def test_inspections_are_called_on_paper_as_in_the_workbook(of_three: Layout) -> None:
    assert set(of_three.events["what"]) == {"inspected"}
    assert "inspected; or: holed, taped, moved, dropped, lost" in inspection_page(of_three)


def test_one_line_for_a_warning_about_several_farms() -> None:
    losing = plan_trial(make_plan(12, 12, 6, lost=0.1)).warnings
    spare = [w.found for w in losing if w.column == "layout.spare_pairs"]
    assert [text.split(",")[0] for text in spare] == [
        "0 spare pairs on Farm 1 and Farm 2", "0 spare pairs on Farm 3",
    ]  # fmt: skip
    thin = plan_trial(make_plan(12, 2, 2)).warnings
    (few,) = (w.found for w in thin if w.column == "sites.pairs")
    assert few.startswith("no pair of Farm 2 and Farm 3 at some opening")
    high = plan_trial(make_plan(3, 3, site=replace(SITE, tiers=4))).warnings
    (stacked,) = (w.found for w in high if w.column == "sites.tiers")
    assert stacked == "bales stacked 4 high on Farm 1 and Farm 2"


@pytest.mark.parametrize("slip", ["paris = 10", 'pairs = "10"', "pairs = -1"])
def test_pairs_mistyped_are_told_once(slip: str) -> None:
    found = problems_of(("pairs = 12", slip), ("pairs = 9\n", ""))
    assert len(found) == 1
    assert found[0][0] in ("layout.paris", "layout.pairs")


def test_alpha_mistyped_does_not_drag_in_the_power_wanted() -> None:
    assert [column for column, _ in problems_of(("alpha = 0.05", "alpha = 5"))] == [
        "analysis.alpha"
    ]
    both = problems_of(("alpha = 0.05", "alpha = 5"), ("target = 0.8", "targt = 0.8"))
    assert [column for column, _ in both] == ["power.targt", "analysis.alpha"]


def test_a_key_of_toml_is_called_a_key() -> None:
    (problem,) = parse_plan(TEXT.replace("cv_pair = 0.3", "cv_pair = 30"))[1]
    assert ", key assumptions.butyric_acid.cv_pair: found" in str(problem)
    cell = replace(problem, file="bales.csv", column="diameter")
    assert ", column diameter: found" in str(cell)


def notes_with(limit: float, ratio: float = 0.5) -> list[str]:
    spread = Spread(bale=0.5)
    plan = power_plan(
        12, response="butyric_acid", effect=(ratio,), level=3.0, limit=limit, spread=spread
    )
    return [note for note in power(plan).notes if "laboratory's limit" in note]


def test_values_below_the_limit_are_told_in_words() -> None:
    assert notes_with(0.05) == []
    (said,) = notes_with(1.2)
    assert "logarithms" not in said
    # Share below of a lognormal variable, by its distribution function.
    sd = math.sqrt(math.log1p(0.25))
    share = 0.5 * (1 + math.erf(math.log(1.2 / 1.5) / sd / math.sqrt(2)))
    assert said.startswith(
        f"Below the laboratory's limit: {100 * share:.0f} % of the values of film"
    )
    assert "the difference looks " in said
    assert " % larger than it is." in said or " % smaller than it is." in said
