"""plan.toml: every key read, and every problem told with its line, in one go."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import pytest

from silagetrial.data.settings import RESPONSES
from silagetrial.data.settings_keys import SECTIONS
from silagetrial.errors import DataProblems
from silagetrial.planning.plan import (
    Assumption,
    Costs,
    Factor,
    Laboratory,
    NextTrial,
    Plan,
    SitePlan,
    Spread,
)
from silagetrial.planning.plan_keys import PLAN_NAMES, PLAN_SECTIONS
from silagetrial.planning.read_plan import parse_plan, read_plan

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms"

SMALL = """\
title = "Spring grass"

[bindings]
compare = ["net", "film"]
reference = "net"

[design]
bales = "separate"

[[openings]]
name = "2 months"
days = 60
window = [50, 75]

[[openings]]
name = "8 months"
days = 240
window = [220, 270]

[layout]
pairs = 8

[[sites]]
name = "Alder Farm"
"""

FULL = (
    SMALL.replace(
        "pairs = 8",
        'seed = 7\npairs = 8\nspare_pairs = 1\nswitch_every = 2\nlost = 0.1\naim = "average"\n'
        "inspections = [14, 30.5]",
    )
    + """\
cut = "1"
fields = ["Upper", "Lower"]
baling = 2027-05-20
stores = ["yard"]
tiers = 2

[[sites]]
name = "Birch Farm"
pairs = 6
spare_pairs = 0

[[factors]]
column = "film_layers"
levels = ["4", "6"]

[laboratory]
name = "L"
batch = 30
duplicates = 2
reference = false
samples = 2
analyses = 3

[power]
target = 0.9
half_width = 1.3

[assumptions.butyric_acid]
ratio = [0.8, 0.6]
level = 3
limit = 0.2
source = "a guess"
departures = {half_life = 120, tails = 5}
cv_site = 0.1
cv_pair = 0.2
cv_bale = 0.3
cv_core = 0.4
cv_laboratory = 0.5
cv_effect_between_sites = 0.6
cv_run = 0.7

[assumptions.dm_loss]
difference = -1
sd_bale = 1.5

[costs]
currency = "EUR"
site = 1
pair = 2
opening = 3
core = 4
analysis = 5
money = 6

