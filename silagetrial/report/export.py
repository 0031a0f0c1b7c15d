"""From the executed notebook to one HTML file that asks nothing of the outside."""

from __future__ import annotations

from copy import copy
from typing import Final

from nbconvert.exporters import HTMLExporter
from nbformat import NotebookNode

from silagetrial.display import STYLE, page
from silagetrial.display.language import say

__all__ = ["ONLY_IN_NOTEBOOK", "notebook_html"]

ONLY_IN_NOTEBOOK: Final = "only-in-notebook"
"""Tag of a cell that the page leaves out, because the page says the same in its own heading."""

# Derived from the `basic` template: its blocks are kept where they do not appear here. Results
# come first and the code that made them is folded below; scripts have no place in the page.
_TEMPLATE: Final = """\
{%- extends 'index.html.j2' -%}
{%- block body_header -%}{%- endblock body_header -%}
{%- block any_cell -%}
{%- if 'only-in-notebook' not in cell.metadata.get('tags', []) -%}
{{ super() }}
{%- endif -%}
{%- endblock any_cell -%}
{%- block markdowncell -%}
<div class="st-text" id="{{ cell.id | escape_html }}">
{{ cell.source | markdown2html }}
</div>
{%- endblock markdowncell -%}
{%- block codecell -%}
<div class="st-results">
{{ self.output_group() }}
</div>
<details class="st-code"><summary>{{ resources.code_word | escape_html }}</summary>
<pre><code>{{ cell.source | escape_html }}</code></pre>
</details>
{%- endblock codecell -%}
{%- block output_group -%}{{ self.outputs() }}{%- endblock output_group -%}
{%- block output -%}{{ super.super() }}{%- endblock output -%}
{%- block data_html -%}{{ output.data['text/html'] }}{%- endblock data_html -%}
{%- block data_javascript -%}{%- endblock data_javascript -%}
{%- block footer -%}{%- endblock footer -%}
"""

# In print, fonts of one width (Liberation Sans is made to the measures of Arial), so that page one
# holds the same everywhere.
_STYLE: Final = """\
h2 { margin-top: 3.2rem; }
.st-question { font-size: 1.1rem; color: var(--quiet); }
.st-question p { margin: 0.3rem 0; }
.st-answer { border-left: 4px solid var(--key); padding: 0.1rem 0 0.1rem 1.1rem; margin: 1.2rem 0;
  font-size: 1.08rem; break-inside: avoid; }
.st-answer p { margin: 0.6rem 0; }
.st-refusal { border-left: 4px solid var(--alarm); padding: 0.1rem 0 0.1rem 1.1rem;
  margin: 1.2rem 0; break-inside: avoid; }
.st-formula { font-family: serif; font-style: italic; font-size: 1.1rem; margin: 0.6rem 0; }
.st-formula sub { font-size: 0.75em; }
.st-paper { border-left: 4px solid var(--quiet); padding-left: 1.1rem; margin: 0.6rem 0; }
.st-code { margin: 0.2rem 0 1.2rem; color: var(--quiet); font-size: 0.8rem; }
.st-more { margin: 0.8rem 0 1.2rem; font-size: 0.9rem; }
.st-figure { display: inline-block; vertical-align: top; width: min(100%, 26rem);
  margin: 1rem 1rem 0.5rem 0; }
.st-figure img { width: 100%; }
.st-files { display: block; font-size: 0.8rem; }
.st-files a { margin-right: 0.6rem; }
.st-table th.num { white-space: normal; min-width: 3rem; }
.st-table th, .st-table td { padding: 0.26rem 0.42rem; }
.st-table td:not(.num), .st-table tbody th { min-width: 4.6rem; }
.st-results li { margin: 0.35rem 0; }
.st-results pre { white-space: pre-wrap; }
@page { margin: 12mm 15mm; }
@media print {
  html, body { font-size: 8.5pt; }
  body { line-height: 1.3; font-family: "Liberation Sans", Arial, Helvetica, sans-serif; }
  p, li { max-width: none; }
  h1 { margin: 0; }
  h2 { margin: 1.2rem 0 0.5rem; }
  ul, ol { margin: 0.5rem 0; padding-left: 1.6rem; }
  .st-date { margin: 0; }
  .st-question { font-size: 1rem; margin: 0.5rem 0; }
  .st-question p { margin: 0; }
  .st-answer { font-size: 1.03rem; margin: 0.6rem 0; }
  .st-answer p { margin: 0.3rem 0; }
  .st-results li { margin: 0.12rem 0; }
  .st-code, .st-contents, .st-files { display: none; }
  #trial { break-before: page; }
  .st-block { break-inside: avoid; margin: 0.7rem 0; }
  .st-figure, .st-figure img { width: 85mm; }
  .st-figure { margin: 1mm 3mm 0.5mm 0; }
  figcaption { font-size: 7pt; line-height: 1.25; margin-top: 0; }
  .st-table { font-size: 7.8pt; }
  .st-table th, .st-table td { padding: 0.12rem 0.3rem; }
  .st-table th.num { min-width: 0; }
  .st-table td:not(.num), .st-table tbody th { min-width: 4.6rem; }
  .st-note { font-size: 7.2pt; margin: 0.15rem 0 0; }
}
"""

