"""The notebook's source: the report's sections in order, as text that calls and does not compute.

Nothing of a trial ever enters the source: titles, names and numbers come out of ``data/`` when
the notebook runs, so that a text in the data can never become code.
"""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Sequence
from typing import Final

import jupytext
from nbformat import NotebookNode

from silagetrial.display.language import say
from silagetrial.report.sections import SECTIONS, Cell, Section

__all__ = ["STAGES", "report_notebook", "source_of"]

_ALWAYS: Final = ("looks", "words")
"""Modules that the first cells use themselves."""

_READ: Final = """\
# %% id="read" tags=["only-in-notebook"]
from silagetrial import analyse, read_trial
from silagetrial.report import (
{modules}
)
from silagetrial.report.shelf import display

trial = read_trial("data")
log = looks.read_log()
words.heading(trial, log)
"""

_ANALYSE: Final = Cell(
    "analyse",
    "analysis = analyse(trial)\n"
    'butyric = analysis["butyric_acid"]\n'
    'loss = analysis["dm_loss"]\n'
    "display(looks.notice(trial, log), words.question(trial))",
    stage="fitting the models and checking them another way",
)

STAGES: Final = {
    "read": "starting the notebook",
    **{
        cell.name: cell.stage
        for cell in (_ANALYSE, *(cell for section in SECTIONS for cell in section.cells))
        if cell.stage
    },
}
"""What is told while a cell runs; of the other cells, which take no time, nothing is."""


def source_of(sections: Sequence[Section] = SECTIONS) -> str:
    """Return the notebook as percent-format text; every cell names its id.

    Parameters
    ----------
    sections : sequence of Section
        In the order of the report.
    """
    used = sorted({*_ALWAYS, *(name for section in sections for name in section.uses)})
    modules = textwrap.indent(textwrap.fill(f"{', '.join(used)},", 76), " " * 4)
    parts = [_READ.format(modules=modules), _cell(_ANALYSE)]
    for section in sections:
        title = f"{'#' * section.level} {say(section.heading)}"
        parts.append(f'# %% [markdown] id="{section.name}"\n# {title}\n')
        parts += [_cell(cell) for cell in section.cells]
    return "\n".join(parts)


def _cell(cell: Cell) -> str:
    return f'# %% id="{cell.name}"\n{cell.source}\n'


def report_notebook(*, date: dt.date | None = None, source: str | None = None) -> NotebookNode:
    """Return the notebook, not yet run.

    Parameters
    ----------
    date : datetime.date, optional
        The date shown on the page; it is kept in the notebook's metadata.
    source : str, optional
        Percent-format text in which every cell gives its ``id``; by default the report's.

    Returns
    -------
    NotebookNode
        The same for the same source and date: cell ids are those of the source.
    """
    text = source_of() if source is None else source
    notebook: NotebookNode = jupytext.reads(text, fmt="py:percent")
    for cell in notebook.cells:
        cell.id = cell.metadata["id"]
        kept = {name: value for name, value in cell.metadata.items() if name == "tags"}
        cell.metadata.clear()
        cell.metadata.update(kept)
    notebook.metadata.clear()
    notebook.metadata.update(
        kernelspec={"name": "python3", "display_name": "Python 3", "language": "python"},
        silagetrial={"date": None if date is None else date.isoformat()},
    )
    return notebook
