"""A finished report is checked and run again: what was changed is named, and why it differs.

In the fast tests a run again gives the report as it was written, which is what a run on the same
machine gives; the slow ones run it in earnest.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import Analysed

import silagetrial
from silagetrial import cli
from silagetrial.errors import NotReproduced, UsageError
from silagetrial.report import rerun, results, write_report
from silagetrial.report.contents import MANIFEST, RESULTS
from silagetrial.report.manifest import write_manifest
from silagetrial.report.rerun import reproduce

DEMO = Path(__file__).parents[2] / "data_demo" / "three_farms"
DATE = dt.date(2026, 5, 31)


@pytest.fixture(scope="module")
def finished(
    analysed: Analysed, folder_of: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A report as it was written; its results are real, its page is not looked at here."""
    folder = tmp_path_factory.mktemp("finished") / "report"
    shutil.copytree(folder_of("separate"), folder / "data")
    results.write(analysed("separate"), folder / RESULTS)
    for name in ("report.html", "report.ipynb", "figures/means.png"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("<h1>Net or film</h1>", encoding="utf-8")
    write_manifest(folder, seed=4160, command="silagetrial report", date=DATE)
    return folder


@pytest.fixture
def again(finished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a run again give the finished report."""

    def as_written(trial: Path, out: Path, **options: object) -> None:
        assert options["date"] == DATE
        assert (trial / "trial.toml").is_file()
        shutil.copytree(finished, out)

    monkeypatch.setattr(rerun, "write_report", as_written)


@pytest.fixture
def moved(finished: Path, tmp_path: Path, again: None) -> Path:
    """The report under another name in another place."""
    return Path(shutil.copytree(finished, tmp_path / "from a stick"))


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def change(folder: Path, **entries: Any) -> None:
    """Set entries of the manifest."""
    content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    (folder / MANIFEST).write_text(json.dumps({**content, **entries}), encoding="utf-8")


def sign(folder: Path, name: str) -> None:
    """Put the hash of a changed file into the manifest, as one who hides a change would."""
    content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    for entry in (*content["inputs"], *content["outputs"]):
        if entry["file"] == name:
            entry["sha256"] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    change(folder, **content)


def set_result(folder: Path, move: Callable[[float], object]) -> str:
    """Move the first estimate of the differences, as an editor would; return its path."""
    content = json.loads((folder / RESULTS).read_text(encoding="utf-8"))
    row = content["responses"]["butyric_acid"]["differences"][0]
    row["estimate"] = move(row["estimate"])
    (folder / RESULTS).write_text(json.dumps(content), encoding="utf-8")
    return "responses.butyric_acid.differences[0].estimate"


def test_a_moved_folder_is_reproduced(moved: Path) -> None:
    found = reproduce(moved)
    assert found.reproduced
    assert found.exact
    assert (found.files, found.beside, found.environment, found.differences) == ((), (), (), ())
    assert found.reasons == ()
    found.require()
    files = sum(path.is_file() for path in moved.rglob("*")) - 1
    day = json.loads((moved / MANIFEST).read_text(encoding="utf-8"))["time"][:10]
    assert str(found) == (
        f"Reproduced: all {found.values} values of results.json are the same to the last digit.\n"
        f"Files: all {files} as they were written on {day}.\n"
        "Environment: the same.\n"
        f"Seed: {found.manifest.seed}."
    )


def test_an_edited_result_is_named_with_what_it_was(moved: Path) -> None:
    path = set_result(moved, lambda value: value * 1.01)
    found = reproduce(moved)
    assert [item.path for item in found.differences] == [path]
    assert found.differences[0].relative == pytest.approx(0.01 / 1.01)
    edited = "results.json was changed after the report was written"
    assert [str(state) for state in found.files] == [edited]
    assert found.reasons == (f"the report was changed: {edited}",)
    with pytest.raises(NotReproduced) as caught:
        found.require()
    assert caught.value.exit_code == 5
    assert caught.value.found == (
        f"{moved} is not reproduced: 1 of {found.values} values of results.json differ"
    )
    assert caught.value.expected.startswith("files as they were written")
    assert caught.value.remedy == f"see why: the report was changed: {edited}"


@pytest.mark.parametrize("value", [float("nan"), None, "0.9", True, 10**400])
def test_an_estimate_that_is_no_number_any_more_is_named(moved: Path, value: object) -> None:
    path = set_result(moved, lambda _: value)
    sign(moved, RESULTS)
    found = reproduce(moved)
    assert [item.path for item in found.differences] == [path]
    assert found.reasons[0].startswith("no reason found: please report it")


def test_a_change_that_is_hidden_in_the_manifest_is_found_by_the_run(moved: Path) -> None:
    edit(moved / "report.html", "</h1>", "!</h1>")
    sign(moved, "report.html")
    found = reproduce(moved)
    assert (found.files, found.pages) == ((), ("report.html",))
    assert "other files came out otherwise: report.html" in str(found)
    assert not found.reproduced


def test_changed_input_missing_and_new_files_are_named(moved: Path) -> None:
    with (moved / "data" / "bales.csv").open("a", encoding="utf-8") as file:
        file.write("\n")
    (moved / "report.ipynb").unlink()
    (moved / "data" / "sample_parts.csv").write_text("bale\n", encoding="utf-8")
    (moved / "my notes.txt").write_text("mine", encoding="utf-8")
    found = reproduce(moved)
    assert {state.file: state.state for state in found.files} == {
        "data/bales.csv": "changed",
        "data/sample_parts.csv": "new",
        "report.ipynb": "missing",
    }
    assert [str(state) for state in found.beside] == ["my notes.txt is new"]
    assert found.reasons == (
        "the report was changed: report.ipynb is missing",
        "the input was changed: data/bales.csv was changed after the report was written; "
        "data/sample_parts.csv is new",
    )
    assert "are the same to the last digit, but the folder is not as it was written" in str(found)
    assert "Beside them, not of the report:\n  my notes.txt is new" in str(found)


def test_a_file_beside_the_report_changes_nothing(moved: Path) -> None:
    (moved / "my notes.txt").write_text("mine", encoding="utf-8")
    assert reproduce(moved).reproduced


def test_other_versions_are_named_and_numbers_are_given_room(moved: Path) -> None:
    content = json.loads((moved / MANIFEST).read_text(encoding="utf-8"))
    change(moved, packages={**content["packages"], "numpy": "2.1.0"})
    set_result(moved, lambda value: value * (1 + 2e-6))
    edit(moved / "report.html", "</h1>", " </h1>")
    sign(moved, RESULTS)
    sign(moved, "report.html")
    found = reproduce(moved)
    assert found.reproduced
    assert not found.exact
    assert "are the same to a share of 1e-05." in str(found)
    here = silagetrial.reproduce(moved).environment[0].here
    assert f"Environment:\n  numpy: 2.1.0 then, {here} here" in str(found)
    path = set_result(moved, lambda value: value * (1 + 1e-3))
    sign(moved, RESULTS)
    found = reproduce(moved)
    assert [item.path for item in found.differences] == [path]
    assert found.reasons == ("made elsewhere, or with other versions: numpy",)


def test_a_report_of_another_version_says_so_first(moved: Path) -> None:
    content = json.loads((moved / MANIFEST).read_text(encoding="utf-8"))
    change(moved, packages={**content["packages"], "silagetrial": "0.0.7"}, program="0" * 64)
    here = silagetrial.__version__
    found = reproduce(moved)
    assert found.reproduced
    assert str(found).startswith(f"Made by silagetrial 0.0.7, run again by {here}.\nReproduced: ")
    set_result(moved, lambda value: -value)
    sign(moved, RESULTS)
    assert reproduce(moved).reasons == (
        f"silagetrial 0.0.7 made it, this is {here}",
        "made elsewhere, or with other versions: files of the program",
    )


def test_another_seed_is_named(moved: Path) -> None:
    seed = json.loads((moved / MANIFEST).read_text(encoding="utf-8"))["seed"]
    change(moved, seed=seed + 1)
    found = reproduce(moved)
    assert not found.reproduced
    assert found.reasons == (f"the seed is {seed}, and manifest.json says {seed + 1}",)
    assert f"Seed: {seed}, not {seed + 1} as recorded." in str(found)


def test_without_results_there_is_nothing_to_compare(moved: Path) -> None:
    (moved / RESULTS).unlink()
    found = reproduce(moved)
    assert found.stopped == f"no results.json in {moved}"
    assert f"Not reproduced: it could not be run again: no results.json in {moved}." in str(found)
    assert "Seed: not known, as it was not run." in str(found)


def test_results_too_large_are_not_read(moved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rerun, "_MEGABYTES", 0)
    assert f"{RESULTS} has 0 megabytes" in reproduce(moved).stopped


def test_data_behind_a_link_are_not_read(moved: Path, tmp_path: Path) -> None:
    (moved / "data").rename(tmp_path / "elsewhere")
    (moved / "data").symlink_to(tmp_path / "elsewhere")

    def no_run(trial: Path, out: Path, **options: object) -> None:
        assert list(trial.iterdir()) == []
        raise UsageError(found="no trial.toml", expected="one", remedy="none")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rerun, "write_report", no_run)
        found = reproduce(moved)
    states = {state.file: state.state for state in found.files}
    assert states.pop("data") == "no plain file"
    assert set(states.values()) == {"missing"}
    assert found.stopped == "no trial.toml"


def test_a_folder_that_is_no_report_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        reproduce(tmp_path / "nowhere")
    assert caught.value.found == f"no folder {tmp_path / 'nowhere'}"
    assert caught.value.expected == "the folder of a finished report"
    assert caught.value.remedy == "give the folder that holds manifest.json"
    with pytest.raises(UsageError, match=r"no manifest\.json in "):
        reproduce(tmp_path)
    (tmp_path / "trial.toml").write_text("", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        reproduce(tmp_path)
    assert caught.value.found == f"a trial at {tmp_path}"
    assert f"`silagetrial report {tmp_path} --out DIR` writes its report" in caught.value.remedy


def test_many_differences_are_counted(moved: Path) -> None:
    content = json.loads((moved / RESULTS).read_text(encoding="utf-8"))
    content.update({f"more{k}": k for k in range(25)})
    (moved / RESULTS).write_text(json.dumps(content), encoding="utf-8")
    lines = str(reproduce(moved)).splitlines()
    assert sum("kept" in line for line in lines) == 20
    assert "  ... and 5 more" in lines


def test_on_the_command_line(moved: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["reproduce", str(moved)]) == 0
    assert capsys.readouterr().out.startswith("Reproduced: ")
    path = set_result(moved, lambda value: value + 1)
    (moved / "a\x1b[2J.txt").write_text("", encoding="utf-8")
    assert cli.main(["reproduce", str(moved), "--json"]) == 5
    said = json.loads(capsys.readouterr().out)
    assert said["reproduced"] is False
    assert said["differences"][0]["path"] == path
    assert said["differences"][0]["kept"] == pytest.approx(said["differences"][0]["again"] + 1)
    assert said["files"] == [{"file": RESULTS, "state": "changed"}]
    assert said["beside"] == [{"file": "a\x1b[2J.txt", "state": "new"}]
    assert cli.main(["reproduce", str(moved)]) == 5
    assert "\x1b" not in capsys.readouterr().out
    assert cli.main(["reproduce", str(moved / "data")]) == 2
    assert f'`silagetrial check "{moved / "data"}"` looks it' in capsys.readouterr().err


def snapshot(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Every file of a folder, with its time and content."""
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes())
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration's report, with a bootstrap, which is drawn at random."""
    place = tmp_path_factory.mktemp("demo")
    trial = Path(shutil.copytree(DEMO, place / "trial"))
    edit(trial / "trial.toml", "seed = 4160\n", "seed = 4160\nbootstrap = 400\n")
    return write_report(trial, place / "report", date=DATE).path


@pytest.mark.slow
def test_the_demonstration_moved_is_run_again_to_the_last_digit(demo: Path, tmp_path: Path) -> None:
    """In earnest: files, results, page and notebook; nothing is written in the folder."""
    moved = Path(shutil.copytree(demo, tmp_path / "bei uns" / "Bericht ä"))
    before = snapshot(tmp_path)
    lines: list[str] = []
    found = reproduce(moved, progress=lines.append)
    assert str(found).startswith("Reproduced: all ")
    assert found.exact
    assert found.values > 1000
    assert json.loads((moved / RESULTS).read_text("utf-8"))["responses"]["dm_loss"]["bootstrap"]
    assert lines[-1] == "writing the page"
    assert snapshot(tmp_path) == before


@pytest.mark.slow
def test_a_changed_laboratory_result_is_found_and_its_consequences_named(
    demo: Path, tmp_path: Path
) -> None:
    """The manifest says which file, the values say what it did."""
    moved = Path(shutil.copytree(demo, tmp_path / "report"))
    path = moved / "data" / "samples.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    column = rows[0].split(",").index("butyric_acid")
    last = next(k for k in range(len(rows) - 1, 0, -1) if rows[k].split(",")[column])
    cells = rows[last].split(",")
    cells[column] = str(float(cells[column]) + 0.1)
    rows[last] = ",".join(cells)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    found = reproduce(moved)
    assert [state.file for state in found.files] == ["data/samples.csv"]
    names = {item.path.split("[")[0] for item in found.differences}
    # Acids are added back to the DM, so that the losses move too.
    assert {f"responses.{name}.differences" for name in ("butyric_acid", "dm_loss")} <= names
    assert not names & {"title", "design", "openings", "bindings", "level"}
    assert found.reasons[0].startswith("the input was changed: data/samples.csv")
    edit(path, rows[0].split(",")[0], "no such column")
    found = reproduce(moved)
    assert "samples.csv" in found.stopped
    assert not found.reproduced


@pytest.mark.slow
@pytest.mark.skipif(
    platform.machine() not in ("x86_64", "aarch64"), reason="OpenBLAS has other kernels here"
)
def test_another_processor_gives_the_same_to_a_share(demo: Path) -> None:
    """OpenBLAS with the kernel of an old processor adds in another order: digits move."""
    kernel = "Prescott" if platform.machine() == "x86_64" else "ARMV8"
    command = [sys.executable, "-m", "silagetrial.cli", "reproduce", str(demo), "--json"]
    done = subprocess.run(
        command, env={**os.environ, "OPENBLAS_CORETYPE": kernel}, capture_output=True, check=False
    )
    said = json.loads(done.stdout)
    assert [change["what"] for change in said["environment"]] == ["linear algebra"]
    assert said["differences"] == []
    assert done.returncode == 0
