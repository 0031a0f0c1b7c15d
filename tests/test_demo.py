"""The demonstration trials are what their script makes, and pass the checks."""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from silagetrial.data.read import read_trial
from silagetrial.planning.power import pairs_needed
from silagetrial.planning.read_plan import read_plan

DEMO = Path(__file__).parents[1] / "data_demo"
TRIALS = ("three_farms", "cored_bales", "two_laboratories")


@pytest.fixture
def make_demo(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return the script as a module."""
    monkeypatch.syspath_prepend(str(DEMO))
    return import_module("make_demo")


@pytest.fixture
def make_five_farms(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return the script of the messy workbook as a module."""
    monkeypatch.syspath_prepend(str(DEMO))
    return import_module("make_five_farms")


def files_of(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a trial."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def read_warnings(trial: str) -> list[tuple[str, str, str]]:
    """Return file, column and finding of each problem of a trial without errors."""
    read = read_trial(DEMO / trial)
    assert read.errors == ()
    return [(problem.file, problem.column or "", problem.found) for problem in read.problem_list]


def share_below(trial: str) -> dict[tuple[str, str], float]:
    """Return the share of butyric acid results below the limit, by opening and binding."""
    read = read_trial(DEMO / trial)
    silage = read.samples[read.samples["kind"] != "day0"]
    binding = silage["of"].map(read.bales.set_index("bale")["binding"])
    below = silage["butyric_acid_below"].notna()
    return dict(below.groupby([silage["opening"], binding]).mean())


def test_script_rewrites_the_folders_byte_for_byte(tmp_path: Path) -> None:
    """The committed files are what the scripts write, from their own folder alone."""
    for script in DEMO.glob("*.py"):
        shutil.copy(script, tmp_path)
    for script in ("make_demo.py", "make_five_farms.py"):
        subprocess.run([sys.executable, str(tmp_path / script)], check=True)
    for trial in (*TRIALS, "five_farms"):
        assert files_of(tmp_path / trial) == files_of(DEMO / trial)


def test_readme_prints_the_true_values_of_the_script(
    make_demo: ModuleType, make_five_farms: ModuleType
) -> None:
    """The truths of README.md are those the data were drawn from."""
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    plans = (make_demo.THREE_FARMS, make_demo.CORED_BALES, make_demo.TWO_LABORATORIES)
    for plan in (*plans, make_five_farms.FIVE_FARMS):
        assert make_demo.truth_table(plan) in readme


def test_three_farms_has_a_late_pair_and_a_missing_sample_and_no_other_problem() -> None:
    """The warnings are those that were put there."""
    late = "late: 114 days in storage, opening '3 months'"
    pair = [f"bale {bale} {late}" for bale in ("WE03-1", "WE03-2")]
    assert sorted(read_warnings("three_farms")) == [
        ("bales.csv", "bale", "bale TH12-1: no sample at 6 months"),
        *[("samples.csv", "taken_on", found) for found in pair],
        *[("weighings.csv", "weighed_at", found) for found in pair],
    ]


def test_cored_bales_has_a_missing_sample_and_no_other_problem() -> None:
    """The warning is the one that was put there."""
    missing = ("bales.csv", "bale", "bale CA04-2: no sample at 3 months")
    assert read_warnings("cored_bales") == [missing]


def test_one_opening_of_one_trial_has_more_than_half_below_the_limit() -> None:
    """One trial shows the rule for openings below the limit, the other stays clear of it."""
    cored = share_below("cored_bales")
    assert [cell for cell, share in cored.items() if share > 0.5] == [("6 weeks", "net")]
    assert 0 < max(share_below("three_farms").values()) <= 0.5


@pytest.mark.parametrize("trial", TRIALS[:2])
def test_one_bale_is_lost_with_its_cause(trial: str) -> None:
    """A loss is an event with a cause, after which the bale gives no sample."""
    read = read_trial(DEMO / trial)
    lost = read.events[read.events["what"] == "lost"]
    assert len(lost) == 1
    assert lost["cause"].str.len().item() > 0
    later = read.samples[read.samples["of"] == lost["bale"].item()]
    assert (later["taken_on"] < lost["at"].item()).all()


def test_two_laboratories_are_read_as_what_they_measured(
    make_demo: ModuleType, tmp_path: Path
) -> None:
    """Two reports in two languages give the numbers that were drawn, to the digits printed."""
    assert read_warnings("two_laboratories") == []
    drawn = tmp_path / "drawn"
    drawn.mkdir()
    for name, text in make_demo.trial_files(make_demo.TWO_LABORATORIES).items():
        (drawn / name).write_text(text, encoding="utf-8")
    truth = read_trial(drawn).samples.set_index("sample")
    read = read_trial(DEMO / "two_laboratories").samples.set_index("sample")
    measured = [name for name in truth.select_dtypes("number") if truth[name].notna().any()]
    assert {"dm", "butyric_acid", "butyric_acid_below", "ammonia_n"} <= set(measured)
    for name in measured:
        # Ammonia of one laboratory went through crude protein with three decimals.
        np.testing.assert_allclose(read[name], truth[name], rtol=5e-3, atol=5.1e-3, err_msg=name)
    assert read["butyric_acid_below"].notna().sum() >= 2
    by_farm = read.groupby(read["of"].str[:2])["laboratory"].unique()
    assert [len(names) for names in by_farm] == [1, 1]


FAULTS = {
    "day_and_month": "weighed 2024-05-06 14:49, before bale OM01-1, made 2024-06-05 13:00",
    "lost_zeros": "'7011', which is not in the sheet bales of five_farms.xlsx",
    "swapped_partner": "film seen on bale RA03-1, recorded with net: swapped with its partner in "
    "the pair?",
    "row_twice": "the same entries as in line 43",
    "units_under_heading": "a row of units (g/kg, g/kg DM, g/kg DM) under the heading",
    "mean_at_bottom": "a row of results of a calculation, 'Mean'",
}


@pytest.mark.parametrize("fault", ["decimal_commas", *FAULTS])
def test_each_fault_of_the_messy_workbook_is_found_and_nothing_else(
    make_five_farms: ModuleType, tmp_path: Path, fault: str
) -> None:
    """Decimal commas and `<0,3` are read; every other fault is named, and named alone."""
    tables = make_five_farms.trial_tables()
    make_five_farms.decimal_commas(tables)
    if fault in FAULTS:
        getattr(make_five_farms, fault)(tables)
    files = make_five_farms.five_farms_files()
    (tmp_path / "trial.toml").write_bytes(files["trial.toml"])
    (tmp_path / "five_farms.xlsx").write_bytes(make_five_farms.workbook_bytes(tables))
    trial = read_trial(tmp_path)
    found = {problem.found for problem in trial.errors}
    assert {*FAULTS.values()} & found == ({FAULTS[fault]} if fault in FAULTS else set())
    if fault not in FAULTS:
        assert not found
        assert trial.samples["butyric_acid_below"].notna().sum() == 1
    assert trial.bales["pair"].nunique() == 24


def test_plan_of_one_farm_is_read_without_problems() -> None:
    """The plan of the notebook needs 16 pairs, as its text says."""
    assert pairs_needed(read_plan(DEMO / "plan_one_farm" / "plan.toml")).total == 16


def test_both_ways_of_writing_a_limit_stand_in_the_reports() -> None:
    """The reports show what a reader of them has to expect."""
    read = read_trial(DEMO / "two_laboratories")
    told = read.laboratory_results
    assert f"2 of 2 laboratories, {len(told)} results" in str(read.summary)
    assert {"n.n.", "ND", "<0,3"} <= set(told["reported"])
    assert set(told.loc[told["limit"].notna(), "limit_kind"]) == {"detection"}
