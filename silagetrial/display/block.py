"""The two things a report shows besides tables: prose and pictures; every text is escaped."""

from __future__ import annotations

import base64
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Final, Literal, Protocol

import pandas as pd

from silagetrial.display.table import Table

__all__ = ["Folded", "Linked", "Picture", "Prose", "show_text", "unbroken"]

Kind = Literal[
    "text",
    "list",
    "steps",
    "title",
    "question",
    "answer",
    "refusal",
    "formula",
    "symbols",
    "paper",
]

_LISTS: Final = ("list", "steps", "symbols")
_WIDTH = 88
_PIXELS_PER_INCH = 96

_LOWERED: Final = re.compile(r"_([A-Za-z0-9]+)")
"""What stands below the line in a formula: ``y_ijk``."""

_TOGETHER: Final = re.compile(r"(?<=\d) (?=%)|(?<=\bp) (?=[=<>] \d)|(?<=[=<>]) (?=\d)")
"""Spaces at which a line must not end: in ``95 %``, ``p = 0.012`` and ``> 0.999``."""


@dataclass(frozen=True, repr=False)
class Prose:
    """Sentences, shown as text in a terminal and as HTML in a notebook.

    Parameters
    ----------
    lines : tuple of str
        Plain text: paragraphs, or the points of a list. Nothing in it is read as markup.
    kind : {"text", "list", "steps", "title", "question", "answer", "refusal", "formula", "symbols",
        "paper"}
        Paragraphs, a list of points, a numbered list, a heading, or paragraphs set apart as the
        question, as the answer, as the reason why there is none, or as text for a paper. In a
        formula, and in a list of symbols up to the colon behind each, letters after ``_`` stand
        below the line: no text of the data has a place there.
    """

    lines: tuple[str, ...]
    kind: Kind = "text"

    def __repr__(self) -> str:
        """Return the plain text, wrapped."""
        if self.kind in _LISTS:
            marks = [f"{k}. " if self.kind == "steps" else "- " for k in _count(self.lines)]
            return "\n".join(
                textwrap.fill(
                    show_text(line), _WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark)
                )
                for mark, line in zip(marks, self.lines, strict=True)
            )
        return "\n\n".join(textwrap.fill(show_text(line), _WIDTH) for line in self.lines)

    def _repr_html_(self) -> str:
        texts = [escape(unbroken(show_text(line))) for line in self.lines]
        if self.kind == "formula":
            return "\n".join(f'<p class="st-formula">{_lowered(text)}</p>' for text in texts)
        if self.kind == "symbols":
            parted = [text.partition(":") for text in texts]
            texts = [f"{_lowered(symbol)}{colon}{words}" for symbol, colon, words in parted]
        if self.kind in _LISTS:
            tag = "ol" if self.kind == "steps" else "ul"
            return f"<{tag}>" + "".join(f"<li>{text}</li>" for text in texts) + f"</{tag}>"
        if self.kind == "title":
            return "".join(f"<h1>{text}</h1>" for text in texts)
        paragraphs = "\n".join(f"<p>{text}</p>" for text in texts)
        if self.kind == "text":
            return paragraphs
        return f'<div class="st-{self.kind}">\n{paragraphs}\n</div>'


class _Shows(Protocol):
    """What a notebook can show as HTML."""

    def _repr_html_(self) -> str: ...


@dataclass(frozen=True, repr=False)
class Folded:
    """Something few readers want, shown on the page when it is asked for.

    Parameters
    ----------
    title : str
        What it is, shown in its place.
    content : Table or Prose
    """

    title: str
    content: _Shows

    def __repr__(self) -> str:
        """Return the content as text."""
        return str(self.content)

    def _repr_html_(self) -> str:
        return (
            f'<details class="st-more"><summary>{escape(show_text(self.title))}</summary>\n'
            f"{self.content._repr_html_()}\n</details>"
        )


@dataclass(frozen=True, repr=False)
class Picture:
    """A drawn figure with its caption and its message in words.

    Parameters
    ----------
    png : bytes
        The image.
    svg : bytes
        The same as lines and outlines.
    data : pandas.DataFrame
        Every value drawn, at full precision, with headings that name the unit.
    alt : str
        What the figure says, in numbers, for a reader who does not see it.
    caption : str
        What is drawn, shown below the figure.
    inches : float
        Width in print.
    name : str
        Name of its files, without an ending; empty where it is not written to any.
    """

    png: bytes
    svg: bytes
    data: pd.DataFrame = field(compare=False)
    alt: str
    caption: str
    inches: float
    name: str = ""

    def __repr__(self) -> str:
        """Return caption and message in words."""
        text = f"Figure: {show_text(self.caption)} {show_text(self.alt)}"
        return textwrap.fill(text, _WIDTH)

    def _repr_mimebundle_(self, **_: object) -> dict[str, str]:
        """Return one HTML figure, and beside it the PNG for tools that take no HTML."""
        return {
            "text/html": self._repr_html_(),
            "image/png": base64.b64encode(self.png).decode("ascii"),
            "text/plain": repr(self),
        }

    def files(self) -> dict[str, bytes]:
        """Return the picture as PNG and SVG and its data as CSV, by the ending of the file."""
        return {
            "png": self.png,
            "svg": self.svg,
            "csv": Table(self.data).to_csv().encode("utf-8"),
        }

    def _repr_html_(self) -> str:
        data = base64.b64encode(self.png).decode("ascii")
        return (
            '<figure class="st-figure">\n'
            f'<img src="data:image/png;base64,{data}" alt="{escape(show_text(self.alt))}" '
            f'width="{self.inches * _PIXELS_PER_INCH:.0f}">\n'
            f"<figcaption>{escape(unbroken(show_text(self.caption)))}</figcaption>\n</figure>"
        )


@dataclass(frozen=True, repr=False)
class Linked:
    """A table or a picture with the files that lie beside the page.

    Parameters
    ----------
    content : Table, Picture or Folded
    files : mapping of str to str
        What a link says to the file's path from the page, with ``/``.
    """

    content: _Shows
    files: Mapping[str, str]

    def __repr__(self) -> str:
        """Return the content as text."""
        return str(self.content)

    def _repr_mimebundle_(self, **_: object) -> dict[str, str]:
        """Return the HTML with its links, and beside it the picture for tools without HTML."""
        bundle = {"text/html": self._repr_html_(), "text/plain": repr(self)}
        if isinstance(self.content, Picture):
            bundle["image/png"] = base64.b64encode(self.content.png).decode("ascii")
        return bundle

    def _repr_html_(self) -> str:
        links = "\n".join(
            f'<a href="{escape(path)}">{escape(words)}</a>' for words, path in self.files.items()
        )
        html = self.content._repr_html_()
        # Inside the caption, the table's block or what is folded: they belong together.
        end = html.rindex("</figcaption>" if isinstance(self.content, Picture) else "</")
        return f'{html[:end]}<span class="st-files">{links}</span>{html[end:]}'


def show_text(text: str) -> str:
    """Turn white space into spaces and mark what cannot be printed, such as control characters."""
    return "".join(_shown(char) for char in text)


def unbroken(text: str) -> str:
    """Put no-break spaces where a line must not end."""
    return _TOGETHER.sub("\N{NO-BREAK SPACE}", text)


def _lowered(escaped: str) -> str:
    """Set indices below the line."""
    return _LOWERED.sub(r"<sub>\1</sub>", escaped)


def _shown(char: str) -> str:
    if char.isspace():
        return " "
    return char if char.isprintable() else "\N{REPLACEMENT CHARACTER}"


def _count(lines: tuple[str, ...]) -> range:
    return range(1, len(lines) + 1)
