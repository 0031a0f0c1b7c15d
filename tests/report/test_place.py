"""A report is there whole or not at all, and nothing of the user's is lost."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from silagetrial.display import scratch
from silagetrial.display.place import hash_file
from silagetrial.errors import UsageError
from silagetrial.report.contents import MANIFEST
from silagetrial.report.place import check_place, report_place


def _report(folder: Path, text: str) -> None:
    (folder / "data").mkdir(parents=True, exist_ok=True)
    (folder / "report.html").write_text(text, encoding="utf-8")
    (folder / "data" / "bales.csv").write_text(text, encoding="utf-8")
    manifest = {
        "written_by": "silagetrial",
        "inputs": [asdict(hash_file(folder, "data/bales.csv"))],
        "outputs": [asdict(hash_file(folder, "report.html"))],
    }
    (folder / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")


def _names(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def test_a_new_folder_appears_at_the_end_with_its_parents(tmp_path: Path) -> None:
    out = tmp_path / "far" / "away"
    with report_place(out) as work:
        (work / "report.html").write_text("new", encoding="utf-8")
        assert not out.exists()
    assert _names(out) == ["report.html"]
    assert _names(out.parent) == ["away"]


def test_a_failed_run_leaves_nothing_and_keeps_the_earlier_report(tmp_path: Path) -> None:
    out = tmp_path / "report"
    _report(out, "earlier")
    with pytest.raises(FileNotFoundError), report_place(out) as work:
        ((work / "report.html").write_text("half", encoding="utf-8"), (work / "none").read_text())
    assert _names(tmp_path) == ["report"]
    assert (out / "report.html").read_text(encoding="utf-8") == "earlier"


def test_an_earlier_report_is_replaced(tmp_path: Path) -> None:
    out = tmp_path / "report"
    _report(out, "earlier")
    with report_place(out) as work:
        _report(work, "later")
    assert (out / "report.html").read_text(encoding="utf-8") == "later"
    assert _names(tmp_path) == ["report"]


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with report_place(tmp_path / "empty") as work:
        _report(work, "new")
    assert (tmp_path / "empty" / "report.html").exists()


def test_the_earlier_report_comes_back_when_the_move_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "report"
    _report(out, "earlier")
    rename = Path.rename

    def stubborn(self: Path, target: Path) -> Path:
        if self.parent.name == "new" and self.name == "report.html":
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(scratch, "_exchange", lambda first, second: False)
    monkeypatch.setattr(Path, "rename", stubborn)
    with pytest.raises(OSError, match="No space left"), report_place(out) as work:
        _report(work, "later")
    assert (out / "report.html").read_text(encoding="utf-8") == "earlier"
    assert _names(out) == ["data", MANIFEST, "report.html"]
    assert _names(tmp_path) == ["report"]


@pytest.mark.parametrize("name", ["report.html", "data/bales.csv"])
def test_an_earlier_report_that_was_changed_is_refused_by_file(tmp_path: Path, name: str) -> None:
    _report(tmp_path, "earlier")
    (tmp_path / name).write_text("my remarks", encoding="utf-8")
    with pytest.raises(UsageError) as caught, report_place(tmp_path):
        pass
    assert caught.value.found == (
        f"the report in {tmp_path} holds {name}, which was changed after the report was written"
    )
    assert caught.value.expected == "an earlier report as it was written, when it is to be replaced"
    assert caught.value.remedy == (
        f"give another folder, move {name} away, or replace the whole folder with --force"
    )
    assert (tmp_path / name).read_text(encoding="utf-8") == "my remarks"


def test_a_file_added_below_an_earlier_report_is_refused(tmp_path: Path) -> None:
    _report(tmp_path, "earlier")
    (tmp_path / "data" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"holds data/notes\.txt, which the report did not write"):
        check_place(tmp_path)


def test_what_a_notebook_server_leaves_is_no_work_of_the_user(tmp_path: Path) -> None:
    _report(tmp_path, "earlier")
    (tmp_path / ".ipynb_checkpoints").mkdir()
    (tmp_path / ".ipynb_checkpoints" / "report-checkpoint.ipynb").write_text("{}", encoding="utf-8")
    check_place(tmp_path)


def test_a_shell_that_stands_in_the_folder_stays_in_the_new_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _report(tmp_path / "report", "earlier")
    monkeypatch.chdir(tmp_path / "report")
    with report_place(Path()) as work:
        _report(work, "later")
    assert Path("report.html").read_text(encoding="utf-8") == "later"
    assert _names(Path.cwd()) == ["data", MANIFEST, "report.html"]
    assert _names(tmp_path) == ["report"]


def test_from_below_the_folder_it_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _report(tmp_path, "earlier")
    monkeypatch.chdir(tmp_path / "data")
    with pytest.raises(UsageError) as caught:
        check_place(Path(".."))
    assert caught.value.found == (
        f"the command runs in {tmp_path / 'data'}, inside the report folder to be replaced"
    )
    assert caught.value.expected == "a report folder that can be replaced"
    assert caught.value.remedy.startswith(f"run the command in {tmp_path} or outside it")


def test_a_folder_with_other_files_is_refused_by_name(tmp_path: Path) -> None:
    _report(tmp_path, "earlier")
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        check_place(tmp_path)
    assert caught.value.found == f"the folder {tmp_path} is not empty: it holds notes.txt"
    assert caught.value.expected.startswith("a folder that is new, empty, or holds an earlier")
    assert caught.value.remedy.endswith("or replace the whole folder with --force")


@pytest.mark.parametrize(
    "content",
    [
        "not json",
        "[]",
        '{"written_by": "something else"}',
        '{"written_by": "silagetrial", "inputs": []}',
        '{"written_by": "silagetrial", "inputs": [1], "outputs": []}',
    ],
)
def test_a_manifest_of_another_kind_makes_no_report(tmp_path: Path, content: str) -> None:
    (tmp_path / MANIFEST).write_text(content, encoding="utf-8")
    with pytest.raises(UsageError, match="it holds files that no report left there"):
        check_place(tmp_path)


def test_report_files_without_a_manifest_are_refused(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with pytest.raises(UsageError, match="files that no report left there"):
        check_place(tmp_path)


def test_a_file_is_refused_as_a_place(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="is a file or a link, not a folder"):
        check_place(tmp_path / "file")


def test_a_place_below_a_file_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with (
        pytest.raises(UsageError, match=r"nothing can be written in .*file: "),
        report_place(tmp_path / "file" / "report"),
    ):
        pass


def test_an_earlier_report_may_be_written_again_from_its_own_copy(tmp_path: Path) -> None:
    out = tmp_path / "report"
    _report(out, "old")
    for force in (False, True):
        check_place(out, force=force, inputs=[out / "data" / "bales.csv"])
        with pytest.raises(UsageError, match=r"is .*, which is read"):
            check_place(out, force=force, inputs=[out])
    (out / "report.html").write_text("my remark", encoding="utf-8")
    with pytest.raises(UsageError, match=r"holds .*, which is read"):
        check_place(out, force=True, inputs=[out / "data" / "bales.csv"])
