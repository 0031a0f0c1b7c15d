"""Where a folder of files goes: beside what is there until it is whole, then in place at once."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from silagetrial.display.scratch import put_in_place, working_folder
from silagetrial.errors import UsageError

__all__ = ["WRITER", "FileHash", "Work", "as_written", "check_place", "hash_file", "place"]

WRITER: Final = "silagetrial"

# A notebook server leaves its checkpoints beside the notebook; they are no work of the user.
_CHECKPOINTS: Final = ".ipynb_checkpoints"


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


def check_place(
    out: Path, work: Work, *, force: bool = False, inputs: Collection[Path] = ()
) -> None:
    """Refuse a place where writing a folder would lose something.

    Parameters
    ----------
    out : Path
        The folder it is to become: absent, empty, or an earlier one of its kind and nothing else.
    work : Work
        What is to be written.
    force : bool
        Replace a folder with anything else in it as well.
    inputs : collection of Path
        What is read: `out` may not be, hold or lie in one of them, forced or not; only an earlier
        one as it was written may hold its own copy of them, which is written again.

    Raises
    ------
    UsageError
        When a file is there, or a folder with anything that is not of an earlier one as it was
        written, and that is not forced; when an input, the home folder or this installation would
        be replaced; when the command runs in a folder inside it.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(
            found=f"{out} is a file or a link, not a folder",
            expected=f"a folder that is new, empty, or holds an earlier {work.what}",
            remedy="give another folder",
        )
    filled = out.exists() and any(out.iterdir())
    if filled and not force:
        _refuse_foreign(out, work)
    own = filled and (not force or _is_earlier(out, work))
    _refuse_inputs(out.resolve(), work, inputs, own=own)
    if filled and force:
        _refuse_needed(out.resolve(), work)
    if filled and out.resolve() in Path.cwd().parents:
        raise UsageError(
            found=f"the command runs in {Path.cwd()}, inside the {work.what} folder to be replaced",
            expected=f"a {work.what} folder that can be replaced",
            remedy=f"run the command in {out.resolve()} or outside it, or give another folder",
        )


def _refuse_inputs(out: Path, work: Work, inputs: Collection[Path], *, own: bool) -> None:
    """Refuse to write over what is read, or into it.

    An earlier one as it was written may hold what is read: its own copy, which is written again.
    """
    for each in (path.resolve() for path in inputs):
        if own and out in each.parents:
            continue
        if out == each or out in each.parents or each in out.parents:
            where = "is" if out == each else "holds" if out in each.parents else "lies in"
            raise UsageError(
                found=f"the folder {out} {where} {each}, which is read",
                expected=f"a folder for the {work.what} beside it",
                remedy="give another folder; what is read is never replaced, not with --force "
                "either",
            )


def _refuse_needed(out: Path, work: Work) -> None:
    """Refuse to replace a folder without which the user or this program cannot go on."""
    needed = {
        "the home folder": Path(os.path.expanduser("~")),
        "this installation": Path(sys.prefix),
    }
    for what, path in needed.items():
        if out == path.resolve() or out in path.resolve().parents:
            raise UsageError(
                found=f"the folder {out} is or holds {what}, {path}",
                expected=f"a folder for the {work.what} alone",
                remedy="give another folder; this one is not replaced, not with --force either",
            )


def _is_earlier(out: Path, work: Work) -> bool:
    """Whether a folder is an earlier one of its kind, as it was written."""
    listed = _listed(out / work.manifest)
    return (
        listed is not None
        and not _strangers(out, work)
        and _touched(out, listed, work.manifest) is None
    )


def _strangers(out: Path, work: Work) -> list[str]:
    return sorted({item.name for item in out.iterdir()} - work.names - {_CHECKPOINTS})


def _refuse_foreign(out: Path, work: Work) -> None:
    """Refuse a folder with anything but an earlier one of its kind, as it was written."""
    strangers = _strangers(out, work)
    listed = _listed(out / work.manifest)
    if strangers or listed is None:
        what = ", ".join(strangers) if strangers else f"files that no {work.what} left there"
        raise UsageError(
            found=f"the folder {out} is not empty: it holds {what}",
            expected=f"a folder that is new, empty, or holds an earlier {work.what} and nothing "
            "else",
            remedy="give another folder, move these files away, or replace the whole folder "
            "with --force",
        )
    _check_untouched(out, listed, work)


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


def as_written(folder: Path) -> bool:
    """Whether a folder holds what this program wrote into it, and nobody worked in it since."""
    for path in sorted(folder.glob("*.json")):
        listed = _listed(path)
        if listed is not None:
            return _touched(folder, listed, path.name) is None
    return False


def _check_untouched(out: Path, listed: Mapping[str, str], work: Work) -> None:
    """Refuse an earlier folder in which somebody has worked since."""
    name = _touched(out, listed, work.manifest)
    if name is None:
        return
    what = f"{name}, which was changed after the {work.what} was written"
    if name not in listed:
        what = f"{name}, which the {work.what} did not write"
    raise UsageError(
        found=f"the {work.what} in {out} holds {what}",
        expected=f"an earlier {work.what} as it was written, when it is to be replaced",
        remedy=f"give another folder, move {name} away, or replace the whole folder with --force",
    )


def _touched(folder: Path, listed: Mapping[str, str], manifest: str) -> str | None:
    """Return the first file that is not as the manifest lists it."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_dir() or name == manifest or _CHECKPOINTS in name.split("/"):
            continue
        if name not in listed or hash_file(folder, name).sha256 != listed[name]:
            return name
    return None


@contextmanager
def place(
    out: Path, work: Work, *, force: bool = False, inputs: Collection[Path] = ()
) -> Iterator[Path]:
    """Give a working folder whose files become those of `out` when the block ends well.

    An earlier one stays untouched until the new one is whole; when the block fails, nothing is
    left of it.

    Parameters
    ----------
    out : Path
        The folder it is to become.
    work : Work
        What is to be written.
    force, inputs
        As in `check_place`.

    Yields
    ------
    Path
        An empty folder on the same disk, under the same name.

    Raises
    ------
    UsageError
        When nothing can be written beside `out`, and as `check_place`.
    """
    check_place(out, work, force=force, inputs=inputs)
    out = out.resolve()
    with ExitStack() as stack:
        try:
            out.parent.mkdir(parents=True, exist_ok=True)
            new = stack.enter_context(working_folder(out.parent))
        except OSError as error:
            raise UsageError(
                found=f"nothing can be written in {out.parent}: {error.strerror}",
                expected="a folder in which this user may write",
                remedy="give another folder",
            ) from error
        yield new
        put_in_place(new, out=out)
