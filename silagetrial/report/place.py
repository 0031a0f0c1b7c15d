"""Where a report goes: beside what is there until it is whole, then in its place at once."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from silagetrial.errors import UsageError

__all__ = [
    "DATA",
    "HTML",
    "MANIFEST",
    "NOTEBOOK",
    "RESULTS",
    "WRITER",
    "check_place",
    "report_place",
]

DATA: Final = "data"
HTML: Final = "report.html"
MANIFEST: Final = "manifest.json"
NOTEBOOK: Final = "report.ipynb"
RESULTS: Final = "results.json"
WRITER: Final = "silagetrial"

# A notebook server leaves its checkpoints beside the notebook; they are no work of the user.
_OURS: Final = frozenset({DATA, HTML, MANIFEST, NOTEBOOK, RESULTS, ".ipynb_checkpoints"})


def check_place(out: Path) -> None:
    """Refuse a place where writing a report would lose something.

    Parameters
    ----------
    out : Path
        The folder the report is to become: absent, empty, or an earlier report and nothing else.

    Raises
    ------
    UsageError
        When a file is there, or a folder with anything that is not of an earlier report.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise UsageError(
            found=f"{out} is a file or a link, not a folder",
            expected="a folder that is new, empty, or holds an earlier report",
            remedy="give another folder with --out",
        )
    names = {item.name for item in out.iterdir()} if out.exists() else set()
    if not names:
        return
    strangers = sorted(names - _OURS)
    if strangers or not _is_report(out):
        what = ", ".join(strangers) if strangers else "files that no report left there"
        raise UsageError(
            found=f"the folder {out} is not empty: it holds {what}",
            expected="a folder that is new, empty, or holds an earlier report and nothing else",
            remedy="give another folder with --out, or move these files away",
        )


def _is_report(folder: Path) -> bool:
    path = folder / MANIFEST
    if not path.is_file():
        return False
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return False
    return isinstance(content, dict) and content.get("written_by") == WRITER


@contextmanager
def report_place(out: Path) -> Iterator[Path]:
    """Give a working folder that becomes `out` when the block ends without an error.

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
    out = out.absolute()
    check_place(out)
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
    """Move the finished folder into its place; put the earlier one back if that fails."""
    earlier = out.exists()
    if earlier:
        out.rename(aside)
    try:
        work.rename(out)
    except OSError:
        if earlier:
            aside.rename(out)
        raise
