"""Forms to print: what is known stands on grey, what is to be written has a white box."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any, Final

from silagetrial.data.draft import is_given
from silagetrial.display.cautions import cautions, deferral
from silagetrial.display.page import STYLE, scrolling

__all__ = [
    "FORM_STYLE",
    "SIGNED",
    "Head",
    "Row",
    "cautions_block",
    "form",
    "form_table",
    "in_words",
    "rules",
    "section",
]

Row = dict[Any, Any]

FORM_STYLE: Final = (
    STYLE
    + """
:root { --width: 72rem; }
section { break-before: page; }
section:first-of-type { break-before: auto; }
.st-form { border-collapse: collapse; width: 100%; margin: 0.6rem 0 1rem; font-size: 0.85rem; }
.st-form tfoot td { border: 0; height: auto; font-size: 0.85em; color: var(--quiet); }
h3 { font-size: 1rem; margin: 0.8rem 0 0.2rem; }
.st-form th, .st-form td { border: 1px solid var(--quiet); padding: 0.2rem 0.35rem;
  text-align: left; }
.st-form th { background: var(--head); vertical-align: bottom; line-height: 1.2; }
.st-form th small { display: block; font-weight: 400; color: var(--quiet); font-size: 0.72em; }
.st-form td { height: 2rem; }
.st-form td.st-given { background: var(--soft); }
.st-form td.st-big { font-size: 1.25rem; font-weight: 700; white-space: nowrap; }
.st-form tr.st-apart td { border-top: 2.5px solid var(--ink); }
.st-rules { margin: 0.3rem 0; padding-left: 1.2rem; font-size: 0.85rem; }
.st-rules li { max-width: none; }
.st-cautions { border: 2px solid var(--quiet); padding: 0.4rem 0.8rem; margin-top: 1rem;
  font-size: 0.78rem; columns: 2; column-gap: 1.5rem; break-inside: avoid; }
@media (max-width: 40rem) { .st-cautions { columns: 1; } }
.st-cautions h2, .st-cautions h3 { margin: 0 0 0.2rem; font-size: 0.95rem; border: 0; }
.st-cautions p { margin: 0 0 0.3rem; max-width: none; }
.st-sign { margin: 0.4rem 0; font-size: 0.9rem; }
@page { size: A4 landscape; margin: 10mm 9mm 11mm; }
@media print {
  h1 { font-size: 13pt; margin: 0 0 2mm; }
  h2 { font-size: 13pt; margin: 0 0 2mm; }
  h3 { font-size: 9pt; margin: 2mm 0 1mm; }
  .st-form tfoot { display: table-footer-group; }
  .st-form tfoot td { height: auto; }
  .st-form { font-size: 8pt; margin: 1.5mm 0 3mm; }
  .st-form:not(:has(tbody tr:nth-child(11))) { break-inside: avoid; }
  .st-form thead { display: table-header-group; }
  .st-form tr { break-inside: avoid; }
  .st-form td { height: 7.2mm; padding: 0.4mm 1.2mm; }
  .st-form td.st-big { font-size: 12pt; }
  .st-rules { font-size: 8pt; margin: 1mm 0; line-height: 1.3; }
  .st-cautions { font-size: 6.8pt; line-height: 1.25; padding: 1mm 3mm; margin-top: 2mm;
    columns: 3; column-gap: 4mm; }
  .st-cautions p { margin: 0 0 0.6mm; }
  .st-cautions h2, .st-cautions h3 { font-size: 8.5pt; }
  .st-sign { font-size: 9pt; margin: 1.5mm 0; }
}
"""
)


@dataclass(frozen=True)
class Head:
    """A heading of a form.

    Parameters
    ----------
    text : str
        In words, with the unit.
    column : str
        Column of the workbook; empty where the cell is for the paper alone.
    key : str
        Key of the row whose value is printed; empty: the cell is to be filled.
    width : str
        Share of the page, as CSS reads it.
    big : bool
    """

    text: str
    column: str = ""
    key: str = ""
    width: str = "auto"
    big: bool = False


def in_words(heads: Sequence[Head], block: str) -> tuple[Head, ...]:
    """Return headings in which bales made one after another are called what they are: a set."""
    return tuple(replace(head, text=block) if head.text == "pair" else head for head in heads)


def form(caption: str, heads: Sequence[Head], rows: Sequence[Row]) -> str:
    """Return a form: printed cells grey, cells to be filled white; a row may stand apart."""
    top = "".join(_form_heading(head) for head in heads)
    lines = []
    for row in rows:
        cells = "".join(_form_cell(head, row) for head in heads)
        apart = ' class="st-apart"' if row.get("apart") else ""
        lines.append(f"<tr{apart}>{cells}</tr>\n")
    # The foot is repeated on every page that a long form runs over.
    foot = f'<tfoot><tr><td colspan="{len(heads)}">{_FOOT}</td></tr></tfoot>\n'
    foot = foot if len(rows) > _ROWS_A_PAGE else ""
    return form_table(caption, top, "".join(lines), foot=foot)


def form_table(caption: str, top: str, rows: str, *, foot: str = "") -> str:
    """Return the table of a form below its caption, from its cells as HTML."""
    table = (
        f'<table class="st-form">\n<thead><tr>{top}</tr></thead>\n'
        f"{foot}<tbody>\n{rows}</tbody></table>"
    )
    return f"<h3>{escape(caption)}</h3>\n{scrolling(table, name=caption)}"


def _form_heading(head: Head) -> str:
    column = f"<small>{escape(head.column)}</small>" if head.column else ""
    return f'<th scope="col" style="width:{head.width}">{escape(head.text)}{column}</th>'


_FOOT: Final = (
    "Heavy bales, silage gas, spoiled feed: the cautions stand at the end of this sheet. Local "
    "codes, the vet and licensed advice come first."
)
_ROWS_A_PAGE: Final = 10


def _form_cell(head: Head, row: Row) -> str:
    value = row.get(head.key) if head.key else None
    if not is_given(value):
        return "<td></td>"
    names = "st-given st-big" if head.big else "st-given"
    return f'<td class="{names}">{escape(_text(value))}</td>'


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def cautions_block(*, level: int = 3) -> str:
    """Return the cautions as they stand at the end of every sheet, their heading of a level."""
    points = "".join(f"<p>{escape(text)}</p>\n" for text in (*cautions(), deferral()))
    return f'<aside class="st-cautions">\n<h{level}>Cautions</h{level}>\n{points}</aside>\n'


def rules(texts: Iterable[str]) -> str:
    """Return rules as a list; empty texts are left out."""
    return f'<ul class="st-rules">{"".join(f"<li>{escape(t)}</li>" for t in texts if t)}</ul>\n'


def section(heading: str, *parts: str) -> str:
    """Return one sheet: its heading, its parts as they are, the cautions."""
    return f"<section>\n<h2>{escape(heading)}</h2>\n{''.join(parts)}{cautions_block()}</section>\n"


SIGNED: Final = (
    '<p class="st-sign">Day: ______________ &ensp; Weather: ____________________ &ensp; '
    "Written by: ______________________________</p>\n"
)
"""Who wrote a sheet, and when."""
