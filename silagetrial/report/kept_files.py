"""The files of a finished folder, read as a stranger's: nothing beyond it, nothing too large."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final, Literal

from silagetrial.display.place import FileHash
from silagetrial.errors import UsageError

__all__ = [
    "FileState",
    "State",
    "copy_files",
    "file_states",
    "listing",
    "quoted",
    "read_json",
    "safe_name",
]

State = Literal["changed", "missing", "new", "no plain file"]

# What a notebook server leaves beside a notebook is no part of the folder.
_CHECKPOINTS: Final = ".ipynb_checkpoints"
_MEGABYTE: Final = 2**20


@dataclass(frozen=True)
class FileState:
    """A file that is not as the manifest lists it.

    Parameters
    ----------
    file : str
        Its path in the folder, with ``/``.
    state : {"changed", "missing", "new", "no plain file"}
        No plain file: a link, a folder, a device; never read.
    """

    file: str
    state: State

    def __str__(self) -> str:
        """Name the file and what happened to it."""
        said = {
            "changed": "was changed after the report was written",
            "missing": "is missing",
            "new": "is new",
            "no plain file": "is a link or no plain file",
        }
        return f"{quoted(self.file)} {said[self.state]}"


def quoted(text: str) -> str:
    """Return a text of unknown origin as a terminal may show it: signs that steer it are named."""
    return text if text.isprintable() else repr(text)


def safe_name(name: object) -> bool:
    """Tell whether a text is a path to a file inside a folder, in the one way it is written.

    Parameters
    ----------
    name : object
        Whatever a manifest holds in the place of a name.
    """
    if not isinstance(name, str) or not name or any(sign in name for sign in "\\:\0"):
        return False
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts and path.as_posix() == name


def listing(folder: Path) -> tuple[list[str], list[str]]:
    """Return the plain files of a folder and what is none, by their paths; links are not followed.

    Parameters
    ----------
    folder : Path
    """
    plain: list[str] = []
    others: list[str] = []
    for place, folders, files in os.walk(folder):
        folders[:] = [name for name in folders if name != _CHECKPOINTS]
        here = Path(place)
        linked = [name for name in folders if (here / name).is_symlink()]
        for name in (*files, *linked):
            path = (here / name).relative_to(folder).as_posix()
            (plain if _is_plain(folder, path) else others).append(path)
    return sorted(plain), sorted(others)


def _is_plain(folder: Path, name: str) -> bool:
    """Tell whether a path leads to a plain file, through folders and no link."""
    path = folder
    for part in PurePosixPath(name).parts[:-1]:
        path = path / part
        if not stat.S_ISDIR(path.lstat().st_mode):
            return False
    return stat.S_ISREG((folder / name).lstat().st_mode)


def file_states(folder: Path, listed: Iterable[FileHash]) -> tuple[FileState, ...]:
    """Return the files that are not as listed or are not listed, and all that is no plain file.

    Parameters
    ----------
    folder : Path
    listed : iterable of FileHash
        Names must be safe (`safe_name`).
    """
    plain, others = listing(folder)
    hashes = {item.file: item.sha256 for item in listed}
    states = [FileState(name, "missing") for name in hashes.keys() - {*plain, *others}]
    states += [FileState(name, "new") for name in {*plain} - hashes.keys()]
    states += [FileState(name, "no plain file") for name in others]
    for name in hashes.keys() & {*plain}:
        with (folder / name).open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != hashes[name]:
                states.append(FileState(name, "changed"))
    return tuple(sorted(states, key=lambda state: state.file))


def copy_files(folder: Path, target: Path, *, within: str) -> None:
    """Copy the plain files of a part of a folder; links and what else is no file stay behind.

    Parameters
    ----------
    folder, target : Path
    within : str
        The part, which the copies' paths leave out.
    """
    target.mkdir(parents=True)
    for name in _below(listing(folder)[0], within):
        copy = target / name
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / within / name, copy)


def _below(names: Iterable[str], part: str) -> Iterator[str]:
    return (name.removeprefix(f"{part}/") for name in names if name.startswith(f"{part}/"))


def read_json(folder: Path, name: str, *, megabytes: int) -> object:
    """Read a JSON file of a folder.

    Parameters
    ----------
    folder : Path
    name : str
        A file of the folder itself.
    megabytes : int
        A larger file is refused.

    Returns
    -------
    object
        The content; NaN and infinite numbers, which JSON does not know, come as they are.

    Raises
    ------
    UsageError
        When it is missing, no plain file, too large, or no JSON.
    """
    path, kind = folder / name, f"a file {name} as silagetrial writes it"
    remedy = "give the folder of a finished report, with all its files as they were written"
    if not os.path.lexists(path):
        raise UsageError(found=f"no {name} in {folder}", expected=kind, remedy=remedy)
    if not _is_plain(folder, name):
        what = f"{path} is a link or no plain file"
        raise UsageError(found=what, expected=kind, remedy=remedy)
    size = path.stat().st_size
    if size > megabytes * _MEGABYTE:
        what = f"{path} has {size / _MEGABYTE:.0f} megabytes"
        raise UsageError(found=what, expected=f"at most {megabytes}", remedy=remedy)
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        what = f"{path} cannot be read: {type(error).__name__}: {error}"
        raise UsageError(found=what, expected=kind, remedy=remedy) from error