_PAPER: Final = """\
@page { @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; } }
@media print {
  .st-block:has(tr:nth-child(25)) { break-inside: auto; }
  .st-more::details-content { content-visibility: visible; }
  .st-more > summary { font-weight: 600; list-style: none; break-after: avoid; }
  .st-more:has(caption) > summary { display: none; }
}
"""
"""For sheets: numbered; only a table longer than half of one is parted; what is folded on a screen
stands open, headed by its table's caption where it has one."""


def notebook_html(notebook: NotebookNode, *, title: str) -> str:
    """Return an executed notebook as one self-contained page.

    Parameters
    ----------
    notebook : NotebookNode
        The executed notebook; ``metadata.silagetrial.date`` is shown below the heading when it
        is there.
    title : str
        Plain text; escaped, it becomes the heading and the title of the page.

    Returns
    -------
    str
        An HTML5 page with the code of each cell folded below its results; cells without a
        result to show stay in the notebook.
    """
    exporter = HTMLExporter(  # type: ignore[no-untyped-call]
        template_name="basic", raw_template=_TEMPLATE, exclude_anchor_links=True
    )
    shown = _with_something_to_show(notebook)
    body, _ = exporter.from_notebook_node(shown, {"code_word": say("page.code")})
    date = notebook.metadata.silagetrial.date
    return page(
        title,
        body,
        style=STYLE + _STYLE + _PAPER,
        below_title=say("page.dated", date=date) if date else "",
        contents=_contents(shown),
    )


def _contents(notebook: NotebookNode) -> list[tuple[str, str]]:
    """Id and text of each heading of a section."""
    return [
        (cell.id, cell.source.removeprefix("## "))
        for cell in notebook.cells
        if cell.cell_type == "markdown" and _level(cell) == 2
    ]


def _with_something_to_show(notebook: NotebookNode) -> NotebookNode:
    """The notebook without cells that show nothing, and without headings of nothing."""
    shown = copy(notebook)
    shown.cells = []
    for cell in reversed(notebook.cells):
        heading = cell.cell_type == "markdown"
        below = shown.cells[0] if shown.cells else None
        if heading and (below is None or _level(below) <= _level(cell)):
            continue
        if heading or any(_says_something(output) for output in cell.outputs):
            shown.cells.insert(0, cell)
    return shown


def _level(cell: NotebookNode) -> int:
    """Level of a heading; of what stands under headings, below all of them."""
    if cell.cell_type != "markdown":
        return 9
    return len(cell.source) - len(cell.source.lstrip("#"))


def _says_something(output: NotebookNode) -> bool:
    parts = output.get("data", {"text/plain": output.get("text", "")})
    return any(str(content).strip() for content in parts.values())
