"""Where a report goes: beside what is there until it is whole, then in its place at once."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from silagetrial.errors import UsageError
from silagetrial.report.contents import (
    DATA,
    HTML,
    MANIFEST,
    NOTEBOOK,
    RESULTS,
    WRITER,
    hash_file,
)

__all__ = ["check_place", "report_place"]

# A notebook server leaves its checkpoints beside the notebook; they are no work of the user.
_CHECKPOINTS: Final = ".ipynb_checkpoints"
_OURS: Final = frozenset({DATA, HTML, MANIFEST, NOTEBOOK, RESULTS, _CHECKPOINTS})


def check_place(out: Path) -> None:
    """Refuse a place where writing a report would lose something.

    Parameters
    ----------
    out : Path
        The folder the report is to become: absent, empty, or an earlier report and nothing else.

    Raises
    ------
    UsageError
        When a file is there, or a folder with anything that is not of an earlier report as it
        was written, or when the command runs in a folder inside it.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(
            found=f"{out} is a file or a link, not a folder",
            expected="a folder that is new, empty, or holds an earlier report",
            remedy="give another folder with --out",
        )
    if not out.exists() or not any(out.iterdir()):
        return
    strangers = sorted({item.name for item in out.iterdir()} - _OURS)
    listed = _listed(out)
    if strangers or listed is None:
        what = ", ".join(strangers) if strangers else "files that no report left there"
        raise UsageError(
            found=f"the folder {out} is not empty: it holds {what}",
            expected="a folder that is new, empty, or holds an earlier report and nothing else",
            remedy="give another folder with --out, or move these files away",
        )
    _check_untouched(out, listed)
    if out.resolve() in Path.cwd().parents:
        raise UsageError(
            found=f"the command runs in {Path.cwd()}, inside the report folder to be replaced",
            expected="a report folder that can be replaced",
            remedy=f"run the command in {out.resolve()} or outside it, or give another --out",
        )


def _listed(folder: Path) -> dict[str, str] | None:
    """Files and hashes an earlier report says it wrote; None where none says so."""
    path = folder / MANIFEST
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


def _check_untouched(out: Path, listed: Mapping[str, str]) -> None:
    """Refuse an earlier report in which somebody has worked since."""
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if path.is_dir() or name == MANIFEST or _CHECKPOINTS in name.split("/"):
            continue
        if name not in listed:
            what = f"{name}, which the report did not write"
        elif hash_file(out, name).sha256 != listed[name]:
            what = f"{name}, which was changed after the report was written"
        else:
            continue
        raise UsageError(
            found=f"the report in {out} holds {what}",
            expected="an earlier report as it was written, when it is to be replaced",
            remedy=f"give another folder with --out, or move {name} away",
        )


@contextmanager
def report_place(out: Path) -> Iterator[Path]:
    """Give a working folder whose files become those of `out` when the block ends well.

    An earlier report stays untouched until the new one is whole; when the block fails, nothing
    is left of it.

    Parameters
    ----------
    out : Path
        The folder the report is to become.

    Yields
    ------
    Path
        An empty folder on the same disk, under the same name.

    Raises
    ------
    UsageError
        When nothing can be written beside `out`, and as `check_place`.
    """
    check_place(out)
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
        work = scratch / "new"
        work.mkdir()
        yield work
        _put(work, out=out, aside=scratch / "earlier")
    finally:
        shutil.rmtree(scratch)


def _put(work: Path, *, out: Path, aside: Path) -> None:
    """Move the finished files into their place; put the earlier ones back if that fails.

    A folder that is there stays: a shell, or this process, may stand in it.
    """
    if not out.exists():
        work.rename(out)
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
