"""By force a folder is replaced whole, in one step; what is read and what is beside it never."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from silagetrial import cli
from silagetrial.display import scratch
from silagetrial.display.place import Work, check_place, place
from silagetrial.errors import UsageError
from silagetrial.planning.worth_folder import PAGE, write_folder

WORK = Work("report", "manifest.json", frozenset({"manifest.json"}))
DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture
def foreign(tmp_path: Path) -> Path:
    """A folder with work of somebody's own."""
    out = tmp_path / "out"
    (out / "below").mkdir(parents=True)
    (out / "below" / "notes.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "beside.txt").write_text("mine", encoding="utf-8")
    return out


@pytest.mark.parametrize("one_step", [True, False])
def test_what_is_there_is_replaced_whole(
    foreign: Path, one_step: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not one_step:
        monkeypatch.setattr(scratch, "_exchange", lambda first, second: False)
    with place(foreign, WORK, force=True) as work:
        (work / "new.txt").write_text("new", encoding="utf-8")
        assert (foreign / "below" / "notes.txt").is_file()
    assert [path.name for path in foreign.iterdir()] == ["new.txt"]
    assert sorted(path.name for path in foreign.parent.iterdir()) == ["beside.txt", "out"]


def test_a_failed_run_leaves_what_was_there(foreign: Path) -> None:
    with pytest.raises(FileNotFoundError), place(foreign, WORK, force=True) as work:
        (work / "none").read_text(encoding="utf-8")
    assert [path.name for path in foreign.iterdir()] == ["below"]


def test_without_force_the_message_names_it(foreign: Path) -> None:
    with pytest.raises(UsageError) as caught:
        check_place(foreign, WORK)
    assert caught.value.found == f"the folder {foreign} is not empty: it holds below"
    assert caught.value.remedy == (
        "give another folder, move these files away, or replace the whole folder with --force"
    )


@pytest.mark.parametrize("force", [True, False])
@pytest.mark.parametrize(
    ("out", "read", "where"),
    [("a", "a", "is"), ("a", "a/b", "holds"), ("a/b/c", "a/b", "lies in"), ("a", "a/f", "holds")],
)
def test_what_is_read_is_never_replaced(
    out: str, read: str, where: str, force: bool, tmp_path: Path
) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    if force:
        (tmp_path / "a" / "f").write_text("read", encoding="utf-8")
    else:
        (tmp_path / "a" / "b").rmdir()  # an empty folder may be taken, but for what is read
    with pytest.raises(UsageError) as caught:
        check_place(tmp_path / out, WORK, force=force, inputs=[tmp_path / read])
    assert (
        caught.value.found
        == f"the folder {tmp_path / out} {where} {tmp_path / read}, which is read"
    )
    assert caught.value.expected == "a folder for the report beside it"
    assert "not with --force either" in caught.value.remedy


def test_a_link_to_what_is_read_is_seen_through(tmp_path: Path) -> None:
    (tmp_path / "trial").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "trial")
    with pytest.raises(UsageError, match="lies in"):
        check_place(tmp_path / "link" / "report", WORK, force=True, inputs=[tmp_path / "trial"])


@pytest.mark.parametrize("what", ["the home folder", "this installation"])
def test_home_and_installation_are_never_replaced(
    what: str, foreign: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if what == "the home folder":
        monkeypatch.setenv("HOME", str(foreign / "below"))
    else:
        monkeypatch.setattr(sys, "prefix", str(foreign))
    with pytest.raises(UsageError) as caught:
        check_place(foreign, WORK, force=True)
    assert caught.value.found.startswith(f"the folder {foreign} is or holds {what}")
    assert caught.value.expected == "a folder for the report alone"
    assert "not with --force either" in caught.value.remedy


def test_a_file_is_not_replaced_by_a_folder(foreign: Path) -> None:
    with pytest.raises(UsageError, match="is a file or a link, not a folder"):
        check_place(foreign.parent / "beside.txt", WORK, force=True)


@pytest.mark.parametrize("command", [["plan"], ["power"], ["power", "--simulate", "128"]])
def test_the_plan_is_never_replaced(
    command: list[str], foreign: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = foreign / "plan.toml"
    plan.write_bytes((DEMO / "plan_two_farms" / "plan.toml").read_bytes())
    words = [*command, str(plan), "--out", str(foreign)]
    assert cli.main(words) == 2
    assert "replace the whole folder with --force" in capsys.readouterr().err
    assert cli.main([*words, "--force"]) == 2
    assert f"holds {plan}, which is read" in capsys.readouterr().err
    assert (foreign / "below" / "notes.txt").is_file()


def test_a_plan_takes_the_place_of_other_files_by_force(foreign: Path) -> None:
    words = ["plan", str(DEMO / "plan_two_farms"), "--out", str(foreign), "--force"]
    assert cli.main(words) == 0
    assert not (foreign / "below").exists()
    assert (foreign / "field.xlsx").is_file()


def test_a_page_of_power_takes_the_place_of_other_files_by_force(foreign: Path) -> None:
    texts = {PAGE: "<html></html>", "worth.txt": "text"}
    write_folder(foreign, WORK, texts, {}, force=True)
    assert sorted(path.name for path in foreign.iterdir()) == sorted(
        [*texts, "manifest.json", "pictures"]
    )


@pytest.mark.parametrize(
    ("out", "read"),
    [
        ("trial", "trial/trial.toml"),
        (".", "trial/trial.toml"),
        ("trial/laboratory_reports", "trial/laboratory_reports"),
        ("trial/laboratory_reports/report", "trial/laboratory_reports"),
    ],
)
@pytest.mark.parametrize("force", [[], ["--force"]])
def test_a_report_never_replaces_what_is_read(
    out: str, read: str, force: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["start", str(tmp_path / "trial"), "--demo"]) == 0
    words = ["report", str(tmp_path / "trial"), "--out", str(tmp_path / out), *force]
    assert cli.main(words) == 2
    said = capsys.readouterr().err
    assert f"{tmp_path / read}, which is read" in said or (not force and "not empty" in said)
    assert (tmp_path / "trial" / "bales.csv").is_file()
