"""What a report shows is also laid beside it: figures as PNG, SVG and CSV, tables as CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, TypeAlias

from IPython.display import display as show

from silagetrial.display import Table
from silagetrial.display.block import Folded, Linked, Picture, Prose
from silagetrial.report.contents import FIGURES, TABLES

__all__ = ["Shown", "display"]

_publish: Final[Callable[[object], None]] = show

Shown: TypeAlias = Prose | Table | Picture | Folded
"""What a section shows."""


def display(*shown: Shown | Iterable[Shown]) -> None:
    """Show things in a notebook, and write the files of figures and tables beside it.

    Parameters
    ----------
    *shown : Prose, Table, Picture, Folded, or several of them
        A picture with a name is written as ``figures/NAME.png``, ``.svg`` and ``.csv`` in the
        working folder, a table with one as ``tables/NAME.csv``; both are shown with links there.
    """
    for item in shown:
        for one in [item] if isinstance(item, Shown) else item:
            files = _files(one)
            for path, content in files.items():
                Path(path).parent.mkdir(exist_ok=True)
                Path(path).write_bytes(content)
            _publish(Linked(one, _links(files)) if files else one)


def _files(item: Shown) -> dict[str, bytes]:
    """Files of one thing shown, by their path from the page."""
    inside = item.content if isinstance(item, Folded) else item
    if isinstance(inside, Picture) and inside.name:
        return {f"{FIGURES}/{inside.name}.{k}": content for k, content in inside.files().items()}
    if isinstance(inside, Table) and inside.name:
        return {f"{TABLES}/{inside.name}.csv": inside.to_csv().encode("utf-8")}
    return {}


def _links(files: Iterable[str]) -> dict[str, str]:
    """What each file is called on the page: by its ending, in capitals."""
    return {path.rpartition(".")[2].upper(): path for path in files}
