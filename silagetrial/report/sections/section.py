"""What a section of the report is: a heading and the cells below it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Cell", "Section"]


@dataclass(frozen=True)
class Cell:
    """A cell of the notebook.

    Parameters
    ----------
    name : str
        Its id.
    source : str
        Code that calls and does not compute. It knows ``trial``, ``analysis``, ``butyric`` and
        ``loss`` (their analyses), ``log`` (looks before the end), ``display``, and the modules
        its section uses.
    stage : str
        What is told while it runs; empty for cells that take no time.
    """

    name: str
    source: str
    stage: str = ""


@dataclass(frozen=True)
class Section:
    """A part of the report; on the page it appears where one of its cells shows something.

    Parameters
    ----------
    name : str
        Id of its heading.
    heading : str
        Name of its text in the file of the language: ``heading.answer``.
    cells : tuple of Cell
    uses : tuple of str
        Modules of `silagetrial.report` that its cells call.
    level : int
        Level of the heading; one of a higher number belongs to the section before it.
    """

    name: str
    heading: str
    cells: tuple[Cell, ...]
    uses: tuple[str, ...] = ()
    level: int = 2
