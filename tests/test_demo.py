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

DEMO = Path(__file__).parents[1] / "data_demo"
TRIALS = ("three_farms", "cored_bales", "two_laboratories")


@pytest.fixture
def make_demo(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Return the script as a module."""
    monkeypatch.syspath_prepend(str(DEMO))
    return import_module("make_demo")


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
    """The committed files are what the script writes, from its own folder alone."""
    for script in DEMO.glob("*.py"):
        shutil.copy(script, tmp_path)
    subprocess.run([sys.executable, str(tmp_path / "make_demo.py")], check=True)
    for trial in TRIALS:
        assert files_of(tmp_path / trial) == files_of(DEMO / trial)


def test_readme_prints_the_true_values_of_the_script(make_demo: ModuleType) -> None:
    """The truths of README.md are those the data were drawn from."""
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    for plan in (make_demo.THREE_FARMS, make_demo.CORED_BALES, make_demo.TWO_LABORATORIES):
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


def test_both_ways_of_writing_a_limit_stand_in_the_reports() -> None:
    """The reports show what a reader of them has to expect."""
    read = read_trial(DEMO / "two_laboratories")
    told = read.laboratory_results
    assert f"2 of 2 laboratories, {len(told)} results" in str(read.summary)
    assert {"n.n.", "ND", "<0,3"} <= set(told["reported"])
    assert set(told.loc[told["limit"].notna(), "limit_kind"]) == {"detection"}
