"""Looks before the end: said first, logged, carried on, and counted in the final report."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from bs4 import BeautifulSoup
from conftest import Analysed
from report_variants import copy_demo, put, table
from said import made_up, only_of

from silagetrial import Trial, analyse, read_trial, reproduce, write_report
from silagetrial.cli import main
from silagetrial.display.language import speaking
from silagetrial.errors import UsageError
from silagetrial.planning.deviations import as_planned, deviations
from silagetrial.report import looks, methods, paper, words
from silagetrial.report.laid_out import laid_out
from silagetrial.report.looks import Log, Look
from silagetrial.report.manifest import read_manifest, write_manifest

FIRST = Look(("6 weeks", "3 months"), 4, "2025-01-31", "a")
SECOND = Look(("6 weeks", "3 months", "5 months"), 4, None, "b")
NOTICE = "Interim report: 2 of 4 openings done; no decision rule: nothing is to be decided from it."


def so_far(folder: Path, *, openings: int, demo: str = "cored_bales") -> Path:
    """A demonstration before the later openings: their samples and weighings not there yet."""
    trial = copy_demo(demo, folder)
    whole = read_trial(trial)
    late = set(whole.settings.opening_names[openings:])
    samples = table(trial, "samples")
    gone = set(whole.samples.loc[whole.samples["opening"].isin(late), "sample"])
    put(trial, "samples", samples[~samples["sample"].isin(gone)])
    weighings = table(trial, "weighings")
    gone = set(whole.weighings.loc[whole.weighings["opening"].isin(late), "weighing"])
    put(trial, "weighings", weighings[~weighings["weighing"].isin(gone)])
    return trial


def test_title_and_first_page_say_it_first(analysed: Analysed, tmp_path: Path) -> None:
    trial = read_trial(so_far(tmp_path, openings=2))
    log = Log(True, looks.look_at(trial, trial.source, interim=True, date=dt.date(2025, 1, 31)))
    assert log.look is not None
    assert log.look.openings == FIRST.openings
    assert log.look.date == "2025-01-31"
    assert words.heading(trial, log).lines == (
        "Interim report, 2 of 4 openings done: Net or twine, the same bales cored four times",
    )
    assert looks.notice(trial, log).lines == (NOTICE,)
    assert looks.notice(trial, Log()).lines == (
        "So far 2 of 4 openings done. While something is to come, silagetrial report --interim "
        "says so in the title and logs the look.",
    )
    finished = analysed("recored").trial
    assert looks.notice(finished, Log()).lines == ()
    assert words.heading(finished).lines == (finished.settings.title,)
    with speaking(made_up()):
        only_of(looks.notice(trial, log).lines[0], set())
        for line in Log(True, SECOND, (FIRST,)).told():
            only_of(line, set())


def test_only_openings_that_are_done_are_told_as_done(tmp_path: Path) -> None:
    trial = read_trial(so_far(tmp_path, openings=2))
    (text,) = paper.paragraph(analyse(trial)).lines
    done = "(done: 6 weeks and 3 months)"
    assert f"the same bales are cored after 45, 90, 150 and 240 days {done}." in text
    assert f"The same bales are cored at each opening {done}. Each core" in says(trial)
    trial = read_trial(so_far(tmp_path, openings=3, demo="three_farms"))
    (text,) = paper.paragraph(analyse(trial)).lines
    done = "(done: 1 month, 3 months and 6 months)"
    assert f"; each bale is opened once, after 30, 90, 180 and 270 days {done}." in text
    assert f"Each bale is opened once, at the opening planned for it {done}." in says(trial)


def says(trial: Trial) -> str:
    return " ".join(laid_out(trial))


def test_methods_tell_how_many_looks_there_were(analysed: Analysed) -> None:
    analysis = analysed("recored")
    (none,) = methods.methods(analysis).lines[-1:]
    assert none == "No look before the end is logged in the folder of this report."
    (last,) = methods.methods(analysis, Log(earlier=(FIRST, SECOND))).lines[-1:]
    assert last.startswith(
        "Before it, 2 looks: 2 of 4 openings done, dated 2025-01-31; 3 of 4 openings done, undated."
    )
    (now,) = methods.methods(analysis, Log(True, SECOND, (FIRST,))).lines[-1:]
    assert now.startswith("This is an interim look, 3 of 4 openings done, with no decision rule")
    assert "Before it, 1 look: " in now
    # The same data looked at again are one look.
    assert Log(True, SECOND, (SECOND,)).before == ()
    assert as_planned(deviations(analysis.trial, analysis))


def test_looks_are_carried_from_report_to_report(tmp_path: Path) -> None:
    assert looks.earlier_looks(tmp_path) == ()
    for log in (Log(True, FIRST), Log(True, SECOND, (FIRST,)), Log(False, None, (FIRST, SECOND))):
        looks.write_log(tmp_path, log)
        assert looks.read_log(tmp_path) == log
        write_manifest(tmp_path, seed=1, command="", date=None, log=log)
        assert read_manifest(tmp_path).log == log
        wanted = (*log.earlier, *([] if log.look is None else [log.look]))
        assert looks.earlier_looks(tmp_path) == wanted
    again = Log(True, SECOND, (FIRST, SECOND))
    write_manifest(tmp_path, seed=1, command="", date=None, log=again)
    assert looks.earlier_looks(tmp_path) == (FIRST, SECOND)
    looks.write_log(tmp_path / "none", Log())
    assert looks.read_log(tmp_path / "none") == Log()


@pytest.mark.parametrize(
    "text",
    ["{", "[]", '{"looks": 1}', '{"interim": "yes"}', '{"look": {"openings": [1]}}',
     '{"looks": [{"openings": ["a"], "of": "4", "date": null, "data": "x"}]}'],
)  # fmt: skip
def test_looks_that_cannot_be_read_are_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "looks.json").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=r"looks that cannot be read in .*looks\.json"):
        looks.read_log(tmp_path)


def test_a_manifest_of_an_earlier_version_or_another_program_has_none(tmp_path: Path) -> None:
    path = tmp_path / "manifest.json"
    for text in ("{", "[]", '{"looks": [1]}', '{"written_by": "silagetrial", "inputs": []}'):
        path.write_text(text, encoding="utf-8")
        assert looks.earlier_looks(tmp_path) == ()
    path.write_text('{"written_by": "silagetrial", "looks": [1]}', encoding="utf-8")
    with pytest.raises(UsageError, match="put the file back as it was written"):
        looks.earlier_looks(tmp_path)


def test_an_interim_report_of_a_finished_trial_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trial = copy_demo("cored_bales", tmp_path)
    code = main(["report", str(trial), "--out", str(tmp_path / "report"), "--interim"])
    said = capsys.readouterr().err
    assert code == UsageError.exit_code
    assert "--interim of a trial with 4 of 4 openings done" in said
    assert "leave out --interim: this is the report of the finished trial" in said
    assert not (tmp_path / "report").exists()


@pytest.mark.slow
def test_an_interim_report_and_the_final_one_in_its_place(tmp_path: Path) -> None:
    out, command = tmp_path / "report", ["--date", "2025-01-31", "--interim", "--quiet"]
    early = so_far(tmp_path / "early", openings=2)
    assert main(["report", str(early), "--out", str(out), *command]) == 0
    soup = BeautifulSoup((out / "report.html").read_text(encoding="utf-8"), "html.parser")
    title = "Interim report, 2 of 4 openings done: "
    assert soup.title is not None
    assert soup.title.get_text().startswith(title)
    assert soup.find_all("h1")[0].get_text().startswith(title)
    first = soup.select(".st-results")[0].get_text().strip()
    assert first.startswith(NOTICE)
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert results["summary"][0] == NOTICE
    assert results["look"] == manifest["look"]
    assert manifest["look"]["openings"] == ["6 weeks", "3 months"]
    assert (manifest["interim"], manifest["looks"]) == (True, [])
    assert manifest["command"].endswith("--date 2025-01-31 --interim")
    assert "looks.json" in {entry["file"] for entry in manifest["outputs"]}
    assert reproduce(out).reproduced
    last = write_report(copy_demo("cored_bales", tmp_path / "whole"), out)
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert (manifest["interim"], manifest["look"]) == (False, None)
    assert [look["date"] for look in manifest["looks"]] == ["2025-01-31"]
    text = BeautifulSoup((out / "report.html").read_text(encoding="utf-8"), "html.parser")
    said = " ".join(text.get_text(" ").split())
    assert "Before it, 1 look: 2 of 4 openings done, dated 2025-01-31." in said
    assert "Interim report" not in said
    assert (last.path / "methods.txt").read_text(encoding="utf-8").endswith("1 look preceded it.\n")
