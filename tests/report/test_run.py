"""The whole way: from a trial folder to a report, from the report to the same report."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest
from bs4 import BeautifulSoup
from builders import make_trial, write_cells
from conftest import Written
from report_variants import HOSTILE, copy_demo, settings
from workbooks import to_workbook

from silagetrial.data import read_trial
from silagetrial.data.status import status
from silagetrial.errors import DataProblems, UsageError
from silagetrial.report import Report, write_report
from silagetrial.report.kernel import execute
from silagetrial.report.place import check_place
from silagetrial.report.run import report_date
from silagetrial.report.template import STAGES, report_notebook

pytestmark = pytest.mark.slow


def html_of(report: Report) -> str:
    return (report.path / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["separate", pytest.param("recored", marks=pytest.mark.slow)])
def test_the_report_is_complete(
    written: Written, folder_of: Callable[[str], Path], name: str
) -> None:
    report = written(name)
    names = {str(path.relative_to(report.path).as_posix()) for path in report.files}
    source = folder_of(name)
    copied = {f"data/{path.name}" for path in source.iterdir()}
    beside = {name for name in names if name.startswith(("figures/", "tables/"))}
    written_too = {"results.json", "methods.txt", "references.bib", "manifest.json"}
    assert names - beside == {"report.html", "report.ipynb", *written_too, *copied}
    _check_links(report, beside)
    for path in source.iterdir():
        assert (report.path / "data" / path.name).read_bytes() == path.read_bytes()
    results = json.loads((report.path / "results.json").read_text(encoding="utf-8"))
    assert tuple(results["summary"]) == report.summary
    assert report.answered


def _check_links(report: Report, beside: set[str]) -> None:
    """Each figure and table of the page is linked to its files, and each file is linked once."""
    soup = BeautifulSoup(html_of(report), "html.parser")
    links = [str(link["href"]) for link in soup.select(".st-files a")]
    assert len(links) == len(set(links))
    assert set(links) == beside
    assert len(soup.select("figure")) == len([name for name in beside if name.endswith(".png")])
    for figure in soup.select("figure"):
        assert [link.get_text() for link in figure.select("a")] == ["PNG", "SVG", "CSV"]
        image, caption = figure.img, figure.figcaption
        assert image is not None
        assert caption is not None
        assert len(str(image["alt"])) > 60
    for table in soup.select("table"):
        assert table.caption is not None
        assert table.caption.get_text()
        block = table.find_parent(["details", "div"], class_=["st-more", "st-block"])
        outer = table.find_parent("details") or block
        assert outer is not None
        assert [link.get_text() for link in outer.select("a")] == ["CSV"]
        for cell in table.select("th"):
            assert cell["scope"] == ("col" if cell.find_parent("thead") else "row")


def test_workbook_key_and_analysis_plan_are_copied_and_hashed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written into the trial's own folder, from inside it."""
    folder = make_trial(tmp_path / "trial", pairs=2)
    key = {"of": "A01", "kind": "day0", "role": "sample"}
    write_cells(folder / "blind_key.csv", [{"sample": "A01-day0", **key}])
    to_workbook(folder, tables=("bales", "samples", "weighings", "scales"))
    (folder / "analysis_plan.json").write_text("{}\n", encoding="utf-8")
    monkeypatch.chdir(folder)
    report = write_report(".", "report")
    assert (folder / "report" / "report.html").is_file()
    assert not any(path.name.startswith(".") for path in folder.iterdir())
    manifest = json.loads((report.path / "manifest.json").read_text(encoding="utf-8"))
    hashes = {entry["file"]: entry["sha256"] for entry in manifest["inputs"]}
    assert hashes == {
        f"data/{name}": hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in ("trial.toml", "blind_key.csv", "field.xlsx", "analysis_plan.json")
    }


def test_a_report_in_the_folder_of_its_trial_is_not_read(
    written: Written, folder_of: Callable[[str], Path], tmp_path: Path
) -> None:
    trial = Path(shutil.copytree(folder_of("separate"), tmp_path / "trial"))
    before = read_trial(trial)
    shutil.copytree(written("separate").path, trial / "report")
    after = read_trial(trial)
    assert after.files == before.files
    assert after.problem_list == before.problem_list
    assert str(after) == str(before)
    day = dt.date(2026, 5, 31)
    assert str(status(after, today=day)) == str(status(before, today=day))
    # The next one takes its place.
    check_place(trial / "report", inputs=[trial / name for name in after.files])