[next_trial]
bales_per_year = 100
years = 5
gain_per_bale = 2
extra_cost_per_bale = 0.5
effect_sd = 0.3
"""
)


def read(text: str) -> Plan:
    plan, problems = parse_plan(text)
    assert problems == ()
    return plan


def test_every_key_is_read() -> None:
    plan = read(FULL)
    assert plan.seed == 7
    assert (plan.aim, plan.lost, plan.switch_every) == ("average", 0.1, 2)
    assert plan.inspections == (14, 30.5)
    assert plan.sites == (
        SitePlan("Alder Farm", 8, 1, ("Upper", "Lower"), dt.date(2027, 5, 20), ("yard",), 2, "1"),
        SitePlan("Birch Farm", 6, 0),
    )
    assert plan.factors == (Factor("film_layers", ("4", "6")),)
    assert plan.settings.analysis.factors == ("film_layers",)
    assert plan.laboratory == Laboratory("L", 30, 2, False, 2, 3)
    assert (plan.power, plan.half_width) == (0.9, 1.3)
    assert plan.assumptions == {
        "butyric_acid": Assumption(
            effect=(0.8, 0.6),
            level=3,
            limit=0.2,
            spread=Spread(0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7),
            departures={"half_life": 120, "tails": 5},
            source="a guess",
        ),
        "dm_loss": Assumption((-1.0,), spread=Spread(bale=1.5)),
    }
    assert plan.costs == Costs("EUR", 1, 2, 3, 4, 5, 6)
    assert plan.next_trial == NextTrial(100, 5, 2, 0.5, 0.3)


def test_keys_left_out_have_their_defaults() -> None:
    plan = read(SMALL)
    assert plan == Plan(plan.settings, (SitePlan("Alder Farm", 8),))
    assert plan.settings.compare == ("net", "film")
    assert [opening.name for opening in plan.settings.openings] == ["2 months", "8 months"]


def test_a_plan_holds_all_that_a_trial_holds() -> None:
    assert set(SECTIONS) <= set(PLAN_SECTIONS)
    held = {name.split(".")[0] for name in PLAN_SECTIONS if name}
    assert held == set(PLAN_NAMES) - {"held_equal"}
    assert all(f"assumptions.{response}" in PLAN_SECTIONS for response in RESPONSES)
    assert all(
        key.description
        for name, section in PLAN_SECTIONS.items()
        if name != "units"
        for key in section.values()
    )


def test_demonstration_plan_is_in_order() -> None:
    plan = read_plan(DEMO)
    assert plan == read_plan(DEMO / "plan.toml")
    assert plan.settings.invented
    assert plan.costs is not None
    assert plan.next_trial is not None
    assert set(plan.assumptions) == {"butyric_acid", "dm_loss"}


@dataclass(frozen=True)
class Case:
    """One edit of FULL, and what must be said of it."""

    old: str
    new: str
    line_of: str
    column: str
    found: str
    expected: str
    remedy: str


CASES = (
    Case("seed = 7", "sead = 7", "sead = 7", "layout.sead", "'sead', which is not known here",
         "one of seed, pairs", "did you mean 'seed'?"),
    Case("seed = 7", "seed = -1", "seed = -1", "layout.seed", "seed = -1",
         "a whole number from 0", "correct the value of seed"),
    Case('aim = "average"', 'aim = "avrage"', 'aim = "avrage"', "layout.aim", "aim = 'avrage'",
         "'opening' or 'average' or 'growth'", "did you mean 'average'?"),
    Case("lost = 0.1", "lost = 10", "lost = 10", "layout.lost", "lost = 10", "a share from 0",
         "write 0.05 for 5 %"),
    Case("switch_every = 2", "switch_every = 0", "switch_every = 0", "layout.switch_every",
         "switch_every = 0", "at least 1", "write 1"),
    Case("inspections = [14, 30.5]", "inspections = [0]", "inspections = [0]",
         "layout.inspections", "[0]", "above 0", "inspections = [14, 60]"),
    Case("[layout]", "[layuot]", "[layuot]", "layuot", "'layuot', which is not known here",
         "sites", "did you mean 'layout'?"),
    Case("baling = 2027-05-20", 'baling = "2027-05-20"', 'baling = "2027-05-20"',
         "sites.baling", "'2027-05-20'", "a date without quotation marks", "correct the value"),
    Case("baling = 2027-05-20", "baling = 2027-05-20T10:00:00", "baling = 2027-05-20T10:00:00",
         "sites.baling", "datetime.datetime", "a date without quotation marks", "correct"),
    Case('name = "Birch Farm"', "", "[[sites]]\n\npairs = 6", "sites.name",
         "no name in [sites]", "a text", "add a line that begins with name ="),
    Case('name = "Birch Farm"', 'name = "Alder Farm"\ncut = "1"',
         'name = "Alder Farm"\ncut = "1"\npairs = 6', "sites.name",
         "the site 'Alder Farm, cut 1' twice", "each site once", "name the cut"),
    Case("pairs = 6\n", "pairs = 0\n", "pairs = 0\n", "sites.pairs", "0 pairs on 'Birch Farm'",
         "at least 1", "plan more pairs"),
    Case("pairs = 8\n", "", "[[sites]]", "sites.pairs", "no pairs for the site 'Alder Farm'",
         "the number of pairs", "under [layout] for all sites"),
    Case('fields = ["Upper", "Lower"]', 'fields = ["Upper", "Upper"]',
         'fields = ["Upper", "Upper"]', "sites.fields", "['Upper', 'Upper']", "each name once",
         "rename it"),
    Case("tiers = 2", "tiers = 0", "tiers = 0", "sites.tiers", "tiers = 0", "at least 1 layer",
         "write 1"),
    Case('column = "film_layers"', 'column = "binding"', 'column = "binding"', "factors.column",
         "column = 'binding'", "other than a column that the layout fills", "as in film_layers"),
    Case('column = "film_layers"', 'column = "film layers"', 'column = "film layers"',
         "factors.column", "'film layers'", "a name of letters, digits and _", "as in film_layers"),
    Case("[layout]", "[held_equal]\nfilm_layers = 6\n\n[layout]", 'column = "film_layers"',
         "factors.column", "'film_layers' also under [held_equal]", "nothing that is held equal",
         "remove it in one of the two places"),
    Case("[laboratory]", '[[factors]]\ncolumn = "film_layers"\nlevels = ["4", "8"]\n\n[laboratory]',
         'column = "film_layers"\nlevels = ["4", "8"]', "factors.column", "'film_layers' twice",
         "each factor once", "remove it"),
    Case('levels = ["4", "6"]', 'levels = ["4"]', 'levels = ["4"]', "factors.levels",
         "levels = ['4']", "two or more different levels", "name each level once"),
    Case('levels = ["4", "6"]', 'levels = ["few", "many"]', 'levels = ["few", "many"]',
         "factors.levels", "['few', 'many']", "film_layers is a number in bales.csv", '["4", "6"]'),
    Case('levels = ["4", "6"]', "", "[[factors]]", "factors.levels", "no levels in [factors]",
         "a list of texts", "add a line that begins with levels ="),
    Case("[[factors]]", "[factors]", "[factors]", "factors", "[factors]",
         "in double brackets", "write [[factors]]"),
    Case("batch = 30", "batch = 13", "batch = 13", "laboratory.batch",
         "batch = 13, of which 11 are left", "room for the 12 results of one pair",
         "batches of 14 or more"),
    Case("analyses = 3", "analyses = 0", "analyses = 0", "laboratory.analyses", "analyses = 0",
         "at least 1", "write analyses = 1"),
    Case("target = 0.9", "target = 90", "target = 90", "power.target", "target = 90",
         "between alpha (0.05) and 1", "write 0.8 for 80 %"),
    Case("half_width = 1.3", "half_width = 0.3", "half_width = 0.3", "power.half_width",
         "half_width = 0.3", "a ratio above 1", "from 1/1.3 to 1.3 times"),
    Case("ratio = [0.8, 0.6]", "ratio = [0.8, 0.7, 0.6]", "ratio = [0.8, 0.7, 0.6]",
         "assumptions.butyric_acid.ratio", "3 values for 2 openings", "one for each opening",
         "write one value"),
    Case("ratio = [0.8, 0.6]", "ratio = -0.5", "ratio = -0.5", "assumptions.butyric_acid.ratio",
         "ratio = -0.5", "ratios above 0", "half the value"),
    Case("ratio = [0.8, 0.6]", "ratio = []", "ratio = []", "assumptions.butyric_acid.ratio",
         "ratio = []", "a number, or a list of numbers", "correct the value of ratio"),
    Case("ratio = [0.8, 0.6]", "difference = 1", "difference = 1",
         "assumptions.butyric_acid.difference", "'difference', which is not known here", "ratio",
         "remove it"),
    Case("cv_bale = 0.3", "cv_bale = -0.3", "cv_bale = -0.3", "assumptions.butyric_acid.cv_bale",
         "cv_bale = -0.3", "0 or more", "write 0.5 for 50 %"),
    Case("sd_bale = 1.5", "cv_bale = 1.5", "cv_bale = 1.5", "assumptions.dm_loss.cv_bale",
         "'cv_bale', which is not known here", "sd_bale", "did you mean 'sd_bale'?"),
    Case("limit = 0.2", "limit = 0", "limit = 0\n", "assumptions.butyric_acid.limit", "limit = 0",
         "a value above 0", "leave the line out"),
    Case("tails = 5", "tails = 2", "departures =", "assumptions.butyric_acid.departures",
         "tails=2", "degrees of freedom above 2", "correct tails"),
    Case("tails = 5", "tail = 5", "departures =", "assumptions.butyric_acid.departures",
         "{'half_life': 120, 'tail': 5}", "with names among 'by_opening' or", "correct the value"),
    Case("[assumptions.dm_loss]", "[assumptions.dm_los]", "[assumptions.dm_los]",
         "assumptions.dm_los", "'dm_los', which is not known here", "butyric_acid",
         "did you mean 'dm_loss'?"),
    Case("[assumptions.dm_loss]", "[assumptions.yield]\n\n[assumptions.dm_loss]",
         "[assumptions.yield]", "assumptions.yield", "'yield', which is no response",
         "butyric_acid", "remove it"),
    Case("pair = 2", "pair = -2", "pair = -2", "costs.pair", "pair = -2", "0 or more",
         "correct the pair"),
    Case("years = 5", "years = 0", "years = 0", "next_trial.years", "years = 0",
         "a number above 0", "correct the years"),
    Case("years = 5", "", "[next_trial]", "next_trial.years", "no years in [next_trial]",
         "a number", "add a line that begins with years ="),
    Case('reference = "net"', 'reference = "nett"', 'reference = "nett"', "bindings.reference",
         "reference = 'nett'", "one of net, film", "did you mean 'net'?"),
    Case("window = [220, 270]", "window = [70, 270]", "window = [70, 270]", "openings.window",
         "overlap", "windows apart", "narrow one of the two windows"),
    Case("[layout]", "[analysis]\nblocks = [\"feild\"]\n\n[layout]", 'blocks = ["feild"]',
         "analysis.blocks", "blocks names 'feild'", "lot, field, cut", "did you mean 'field'?"),
    Case("[layout]", '[analysis]\nfactors = ["shade"]\n\n[layout]', 'factors = ["shade"]',
         "analysis.factors", "factors names 'shade'", "each under [[factors]]",
         'add [[factors]] with column = "shade"'),
)  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.column}-{case.found[:20]}")
def test_problem(case: Case) -> None:
    assert FULL.count(case.old) == 1, "the edit must mean one place"
    text = FULL.replace(case.old, case.new)
    _, problems = parse_plan(text, file="my_plan.toml")
    said = [item for item in problems if item.column == case.column and case.found in item.found]
    assert len(said) == 1, [str(item) for item in problems]
    assert said[0].file == "my_plan.toml"
    assert case.expected in said[0].expected
    assert case.remedy in said[0].remedy
    assert said[0].line == text[: text.index(case.line_of)].count("\n") + 1


def test_a_batch_with_just_enough_room_is_no_problem() -> None:
    assert read(FULL.replace("batch = 30", "batch = 14")).laboratory.batch == 14


@pytest.mark.parametrize("value", ['"x"', "3", "-1", "0.5", "[]", "[1]", "{}", "true", ""])
@pytest.mark.slow
def test_no_value_and_no_line_left_out_is_more_than_a_problem(value: str) -> None:
    """Whatever stands in one line: problems, never a fault of the program."""
    lines = FULL.splitlines()
    for n, line in enumerate(lines):
        changed = f"{line.split('=')[0]}= {value}" if value and "=" in line else ""
        text = "\n".join([*lines[:n], changed, *lines[n + 1 :]])
        try:
            _, problems = parse_plan(text)
        except DataProblems as error:  # a heading left out can leave no TOML
            problems = error.problems
        assert all(item.found and item.expected and item.remedy for item in problems)


def test_all_problems_are_raised_together(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(FULL.replace("seed = 7", "sead = 7").replace("years = 5", "years = 0"))
    with pytest.raises(DataProblems) as caught:
        read_plan(tmp_path)
    assert [item.column for item in caught.value.problems] == ["layout.sead", "next_trial.years"]


@pytest.mark.parametrize(
    ("text", "column", "found"),
    [
        ("", "sites", "no sites"),
        ("sites = 3\n", "sites", "sites = 3"),
        ("sites = [3]\n", "sites", "sites = 3"),
        ("assumptions = 3\n", "assumptions", "assumptions = 3"),
        ("costs = 3\n", "costs", "costs = 3"),
    ],
)
def test_sections_of_the_wrong_kind(text: str, column: str, found: str) -> None:
    small = text + SMALL[: SMALL.index("[[sites]]")]
    _, problems = parse_plan(small)
    assert any(item.column == column and found in item.found for item in problems)


def test_no_toml_and_no_file_and_no_text(tmp_path: Path) -> None:
    with pytest.raises(DataProblems, match="text that is not TOML"):
        parse_plan("title = spring")
    with pytest.raises(DataProblems, match="no such file"):
        read_plan(tmp_path)
    with pytest.raises(DataProblems, match="no such file"):
        read_plan(tmp_path / "other.toml")
    (tmp_path / "trial.toml").write_text("", encoding="utf-8")
    with pytest.raises(DataProblems, match=r"a trial at .*; expected a plan, plan\.toml; `silage"):
        read_plan(tmp_path)
    (tmp_path / "plan.toml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(DataProblems, match=r"plan\.toml"):
        read_plan(tmp_path)
