"""The page of a plan, its pictures and their data as files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from silagetrial.display.place import WRITER, Work, check_place, hash_file, place
from silagetrial.display.table import Table
from silagetrial.planning.figures import Chart
from silagetrial.planning.worth import Worth

__all__ = ["PAGE", "PICTURES", "write_charts", "write_manifest", "write_worth"]

PAGE: Final = "worth.html"
_TEXT: Final = "worth.txt"
_MANIFEST: Final = "worth_files.json"
PICTURES: Final = "pictures"
_WORK: Final = Work("page", _MANIFEST, frozenset({PAGE, _TEXT, PICTURES, _MANIFEST}))


def write_worth(found: Worth, out: str | Path) -> tuple[Path, ...]:
    """Write the page as HTML and as text, and each picture as PNG, SVG and CSV.

    Parameters
    ----------
    found : Worth
    out : str or pathlib.Path
        The folder to write: new, empty, or an earlier one as it was written, which is replaced.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the order of their paths.

    Raises
    ------
    UsageError
        When `out` holds something else.
    """
    target = Path(out)
    check_place(target, _WORK)
    with place(target, _WORK) as work:
        (work / PAGE).write_text(found.to_html(), encoding="utf-8", newline="\n")
        (work / _TEXT).write_text(str(found), encoding="utf-8", newline="\n")
        write_charts(work, found.charts)
        write_manifest(work, _MANIFEST)
    return tuple(sorted(path for path in target.rglob("*") if path.is_file()))


def write_charts(work: Path, charts: Mapping[str, Chart]) -> None:
    """Write each picture as PNG, SVG and CSV."""
    pictures = work / PICTURES
    pictures.mkdir()
    for name, chart in charts.items():
        (pictures / f"{name}.png").write_bytes(chart.picture.png)
        (pictures / f"{name}.svg").write_bytes(chart.svg)
        data = Table(chart.data).to_csv()
        (pictures / f"{name}.csv").write_text(data, encoding="utf-8", newline="\n")


def write_manifest(work: Path, name: str) -> None:
    """List every file of a folder with its hash in the file of this name."""
    names = sorted(p.relative_to(work).as_posix() for p in work.rglob("*") if p.is_file())
    outputs = [vars(hash_file(work, each)) for each in names]
    content = {"written_by": WRITER, "inputs": [], "outputs": outputs}
    (work / name).write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8", newline="\n")
