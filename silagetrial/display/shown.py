"""How an object shows itself: a few plain lines and tables, the same in terminal and notebook."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from html import escape

from silagetrial.display.block import show_text
from silagetrial.display.table import Table

__all__ = ["ShownInParts"]


class ShownInParts(ABC):
    """Shows what `_parts` returns, as text and as HTML, in place of all fields.

    A dataclass that takes it says ``repr=False``.
    """

    @abstractmethod
    def _parts(self) -> Sequence[str | Table]:
        """Return what is shown: texts, in which each line is a sentence or so, and tables."""

    def __str__(self) -> str:
        """Return the parts as text, a blank line between them."""
        return "\n\n".join(map(_text, self._parts()))

    def __repr__(self) -> str:
        """Return the text, so that a terminal shows it."""
        return str(self)

    def _repr_html_(self) -> str:
        return "\n".join(map(_html, self._parts()))


def _text(part: str | Table) -> str:
    return str(part) if isinstance(part, Table) else "\n".join(map(show_text, part.split("\n")))


def _html(part: str | Table) -> str:
    if isinstance(part, Table):
        return part.to_html()
    return "\n".join(f"<p>{escape(show_text(line))}</p>" for line in part.split("\n"))
