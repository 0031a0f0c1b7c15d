"""The planned folder: ready for data, checked without an error, and never written over data."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from invented_plans import make_plan

from silagetrial import read_trial
from silagetrial.data.read_settings import parse_settings
from silagetrial.display.cautions import cautions, deferral
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.folder import PlanFolder, write_plan
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.plan import Laboratory, Plan, SitePlan

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"
DAY = dt.date(2027, 4, 1)


@pytest.fixture(scope="module")
def layout() -> Layout:
    return plan_trial(DEMO)


@pytest.fixture(scope="module")
def written(layout: Layout, tmp_path_factory: pytest.TempPathFactory) -> PlanFolder:
    out = tmp_path_factory.mktemp("plan") / "trial"
    return write_plan(layout, out, plan_file=DEMO, filed=DAY)


@pytest.fixture
def folder(written: PlanFolder, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(written.path, tmp_path / "trial"))


def test_everything_is_there(written: PlanFolder) -> None:
    assert {path.relative_to(written.path).as_posix() for path in written.files} == {
        "README.txt", "analysis_plan.json", "analysis_plan.sha256", "blind_key.csv", "field.xlsx",
        "laboratory/laboratory_list.csv", "laboratory/laboratory_list.html", "plan.toml",
        "planned_files.json", "printable/baling_day.html", "printable/inspection_rounds.html",
        "printable/opening_days.html", "printable/tags.html", "trial.toml",
    }  # fmt: skip
    assert (written.path / "plan.toml").read_bytes() == DEMO.read_bytes()
    assert written.seed == 20270520


def test_the_folder_passes_the_check_with_everything_still_to_do(
    written: PlanFolder, layout: Layout
) -> None:
    trial = read_trial(written.path)
    assert trial.errors == ()
    assert not len(trial.bales)
    due = trial.due.frame["table"].value_counts()
    for table in ("bales", "weighings", "events", "scales"):
        assert due[table] == len(getattr(layout, table))
    assert due["samples"] == (layout.key["role"] != "reference").sum()


@pytest.mark.parametrize(
    "plan",
    [
        make_plan(4, bindings=3),
        make_plan(4, design="recored"),
        make_plan(2, 3, openings=1, laboratory=Laboratory(batch=6, duplicates=0, reference=False)),
        make_plan(3, site=SitePlan("", 0, spare_pairs=2, fields=("A", "B"), tiers=2)),
        make_plan(6, switch_every=3),
    ],
    ids=["three bindings", "re-cored", "small batches", "no dates", "runs"],
)
def test_every_kind_of_plan_passes_the_check(plan: Plan, tmp_path: Path) -> None:
    out = write_plan(plan_trial(plan), tmp_path / "trial", filed=DAY).path
    assert read_trial(out).errors == ()


def test_the_settings_read_back_are_those_of_the_plan(written: PlanFolder, layout: Layout) -> None:
    text = (written.path / "trial.toml").read_text(encoding="utf-8")
    assert parse_settings(text) == (layout.plan.settings, ())


def test_the_hash_is_that_of_the_file_and_is_told(written: PlanFolder) -> None:
    digest = hashlib.sha256((written.path / "analysis_plan.json").read_bytes()).hexdigest()
    assert written.sha256 == digest
    # The form that sha256sum -c reads.
    noted = (written.path / "analysis_plan.sha256").read_text(encoding="utf-8")
    assert noted == f"{digest}  analysis_plan.json\n"
    readme = (written.path / "README.txt").read_text(encoding="utf-8")
    for said in (digest, "seed 20270520", *cautions(), deferral()):
        assert said in readme
    for said in (digest, "20270520", "silagetrial check", "silagetrial report"):
        assert said in written.next_steps


def test_the_same_plan_files_the_same_bytes(written: PlanFolder, tmp_path: Path) -> None:
    again = write_plan(plan_trial(DEMO), tmp_path / "again", plan_file=DEMO, filed=DAY)
    assert again.sha256 == written.sha256
    for path in written.files:
        name = path.relative_to(written.path)
        if name.suffix not in (".xlsx", ".json"):  # a workbook holds the time of writing
            assert (again.path / name).read_bytes() == path.read_bytes()


def test_a_plan_without_data_is_replaced(folder: Path, layout: Layout) -> None:
    before = (folder / "blind_key.csv").read_bytes()
    new = write_plan(plan_trial(layout.plan, seed=3), folder, filed=DAY)
    assert new.path == folder.resolve()
    assert (folder / "blind_key.csv").read_bytes() != before
    assert not (folder / "plan.toml").exists()  # none was given this time


def test_data_are_never_written_over(folder: Path, layout: Layout) -> None:
    book = openpyxl.load_workbook(folder / "field.xlsx")
    names = [cell.value for cell in book["bales"][1]]
    book["bales"].cell(2, names.index("roll") + 1).value = "roll 7"
    book.save(folder / "field.xlsx")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    with pytest.raises(UsageError) as caught:
        write_plan(layout, folder, filed=DAY)
    assert caught.value.found == (
        f"the plan in {folder} holds field.xlsx, which was changed after the plan was written"
    )
    assert caught.value.expected == "an earlier plan as it was written, when it is to be replaced"
    assert caught.value.remedy == (
        "give another folder, move field.xlsx away, or replace the whole folder with --force"
    )
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_another_folder_is_refused(layout: Layout, tmp_path: Path) -> None:
    (tmp_path / "bales.csv").write_text("bale\n", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        write_plan(layout, tmp_path, filed=DAY)
    assert caught.value.found == f"the folder {tmp_path} is not empty: it holds bales.csv"
    assert "an earlier plan and nothing else" in caught.value.expected
    assert [path.name for path in tmp_path.iterdir()] == ["bales.csv"]


def test_a_name_no_workbook_holds_leaves_nothing_behind(layout: Layout, tmp_path: Path) -> None:
    bad = replace(layout.plan, laboratory=Laboratory(name="\x01"))
    with pytest.raises(UsageError, match="a control character"):
        write_plan(plan_trial(bad), tmp_path / "trial", filed=DAY)
    assert list(tmp_path.iterdir()) == []


def test_a_plan_file_that_is_not_there_is_named(layout: Layout, tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        write_plan(layout, tmp_path / "trial", plan_file=tmp_path / "none.toml")
    assert caught.value.found.startswith(f"{tmp_path / 'none.toml'} cannot be read: ")
    assert caught.value.expected == "the plan the layout was made of"
    assert caught.value.remedy == "give the path of plan.toml"
    assert list(tmp_path.iterdir()) == []


def test_what_the_trial_can_see_is_filed(written: PlanFolder) -> None:
    record = json.loads((written.path / "analysis_plan.json").read_text(encoding="utf-8"))
    seen = record["power"]["detectable"]
    assert set(seen) == {"butyric_acid", "dm_loss"}
    assert seen["butyric_acid"]["effect"] * seen["butyric_acid"]["other_side"] == pytest.approx(
        1.0, rel=1e-5
    )
    assert seen["butyric_acid"]["pairs"] == [12, 9]
    ratio, difference = written.foreseen
    assert ratio.startswith("Butyric acid: a ratio below ")
    assert "with power 0.8 (film - net at 8 months)" in ratio
    assert difference.startswith("DM loss: a difference of ")
    assert "percentage points" in difference


def test_a_report_without_variances_gives_no_foresight(layout: Layout, tmp_path: Path) -> None:
    (tmp_path / "results.json").write_text(
        json.dumps({"title": "t", "design": "separate", "level": 0.95, "openings": [],
                    "responses": {"dm_loss": {"variances": None}}}),
        encoding="utf-8",
    )  # fmt: skip
    with pytest.raises(NoAnswer, match="no variances of butyric_acid"):
        write_plan(layout, tmp_path / "trial", report=tmp_path / "results.json")
    assert not (tmp_path / "trial").exists()
