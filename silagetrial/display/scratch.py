"""Working folders beside what they become: put in place in one step, and cleared after a kill.

A working folder holds a file that its process keeps locked. The system lets go of the lock when the
process ends, however it ends; so another run can tell a folder left by a killed process from one in
use, also on a drive shared between machines, where a process number says nothing. Nothing is ever
judged by its age alone but a folder without such a file, which is one killed in the making.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

if sys.platform != "win32":
    import fcntl

__all__ = ["put_in_place", "remove_left", "working_folder"]

_PREFIX: Final = ".silagetrial-"
_LOCK: Final = "lock"
_NEW, _EARLIER = "new", "earlier"
_OLD: Final = 24 * 3600.0
"""Seconds after which a folder without a lock is left over: making one takes microseconds."""

_HERE, _EXCHANGE = -100, 2
"""AT_FDCWD and RENAME_EXCHANGE of Linux (fcntl.h, linux/fs.h)."""


@contextmanager
def working_folder(beside: Path) -> Iterator[Path]:
    """Give an empty folder of this process in `beside`; it is gone at the end, whatever happens.

    Folders that killed processes left there are removed first.

    Parameters
    ----------
    beside : Path
        A folder that is there.

    Raises
    ------
    OSError
        When nothing can be written there.
    """
    remove_left(beside)
    scratch = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=beside))
    making = scratch / f"{_LOCK}.new"
    with making.open("w", encoding="utf-8") as lock:
        try:
            # Under its name it is locked from the first moment.
            if _locked(lock):
                making.rename(scratch / _LOCK)
            new = scratch / _NEW
            new.mkdir()
            yield new
        finally:
            if sys.platform == "win32":
                lock.close()  # an open file cannot be removed there
            shutil.rmtree(scratch)


def _locked(file: IO[str]) -> bool:
    """Lock an open file for this process; False where it is locked, or the disk knows no locks."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def remove_left(beside: Path) -> None:
    """Remove working folders that no process uses any more.

    A folder that holds earlier files of an exchange that was cut off is kept: they may be the only
    ones. So is what belongs to another user.
    """
    for scratch in sorted(beside.glob(f"{_PREFIX}*")):
        if scratch.is_symlink() or not scratch.is_dir():
            continue
        try:
            names = {item.name for item in scratch.iterdir()}
            if names <= {_NEW, _LOCK, f"{_LOCK}.new"} and _is_left(scratch):
                shutil.rmtree(scratch)
        except OSError:
            continue  # of another user, or gone meanwhile


def _is_left(scratch: Path) -> bool:
    lock = scratch / _LOCK
    if not lock.exists():
        return time.time() - scratch.stat().st_mtime > _OLD
    with lock.open(encoding="utf-8") as file:
        return _locked(file)


def put_in_place(work: Path, *, out: Path) -> None:
    """Move the finished files into their place; put the earlier ones back if that fails.

    In one step, so that a process killed at any moment leaves the one or the other whole. Where
    this process stands in the folder, or the system has no such step, file by file.

    Parameters
    ----------
    work : Path
        From `working_folder`; what it takes the place of stands in it, or beside it, afterwards.
    out : Path
        What it becomes.
    """
    aside = work.parent / _EARLIER
    if not out.exists():
        work.rename(out)
        return
    if Path.cwd() != out and _exchange(work, out):
        return
    aside.mkdir()
    moved: list[tuple[Path, Path]] = []
    try:
        for source, target in ((out, aside), (work, out)):
            for item in sorted(source.iterdir()):
                moved.append((item, item.rename(target / item.name)))
    except OSError:
        for before, after in reversed(moved):
            after.rename(before)
        raise


def _exchange(first: Path, second: Path) -> bool:
    """Let two folders change places in one step; False where the system cannot (renameat2(2))."""
    rename = getattr(ctypes.CDLL(None), "renameat2", None) if os.name == "posix" else None
    if rename is None:
        return False
    names = os.fsencode(first), os.fsencode(second)
    return bool(rename(_HERE, names[0], _HERE, names[1], _EXCHANGE) == 0)
