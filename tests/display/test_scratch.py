"""What a killed process left beside an output goes at the next run; what is in use stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from silagetrial.display.place import Work, place
from silagetrial.display.scratch import remove_left, working_folder

WORK = Work("thing", "manifest.json", frozenset({"manifest.json"}))
HELD = """
import sys, time
from pathlib import Path
from silagetrial.display.place import Work, place

with place(Path(sys.argv[1]), Work("thing", "manifest.json", frozenset())) as work:
    (work / "half.txt").write_text("half", encoding="utf-8")
    print("ready", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def writing(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process in the midst of writing to the folder out."""
    command = [sys.executable, "-c", HELD, str(tmp_path / "out")]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        yield process
        process.kill()


def left(folder: Path) -> list[Path]:
    return sorted(folder.glob(".silagetrial-*"))


def write(folder: Path) -> None:
    with place(folder / "other", WORK) as work:
        (work / "whole.txt").write_text("whole", encoding="utf-8")


def test_after_a_kill_the_next_run_removes_what_was_left(
    writing: subprocess.Popen[bytes], tmp_path: Path
) -> None:
    (there,) = left(tmp_path)
    assert (there / "new" / "half.txt").is_file()
    writing.send_signal(signal.SIGKILL)
    writing.wait()
    assert left(tmp_path) == [there]
    write(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other"]


def test_a_run_beside_one_that_is_writing_leaves_it_alone(
    writing: subprocess.Popen[bytes], tmp_path: Path
) -> None:
    (there,) = left(tmp_path)
    long_ago = time.time() - 1e7
    os.utime(there, (long_ago, long_ago))
    write(tmp_path)
    assert left(tmp_path) == [there]
    assert (there / "new" / "half.txt").is_file()


def test_without_a_lock_only_what_is_old_goes(tmp_path: Path) -> None:
    for name in ("fresh", "old"):
        (tmp_path / f".silagetrial-{name}" / "new").mkdir(parents=True)
    long_ago = time.time() - 25 * 3600
    os.utime(tmp_path / ".silagetrial-old", (long_ago, long_ago))
    remove_left(tmp_path)
    assert [path.name for path in left(tmp_path)] == [".silagetrial-fresh"]


def test_what_is_not_known_or_may_be_the_only_copy_stays(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / ".silagetrial-link").symlink_to(outside)
    (tmp_path / ".silagetrial-file").write_text("mine", encoding="utf-8")
    for name in ("notes.txt", "earlier"):
        folder = tmp_path / f".silagetrial-with-{name}"
        (folder / name).mkdir(parents=True)
        (folder / "lock").write_text("", encoding="utf-8")
        long_ago = time.time() - 1e7
        os.utime(folder, (long_ago, long_ago))
    before = left(tmp_path)
    remove_left(tmp_path)
    assert left(tmp_path) == before
    assert len(before) == 4


def test_where_the_disk_knows_no_locks_writing_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("silagetrial.display.scratch._locked", lambda file: False)
    with working_folder(tmp_path) as first, working_folder(tmp_path) as second:
        assert first != second
        assert len(left(tmp_path)) == 2
    assert left(tmp_path) == []
