"""A misspelt heading or key is one problem; what it holds is read as it was meant."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from builders import make_trial
from hypothesis import given
from hypothesis import strategies as st
from report_files import Heading, laboratory, put, report, trial_without_results

from silagetrial.data import read_trial
from silagetrial.data.laboratory.read_mapping import parse_laboratories
from silagetrial.data.misspelt import as_meant
from silagetrial.data.read_settings import parse_settings, settings_reader
from silagetrial.data.settings_keys import FREE_SECTION, SECTIONS
from silagetrial.errors import Problem
from silagetrial.planning.read_plan import parse_plan

PLAN = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"
LABORATORY = laboratory(
    [Heading("BS", "butyric_acid", "g/kg DM")], separator=";", marks={"ND": "missing"}
)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_trial(tmp_path_factory.mktemp("trial"), pairs=2, sites=2)


def said(problems: tuple[Problem, ...]) -> list[tuple[str | None, str]]:
    """Return key and remedy of each problem."""
    return [(item.column, item.remedy.split("?")[0]) for item in problems]


@pytest.mark.parametrize(
    ("right", "wrong", "key", "meant"),
    [
        ("[bindings]", "[bindngs]", "bindngs", "bindings"),
        ("[design]", "[desing]", "desing", "design"),
        ("[[openings]]", "[[opening]]", "opening", "openings"),
        ("[units]", "[ units_ ]", "units_", "units"),
        ("[held_equal]", "[held_equel]", "held_equel", "held_equal"),
        ("[analysis]", "[analisis]", "analisis", "analysis"),
        ("reference =", "refrence =", "bindings.refrence", "reference"),
        ("name =", "nmae =", "openings.nmae", "name"),
        ("title =", "titel =", "titel", "title"),
    ],
)
def test_one_slip_in_trial_toml_is_one_problem(
    trial: Path, tmp_path: Path, right: str, wrong: str, key: str, meant: str
) -> None:
    for path in trial.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = (trial / "trial.toml").read_text(encoding="utf-8")
    assert right in text
    text = text.replace(right, wrong)
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    read = read_trial(tmp_path)
    assert said(read.problem_list) == [(key, f"did you mean {meant!r}")]
    assert read.problem_list[0].line == text[: text.index(wrong)].count("\n") + 1
    assert read.settings == read_trial(trial).settings


@pytest.mark.parametrize(
    ("right", "wrong", "key", "meant"),
    [
        ("[layout]", "[layuot]", "layuot", "layout"),
        ("[[sites]]", "[[site]]", "site", "sites"),
        ("[assumptions.", "[assumtions.", "assumtions", "assumptions"),
        ("[assumptions.dm_loss]", "[assumptions.dm_los]", "assumptions.dm_los", "dm_loss"),
        ("[bindings]", "[bindings_]", "bindings_", "bindings"),
        ("compare =", "comapre =", "bindings.comapre", "compare"),
        ("years =", "yaers =", "next_trial.yaers", "years"),
    ],
)
def test_one_slip_in_plan_toml_is_one_problem(right: str, wrong: str, key: str, meant: str) -> None:
    text = PLAN.read_text(encoding="utf-8")
    assert right in text
    plan, problems = parse_plan(text.replace(right, wrong))
    assert said(problems) == [(key, f"did you mean {meant!r}")]
    assert plan == parse_plan(text)[0]


@pytest.mark.parametrize(
    ("right", "wrong", "key", "meant"),
    [
        ("[[laboratory", "[[labratory", "labratory", "laboratory"),
        ("laboratory.result", "laboratory.resutl", "laboratory.resutl", "result"),
        ("laboratory.marks", "laboratory.mark", "laboratory.mark", "marks"),
        ("[[report]]", "[[reports]]", "reports", "report"),
        ("decimal =", "decimel =", "laboratory.decimel", "decimal"),
    ],
)
def test_one_slip_in_laboratories_toml_is_one_problem(
    tmp_path: Path, right: str, wrong: str, key: str, meant: str
) -> None:
    text = LABORATORY + report()
    assert right in text
    sample = "Probe;BS\nA01-net-60;8.4\n"
    folder = put(trial_without_results(tmp_path), text.replace(right, wrong), r_csv=sample)
    read = read_trial(folder)
    assert said(read.errors) == [(key, f"did you mean {meant!r}")]
    assert len(read.laboratory_results) == 1


def test_two_laboratories_with_one_slip_are_both_read() -> None:
    text = LABORATORY + LABORATORY.replace("North", "South") + report()
    text = text.replace("[laboratory", "[labratory")
    laboratories, reports, problems = parse_laboratories(text)
    assert said(problems) == [("labratory", "did you mean 'laboratory'")]
    assert list(laboratories) == ["North", "South"]
    assert len(reports) == 1


def test_a_near_name_that_is_there_already_is_not_joined() -> None:
    text = '[bindings]\ncompare = ["a", "b"]\nreference = "a"\n[binding]\ncompare = ["c"]\n'
    settings, problems = parse_settings(text)
    assert settings.compare == ("a", "b")
    (problem,) = (item for item in problems if item.column == "binding")
    assert problem.remedy == "did you mean 'bindings'? If not, remove it"
    assert problem.line == 4


def test_a_text_that_looks_like_a_heading_stays() -> None:
    text = 'question = """\n[bindngs]\nrefrence = 1\n"""\ntitle = "T"\n'
    assert settings_reader(text).text == text
    assert as_meant(text, SECTIONS, (FREE_SECTION,)) == (text, ())


def test_keys_of_the_users_own_are_no_slips() -> None:
    text = '[held_equal]\ntitel = 3\nfilm_layer = 6\n[flat.columns]\nopening = "bales.bale"\n'
    assert as_meant(text, SECTIONS, (FREE_SECTION,)) == (text, ())


def test_names_of_responses_below_a_heading_are_slips_too() -> None:
    text = "[analysis.limits]\nbuteric_acid = 5\n"
    new, (slip,) = as_meant(text, SECTIONS, (FREE_SECTION,))
    assert new == "[analysis.limits]\nbutyric_acid = 5\n"
    assert (slip.line, slip.section, slip.name) == (2, "analysis.limits", "buteric_acid")


LINES = st.sampled_from(
    ["[bindngs]", "[bindings]", "[[openigns]]", "[[openings]]", "[analysis.limts]", "titel = 1",
     'nmae = "x"', "days = 60", 'title = """', '"""', "[held_equal]", "a = [", "]", "dayz = 3"]
)  # fmt: skip


@given(st.lists(LINES, max_size=12).map("\n".join))
def test_values_and_lines_stay_whatever_is_renamed(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    new, slips = as_meant(text, SECTIONS, (FREE_SECTION,))
    tomllib.loads(new)
    changed = [k for k, pair in enumerate(zip(text.split("\n"), new.split("\n"), strict=True))
               if pair[0] != pair[1]]  # fmt: skip
    assert {slip.line - 1 for slip in slips} <= set(changed)
    assert as_meant(new, SECTIONS, (FREE_SECTION,))[0] == new
