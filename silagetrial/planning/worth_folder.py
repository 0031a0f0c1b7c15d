"""The page of a plan, its pictures and their data as files."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Final

from silagetrial.display.block import Picture
from silagetrial.display.place import WRITER, Work, check_place, hash_file, place
from silagetrial.planning.worth import Worth

__all__ = ["PAGE", "PICTURES", "check_worth_place", "write_folder", "write_worth"]

PAGE: Final = "worth.html"
_TEXT: Final = "worth.txt"
_MANIFEST: Final = "worth_files.json"
PICTURES: Final = "pictures"
_WORK: Final = Work("page", _MANIFEST, frozenset({PAGE, _TEXT, PICTURES, _MANIFEST}))


def check_worth_place(
    out: str | Path, *, force: bool = False, inputs: Collection[Path] = ()
) -> None:
    """Refuse a folder for the page before the work is done; see `check_place`."""
    check_place(Path(out), _WORK, force=force, inputs=inputs)


def write_worth(
    found: Worth, out: str | Path, *, force: bool = False, inputs: Collection[Path] = ()
) -> tuple[Path, ...]:
    """Write the page as HTML and as text, and each picture as PNG, SVG and CSV.

    Parameters
    ----------
    found : Worth
    out : str or pathlib.Path
        The folder to write: new, empty, or an earlier one as it was written, which is replaced.
    force, inputs
        As in `check_place`.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the order of their paths.

    Raises
    ------
    UsageError
        As `check_place`.
    """
    texts = {PAGE: found.to_html(), _TEXT: str(found)}
    return write_folder(out, _WORK, texts, found.charts, force=force, inputs=inputs)


def write_folder(
    out: str | Path,
    kind: Work,
    texts: Mapping[str, str],
    charts: Mapping[str, Picture],
    *,
    force: bool = False,
    inputs: Collection[Path] = (),
) -> tuple[Path, ...]:
    """Write texts, pictures and the list of both into a folder, whole or not at all.

    Parameters
    ----------
    out : str or pathlib.Path
        New, empty, or an earlier folder of this kind as it was written, which is replaced.
    kind : Work
        What the folder may hold, and the name of its list.
    texts : mapping of str to str
        File name to content.
    charts : mapping of str to Picture
    force, inputs
        As in `check_place`.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the order of their paths.

    Raises
    ------
    UsageError
        As `check_place`.
    """
    target = Path(out)
    with place(target, kind, force=force, inputs=inputs) as work:
        for name, text in texts.items():
            (work / name).write_text(text, encoding="utf-8", newline="\n")
        _write_charts(work, charts)
        _write_manifest(work, kind.manifest)
    return tuple(sorted(path for path in target.rglob("*") if path.is_file()))


def _write_charts(work: Path, charts: Mapping[str, Picture]) -> None:
    """Write each picture as PNG, SVG and CSV."""
    pictures = work / PICTURES
    pictures.mkdir()
    for name, chart in charts.items():
        for ending, content in chart.files().items():
            (pictures / f"{name}.{ending}").write_bytes(content)


def _write_manifest(work: Path, name: str) -> None:
    """List every file of a folder with its hash in the file of this name."""
    names = sorted(p.relative_to(work).as_posix() for p in work.rglob("*") if p.is_file())
    outputs = [vars(hash_file(work, each)) for each in names]
    content = {"written_by": WRITER, "inputs": [], "outputs": outputs}
    (work / name).write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8", newline="\n")
