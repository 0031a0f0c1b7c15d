"""A report is there whole or not at all, and nothing of the user's is lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from silagetrial.errors import UsageError
from silagetrial.report.place import MANIFEST, check_place, report_place


def _report(folder: Path, text: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MANIFEST).write_text(json.dumps({"written_by": "silagetrial"}), encoding="utf-8")
    (folder / "report.html").write_text(text, encoding="utf-8")


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
        if self.name == "new":
            raise OSError(28, "No space left on device")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", stubborn)
    with pytest.raises(OSError, match="No space left"), report_place(out) as work:
        _report(work, "later")
    assert (out / "report.html").read_text(encoding="utf-8") == "earlier"
    assert _names(tmp_path) == ["report"]


def test_a_folder_with_other_files_is_refused_by_name(tmp_path: Path) -> None:
    _report(tmp_path, "earlier")
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        check_place(tmp_path)
    assert caught.value.found == f"the folder {tmp_path} is not empty: it holds notes.txt"
    assert caught.value.expected.startswith("a folder that is new, empty, or holds an earlier")
    assert "--out" in caught.value.remedy


@pytest.mark.parametrize("content", ["not json", "[]", '{"written_by": "something else"}'])
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