def test_the_manifest_names_what_went_in_and_what_came_out(written: Written) -> None:
    report = written("separate")
    manifest = json.loads((report.path / "manifest.json").read_text(encoding="utf-8"))
    listed = {entry["file"]: entry["sha256"] for entry in manifest["inputs"] + manifest["outputs"]}
    for path in report.files:
        name = path.relative_to(report.path).as_posix()
        if name != "manifest.json":
            assert listed.pop(name) == hashlib.sha256(path.read_bytes()).hexdigest()
    assert listed == {}
    assert manifest["seed"] == 4160
    assert manifest["command"].startswith("silagetrial report ")
    assert manifest["command"].endswith(" --date 2026-05-31")
    assert {"numpy", "scipy", "pandas", "statsmodels", "silagetrial"} <= set(manifest["packages"])


def test_only_the_manifest_holds_the_time(written: Written) -> None:
    report = written("separate")
    year = str(dt.datetime.now(dt.UTC).year)
    notebook = (report.path / "report.ipynb").read_text(encoding="utf-8")
    assert not re.search(rf"{year}-\d\d-\d\dT\d\d:\d\d", notebook)
    assert "Dated 2026-05-31" in html_of(report)


@pytest.mark.parametrize("name", ["separate", "recored", "hostile"])
def test_the_page_asks_nothing_of_the_outside_and_is_accessible(
    written: Written, name: str
) -> None:
    html = html_of(written(name))
    soup = BeautifulSoup(html, "html.parser")
    assert soup.find_all(["script", "iframe", "object", "embed", "link", "form"]) == []
    for tag in soup.find_all(True):
        for attribute, value in tag.attrs.items():
            assert not attribute.startswith("on")
            if attribute in ("src", "href"):
                inside = str(value).startswith(("data:image/png;base64,", "#"))
                assert inside or (tag.name == "a" and (written(name).path / str(value)).is_file())
    assert "url(" not in html
    assert len(soup.find_all("img")) == 13
    for image in soup.find_all("img"):
        assert len(image["alt"]) > 60
        assert image.find_parent("figure").figcaption.get_text()
    ids = {tag["id"] for tag in soup.find_all(id=True)}
    here = {str(link["href"]) for link in soup.find_all("a")}
    assert {link[1:] for link in here if link.startswith("#")} <= ids
    assert len(soup.find_all("h1")) == 1
    assert soup.html is not None
    assert soup.html["lang"] == "en"
    for cell in soup.find_all("th"):
        assert cell["scope"] in ("col", "row")


def test_every_section_is_there_in_order(written: Written) -> None:
    soup = BeautifulSoup(html_of(written("recored")), "html.parser")
    assert [heading.get_text() for heading in soup.find_all("h2")] == [
        "The answer",
        "The trial",
        "What was measured",
        "Butyric acid",
        "DM loss",
        "The model, and why",
        "Two independent checks",
        "Residual checks",
        "Methods",
        "Cautions",
        "Run it again",
    ]
    folded = soup.select("details.st-more")
    # Intervals of the variances, predicted effects and the second fit, of each response.
    assert len(folded) == 6
    assert len(soup.find_all("details")) == len(soup.select("details.st-code")) + len(folded)
    assert "Traceback" not in soup.get_text()
    assert "Warning" not in soup.get_text().replace("Warnings of the check", "")


def test_text_of_the_data_is_text_everywhere(written: Written) -> None:
    report = written("hostile")
    html = html_of(report)
    soup = BeautifulSoup(html, "html.parser")
    assert soup.h1 is not None
    assert soup.h1.get_text() == HOSTILE
    assert soup.title is not None
    assert soup.title.get_text() == HOSTILE
    text = soup.get_text()
    assert "<b>$x^2$ {{7*7}} / net" in text
    assert "{{7*7}}" in text
    assert "&lt;script&gt;" in html
    assert soup.find_all(["b", "i"]) == []
    notebook = nbformat.read(report.path / "report.ipynb", as_version=4)
    source = "\n".join(cell.source for cell in notebook.cells)
    assert "7*7" not in source
    assert "alert" not in source


def test_a_reader_runs_the_notebook_again_and_gets_the_same(
    written: Written, tmp_path: Path
) -> None:
    report = written("recored")
    copy = tmp_path / "elsewhere"
    shutil.copytree(report.path / "data", copy / "data")
    notebook = nbformat.read(report.path / "report.ipynb", as_version=4)
    again = execute(notebook, copy)
    assert again == notebook
    assert (copy / "results.json").read_bytes() == (report.path / "results.json").read_bytes()


