"""Where a folder of files goes: beside what is there until it is whole, then in place at once."""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from silagetrial.errors import UsageError

__all__ = ["WRITER", "FileHash", "Work", "check_place", "hash_file", "place"]

WRITER: Final = "silagetrial"

# A notebook server leaves its checkpoints beside the notebook; they are no work of the user.
_CHECKPOINTS: Final = ".ipynb_checkpoints"

_HERE, _EXCHANGE = -100, 2
"""AT_FDCWD and RENAME_EXCHANGE of Linux (fcntl.h, linux/fs.h)."""


@dataclass(frozen=True)
class Work:
    """What is written as a folder of its own.

    Parameters
    ----------
    what : str
        What it is called: ``report``.
    manifest : str
        The file that lists the others with their hashes, under ``inputs`` and ``outputs``, and
        says ``written_by``.
    names : frozenset of str
        What the folder may hold.
    """

    what: str
    manifest: str
    names: frozenset[str]


@dataclass(frozen=True)
class FileHash:
    """Name (relative to the folder, with ``/``), SHA-256 and size in bytes of a file."""

    file: str
    sha256: str
    bytes: int


def hash_file(folder: Path, name: str) -> FileHash:
    """Return the hash of one file of a folder.

    Parameters
    ----------
    folder : Path
    name : str
        The file's path inside it, with ``/``.
    """
    content = (folder / name).read_bytes()
    return FileHash(name, hashlib.sha256(content).hexdigest(), len(content))


def check_place(out: Path, work: Work) -> None:
    """Refuse a place where writing a folder would lose something.

    Parameters
    ----------
    out : Path
        The folder it is to become: absent, empty, or an earlier one of its kind and nothing else.
    work : Work
        What is to be written.

    Raises
    ------
    UsageError
        When a file is there, or a folder with anything that is not of an earlier one as it
        was written, or when the command runs in a folder inside it.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(
            found=f"{out} is a file or a link, not a folder",
            expected=f"a folder that is new, empty, or holds an earlier {work.what}",
            remedy="give another folder with --out",
        )
    if not out.exists() or not any(out.iterdir()):
        return
    strangers = sorted({item.name for item in out.iterdir()} - work.names - {_CHECKPOINTS})
    listed = _listed(out / work.manifest)
    if strangers or listed is None:
        what = ", ".join(strangers) if strangers else f"files that no {work.what} left there"
        raise UsageError(
            found=f"the folder {out} is not empty: it holds {what}",
            expected=f"a folder that is new, empty, or holds an earlier {work.what} and nothing "
            "else",
            remedy="give another folder with --out, or move these files away",
        )
    _check_untouched(out, listed, work)
    if out.resolve() in Path.cwd().parents:
        raise UsageError(
            found=f"the command runs in {Path.cwd()}, inside the {work.what} folder to be replaced",
            expected=f"a {work.what} folder that can be replaced",
            remedy=f"run the command in {out.resolve()} or outside it, or give another --out",
        )


def _listed(path: Path) -> dict[str, str] | None:
    """Files and hashes a manifest says were written; None where none says so."""
    if not path.is_file():
        return None
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return None
    if not isinstance(content, dict) or content.get("written_by") != WRITER:
        return None
    try:
        entries = [entry for part in ("inputs", "outputs") for entry in content[part]]
        return {str(entry["file"]): str(entry["sha256"]) for entry in entries}
    except (KeyError, TypeError):
        return None


def _check_untouched(out: Path, listed: Mapping[str, str], work: Work) -> None:
    """Refuse an earlier folder in which somebody has worked since."""
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if path.is_dir() or name == work.manifest or _CHECKPOINTS in name.split("/"):
            continue
        if name not in listed:
            what = f"{name}, which the {work.what} did not write"
        elif hash_file(out, name).sha256 != listed[name]:
            what = f"{name}, which was changed after the {work.what} was written"
        else:
            continue
        raise UsageError(
            found=f"the {work.what} in {out} holds {what}",
            expected=f"an earlier {work.what} as it was written, when it is to be replaced",
            remedy=f"give another folder with --out, or move {name} away",
        )


@contextmanager
def place(out: Path, work: Work) -> Iterator[Path]:
    """Give a working folder whose files become those of `out` when the block ends well.

    An earlier one stays untouched until the new one is whole; when the block fails, nothing is
    left of it.

    Parameters
    ----------
    out : Path
        The folder it is to become.
    work : Work
        What is to be written.

    Yields
    ------
    Path
        An empty folder on the same disk, under the same name.

    Raises
    ------
    UsageError
        When nothing can be written beside `out`, and as `check_place`.
    """
    check_place(out, work)
    out = out.resolve()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=".silagetrial-", dir=out.parent))
    except OSError as error:
        raise UsageError(
            found=f"nothing can be written in {out.parent}: {error.strerror}",
            expected="a folder in which this user may write",
            remedy="give another folder with --out",
        ) from error
    try:
        new = scratch / "new"
        new.mkdir()
        yield new
        _put(new, out=out, aside=scratch / "earlier")
    finally:
        shutil.rmtree(scratch)


def _exchange(first: Path, second: Path) -> bool:
    """Let two folders change places in one step; False where the system cannot (renameat2(2))."""
    rename = getattr(ctypes.CDLL(None), "renameat2", None) if os.name == "posix" else None
    if rename is None:
        return False
    names = os.fsencode(first), os.fsencode(second)
    return bool(rename(_HERE, names[0], _HERE, names[1], _EXCHANGE) == 0)


def _put(work: Path, *, out: Path, aside: Path) -> None:
    """Move the finished files into their place; put the earlier ones back if that fails.

    In one step, so that a process killed at any moment leaves the one or the other whole. Where
    this process stands in the folder, or the system has no such step, file by file.
    """
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
