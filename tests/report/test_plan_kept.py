"""The report says whether the plan filed beforehand was kept, and names every deviation."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from bs4 import BeautifulSoup
from invented_season import fill, typed
from said import made_up, only_of

from silagetrial import Analysis, analyse, plan_trial, read_trial, write_plan, write_report
from silagetrial.display.language import speaking
from silagetrial.report import box, plan_kept, words
from silagetrial.report.findings import due_at, openings_without

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"
NO_PLAN = (
    "No analysis plan was filed beforehand. Whether its questions and settings were chosen before "
    "the data were seen cannot be told from the trial's files."
)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planned folder with a whole season in it."""
    layout = plan_trial(DEMO)
    out = tmp_path_factory.mktemp("season") / "trial"
    write_plan(layout, out, plan_file=DEMO, filed=dt.date(2027, 4, 1))
    fill(out, layout)
    return out


@pytest.mark.slow
def test_a_report_on_a_planned_folder_says_as_planned(season: Path, tmp_path: Path) -> None:
    report = write_report(season, tmp_path / "report", date=dt.date(2028, 3, 1))
    digest = (season / "analysis_plan.sha256").read_text(encoding="utf-8").split()[0]
    html = (report.path / "report.html").read_text(encoding="utf-8")
    text = BeautifulSoup(html, "html.parser").get_text(" ", strip=True).replace("\u00a0", " ")
    assert (
        f"As planned: the analysis plan of 2027-04-01 (SHA-256 {digest[:12]}) was kept in every "
        "point." in text
    )
    assert "As planned before the data: Butyric acid: a ratio below " in text
    results = json.loads((report.path / "results.json").read_text(encoding="utf-8"))
    assert results["plan"] == {
        "filed": "2027-04-01",
        "sha256": digest,
        "intact": True,
        "as_planned": True,
        "deviations": [],
    }
    copied = {path.name for path in (report.path / "data").iterdir()}
    assert {"trial.toml", "field.xlsx", "blind_key.csv", "analysis_plan.json"} <= copied
    assert "analysis_plan.sha256" in copied


@pytest.mark.slow
def test_the_report_runs_again_from_its_own_copy(season: Path, tmp_path: Path) -> None:
    first = write_report(season, tmp_path / "report")
    again = write_report(first.path / "data", tmp_path / "again")
    assert (again.path / "results.json").read_bytes() == (first.path / "results.json").read_bytes()


@pytest.mark.slow
def test_deviations_are_counted_and_listed(season: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(season, tmp_path / "trial"))
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    changed = text.replace("alpha = 0.05", "alpha = 0.1")
    assert changed != text
    (folder / "trial.toml").write_text(changed, encoding="utf-8")
    analysis = analyse(read_trial(folder))
    assert (
        plan_kept.sentence(analysis)
        .lines[0]
        .startswith(
            "Not all as planned: 1 deviation from the analysis plan of 2027-04-01 (SHA-256 "
        )
    )
    with speaking(made_up()):
        (other,) = plan_kept.sentence(analysis).lines
    assert "deviation" not in other
    assert "analysis, alpha" in str(plan_kept.points(analysis))
    told = plan_kept.contents(analysis)
    assert told is not None
    assert told["as_planned"] is False


@pytest.mark.slow
def test_a_report_before_the_end_says_how_far_it_is(season: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(season, tmp_path / "trial"))
    layout = plan_trial(DEMO)
    last = layout.bales.loc[layout.bales["planned_opening"] == "8 months", "bale"]
    of = layout.key.set_index("sample")["of"]
    results = ("taken_on", "fresh_kg", "binding_seen", "dm", "dm_basis", "pH", "lactic_acid")
    blank = dict.fromkeys((*results, "acetic_acid", "butyric_acid", "wsc", "ammonia_n"))
    late = dict.fromkeys(("weighed_at", "gross"))
    book = folder / "field.xlsx"
    typed(book, "samples", lambda row: blank if of[row["sample"]] in set(last) else {})
    typed(
        book,
        "weighings",
        lambda row: late if row["bales"] in set(last) and row["planned_opening"] else {},
    )
    analysis = analyse(read_trial(folder))
    assert analysis.trial.errors == ()
    (said,) = plan_kept.sentence(analysis).lines
    assert said.startswith("As planned so far: the analysis plan of 2027-04-01")
    assert said.endswith("2 of 3 openings done; what is due stands in the table.")
    with speaking(made_up()):
        (other,) = plan_kept.sentence(analysis).lines
        only_of(other, {"2027-04-01", said.split("SHA-256 ")[1][:12]})
        only_of(due_at(analysis.trial, "8 months"), set())
    due = due_at(analysis.trial, "8 months")
    assert due.startswith("not opened yet, ")
    assert due_at(analysis.trial, "2 months") == ""
    result = analysis["butyric_acid"]
    assert f"At 8 months: {due}." in words.comparison(analysis.trial, result).lines
    without = openings_without(analysis.trial, result, given={"2 months", "5 months"})
    assert without == {"8 months": due}
    assert f"in butyric acid at 8 months ({due})" in " ".join(box.summary(analysis))


def test_a_trial_without_a_plan_says_so(analysed: Callable[[str], Analysis]) -> None:
    analysis = analysed("separate")
    assert plan_kept.sentence(analysis).lines == (NO_PLAN,)
    assert repr(plan_kept.points(analysis)) == ""
    assert plan_kept.contents(analysis) is None
    trial = analysis.trial
    assert plan_kept.foreseen(trial, analysis["butyric_acid"]).lines == ()