def test_the_report_is_the_same_when_written_again_from_its_own_data(written: Written) -> None:
    report = written("recored")
    before = {path: path.read_bytes() for path in report.files}
    again = write_report(report.path / "data", report.path, date=dt.date(2026, 5, 31))
    assert again.summary == report.summary
    for path, content in before.items():
        if path.name != "manifest.json":
            assert path.read_bytes() == content
    assert [item.name for item in report.path.parent.iterdir()] == ["report"]


def test_a_design_without_an_answer_still_gives_a_report(written: Written) -> None:
    report = written("one pair")
    assert not report.answered
    html = html_of(report)
    soup = BeautifulSoup(html, "html.parser")
    box = soup.select(".st-answer")[0].get_text()
    assert "What would be enough: at least one more pair" in box
    headings = [heading.get_text() for heading in soup.find_all("h2")]
    assert "Residual checks" not in headings
    assert "The trial" in headings
    for code in soup.select("details.st-code"):
        result = code.find_previous_sibling("div", class_="st-results")
        assert result is not None
        assert result.get_text().strip() or result.find("img")


@pytest.mark.parametrize(
    ("name", "answered"),
    [
        ("no day-0", True),
        ("no weighings", True),
        ("no acids", True),
        ("no samples", False),
        ("no common opening", True),
        ("batches within openings", True),
    ],
)
def test_a_trial_that_lacks_something_still_gives_a_report(
    written: Written, name: str, answered: bool
) -> None:
    report = written(name)
    assert report.answered == answered
    text = BeautifulSoup(html_of(report), "html.parser").get_text()
    assert "Traceback" not in text
    assert "KeyError" not in text
    for paragraph in report.summary:
        assert paragraph in text.replace("\u00a0", " ")


def test_progress_is_told_in_words(written: Written, tmp_path: Path) -> None:
    lines: list[str] = []
    write_report(written("one pair").path / "data", tmp_path / "again", progress=lines.append)
    assert lines[0] == "reading the trial"
    assert lines[-1] == "writing the page"
    assert "drawing what was measured" in lines
    assert "fitting the models and checking them another way" in lines
    cells = {str(cell.id) for cell in report_notebook().cells}
    assert set(STAGES) <= cells
    assert not any(cell in line for line in lines for cell in cells if "-" in cell)


def test_from_inside_a_report_folder_it_is_written_again(
    written: Written, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command that the report itself names, with the folder as its own place."""
    folder = Path(shutil.copytree(written("one pair").path, tmp_path / "report"))
    monkeypatch.chdir(folder)
    again = write_report("data", ".", date=dt.date(2026, 5, 31))
    assert (again.path / "report.html").is_file()
    assert again.summary == written("one pair").summary
    assert (folder / "data" / "bales.csv").is_file()
    assert [item.name for item in tmp_path.iterdir()] == ["report"]


def test_a_report_somebody_wrote_in_is_not_replaced(written: Written, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(written("one pair").path, tmp_path / "report"))
    with (folder / "report.html").open("a", encoding="utf-8") as file:
        file.write("<!-- my remark -->")
    with pytest.raises(UsageError, match=r"holds report\.html, which was changed after"):
        write_report(folder / "data", folder)


def test_data_with_errors_write_nothing(tmp_path: Path) -> None:
    trial = copy_demo("cored_bales", tmp_path)
    settings(trial, ('butyric_acid = "g/kg DM"\n', ""))
    with pytest.raises(DataProblems, match="butyric_acid"):
        write_report(trial, tmp_path / "out" / "report")
    assert not (tmp_path / "out").exists()


def test_the_place_is_looked_at_before_any_work(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    lines: list[str] = []
    with pytest.raises(UsageError, match=r"is not empty: it holds mine\.txt"):
        write_report(tmp_path / "no trial", tmp_path, progress=lines.append)
    assert lines == []


def test_the_date_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    assert report_date(None) is None
    # The day of the specification's own example, https://reproducible-builds.org/specs/
    # source-date-epoch/ (date +%s); 1 January 2017 00:00 UTC is 1483228800 by POSIX arithmetic.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1483228800")
    assert report_date(None) == dt.date(2017, 1, 1)
    assert report_date(dt.date(2026, 5, 31)) == dt.date(2026, 5, 31)


@pytest.mark.parametrize("epoch", ["yesterday", "1e400", "9" * 30])
def test_a_wrong_epoch_is_refused(epoch: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    with pytest.raises(UsageError) as caught:
        report_date(None)
    assert caught.value.found == f"SOURCE_DATE_EPOCH is {epoch!r}"
    assert caught.value.expected == "whole seconds since 1970-01-01 UTC"
    assert "--date YYYY-MM-DD" in caught.value.remedy
