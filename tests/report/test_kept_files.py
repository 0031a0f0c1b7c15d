"""A finished folder is read as a stranger's: nothing beyond it, nothing too large."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from silagetrial.display.place import FileHash, hash_file
from silagetrial.errors import UsageError
from silagetrial.report.kept_files import copy_files, file_states, quoted, read_json

LISTED = ("data/bales.csv", "data/sub/report.csv", "report.html")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "report"
    for name in LISTED:
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(name, encoding="utf-8")
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")
    return place


def states(folder: Path, listed: list[FileHash]) -> dict[str, str]:
    return {item.file: item.state for item in file_states(folder, listed)}


def test_each_file_is_as_written_changed_missing_or_new(folder: Path) -> None:
    listed = [hash_file(folder, name) for name in LISTED]
    assert states(folder, listed) == {}
    (folder / "data" / "bales.csv").write_text("other", encoding="utf-8")
    (folder / "report.html").unlink()
    (folder / "data" / "events.csv").write_text("bale\n", encoding="utf-8")
    (folder / ".ipynb_checkpoints").mkdir()
    (folder / ".ipynb_checkpoints" / "x.ipynb").write_text("{}", encoding="utf-8")
    assert states(folder, listed) == {
        "data/bales.csv": "changed",
        "data/events.csv": "new",
        "report.html": "missing",
    }
    assert [str(item) for item in file_states(folder, listed)] == [
        "data/bales.csv was changed after the report was written",
        "data/events.csv is new",
        "report.html is missing",
    ]


def test_links_are_named_and_never_followed(folder: Path, tmp_path: Path) -> None:
    listed = [hash_file(folder, name) for name in LISTED]
    copied = tmp_path / "elsewhere"
    (folder / "data" / "sub").rename(copied)
    (folder / "data" / "sub").symlink_to(copied)
    (folder / "report.html").unlink()
    (folder / "report.html").symlink_to(tmp_path / "secret.txt")
    (folder / "data" / "more.csv").symlink_to(tmp_path / "secret.txt")
    links = dict.fromkeys(("data/more.csv", "data/sub", "report.html"), "no plain file")
    assert states(folder, listed) == {**links, "data/sub/report.csv": "missing"}
    copy_files(folder, tmp_path / "copy", within="data")
    assert [path.name for path in (tmp_path / "copy").rglob("*")] == ["bales.csv"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_no_file_and_is_not_waited_for(folder: Path) -> None:
    listed = [hash_file(folder, name) for name in LISTED]
    (folder / "report.html").unlink()
    os.mkfifo(folder / "report.html")
    assert states(folder, listed) == {"report.html": "no plain file"}
    with pytest.raises(UsageError, match="is a link or no plain file"):
        read_json(folder, "report.html", megabytes=1)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("not json", "JSONDecodeError"),
        ("[" * 100_000, "RecursionError"),
        ("9" * 5_000, "ValueError"),
        ("\udcff", "UnicodeDecodeError"),
    ],
    ids=["no JSON", "deep", "a number of 5,000 digits", "no text"],
)
def test_what_cannot_be_read_says_why(folder: Path, content: str, found: str) -> None:
    path = folder / "results.json"
    path.write_text(content, encoding="utf-8", errors="surrogateescape")
    with pytest.raises(UsageError) as caught:
        read_json(folder, "results.json", megabytes=1)
    assert caught.value.found.startswith(f"{path} cannot be read: {found}")
    assert caught.value.expected == "a file results.json as silagetrial writes it"
    assert caught.value.remedy.startswith("give the folder of a finished report")


def test_a_file_too_large_or_missing_or_a_link_is_refused(folder: Path, tmp_path: Path) -> None:
    path = folder / "results.json"
    with pytest.raises(UsageError, match=r"no results\.json in "):
        read_json(folder, "results.json", megabytes=1)
    path.symlink_to(tmp_path / "secret.txt")
    with pytest.raises(UsageError, match=r"results\.json is a link or no plain file"):
        read_json(folder, "results.json", megabytes=1)
    path.unlink()
    path.write_bytes(b" " * (2 * 2**20) + b"1")
    assert read_json(folder, "results.json", megabytes=3) == 1
    with pytest.raises(UsageError, match=r"results\.json has 2 megabytes") as caught:
        read_json(folder, "results.json", megabytes=1)
    assert caught.value.expected == "at most 1"


def test_signs_that_steer_a_terminal_are_named() -> None:
    assert quoted("Ballen Öst") == "Ballen Öst"
    assert quoted("a\x1b[2Jb") == "'a\\x1b[2Jb'"
    assert quoted("a\u202eb\n") == "'a\\u202eb\\n'"
