"""One self-contained, accessible HTML page: no outside request, ready for print."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from silagetrial.display.language import say

__all__ = ["STYLE", "page", "scrolling"]

STYLE = """\
:root { color-scheme: light; --paper: #ffffff; --ink: #1b1b1b; --quiet: #4d4d4d; --line: #b8b8b8;
  --faint: #e2e2e2; --soft: #f2f2f2; --head: #e4e4e4; --key: #0072b2; --alarm: #d55e00;
  --shade: rgb(0 0 0 / 25%); }
@media screen and (prefers-color-scheme: dark) {
  :root { color-scheme: dark; --paper: #16181b; --ink: #e6e6e3; --quiet: #b5b8bc; --line: #5f646b;
    --faint: #33373c; --soft: #24272b; --head: #2f3338; --key: #6cbcee; --alarm: #f0894a;
    --shade: rgb(255 255 255 / 30%); }
  figure img { background: #fff; padding: 0.5rem; border-radius: 0.25rem; }
}
* { box-sizing: border-box; }
html { font-size: 100%; -webkit-text-size-adjust: 100%; }
body { margin: 0; color: var(--ink); background: var(--paper); line-height: 1.5;
  font-family: system-ui, -apple-system, "Segoe UI", Roboto, "Liberation Sans", sans-serif; }
body > header, body > nav, main { max-width: var(--width, 60rem); margin: 0 auto;
  padding: 0 1.25rem; }
body > header { padding-top: 1.5rem; }
main { padding-bottom: 4rem; }
main:focus { outline: none; }
h1, h2, h3 { line-height: 1.25; margin: 2rem 0 0.6rem; break-after: avoid; }
h1 { font-size: 1.8rem; margin-top: 0.5rem; }
h1, h2, h3, p, li, summary, figcaption { overflow-wrap: break-word; }
h2 { font-size: 1.35rem; border-bottom: 1px solid var(--line); padding-bottom: 0.2rem; }
h3 { font-size: 1.1rem; }
p, li { max-width: 46rem; }
a { color: var(--key); }
a:focus-visible, summary:focus-visible, .st-scroll:focus-visible {
  outline: 3px solid var(--key); outline-offset: 2px; }
.st-skip { position: absolute; left: 0.5rem; top: -4rem; padding: 0.5rem 0.75rem;
  background: var(--paper); }
.st-skip:focus { top: 0.5rem; }
.st-date { color: var(--quiet); margin: -0.2rem 0 1rem; }
.st-contents ol { columns: 2 15rem; column-gap: 1.5rem; padding: 0; margin: 1.2rem 0;
  font-size: 0.95rem; max-width: 46rem; }
.st-contents li { margin-left: 2rem; break-inside: avoid; }
summary { cursor: pointer; width: fit-content; }
img, svg { max-width: 100%; height: auto; }
figure { margin: 1.25rem 0; break-inside: avoid; }
figcaption { color: var(--quiet); font-size: 0.9rem; margin-top: 0.35rem; max-width: 46rem; }
pre { white-space: pre-wrap; overflow-wrap: anywhere; background: var(--soft); padding: 0.75rem;
  font-size: 0.85rem; }
.st-block { margin: 1.25rem 0; }
.st-scroll { overflow-x: auto; background:
  linear-gradient(to right, var(--paper) 40%, transparent) left / 2.5rem 100% no-repeat local,
  linear-gradient(to left, var(--paper) 40%, transparent) right / 2.5rem 100% no-repeat local,
  linear-gradient(to right, var(--shade), transparent) left / 1rem 100% no-repeat scroll,
  linear-gradient(to left, var(--shade), transparent) right / 1rem 100% no-repeat scroll; }
.st-table { border-collapse: collapse; font-size: 0.9rem; font-variant-numeric: tabular-nums; }
.st-table caption { text-align: left; font-weight: 600; padding: 0 0 0.4rem; }
.st-table th, .st-table td { padding: 0.26rem 0.42rem; text-align: left; vertical-align: top;
  border-bottom: 1px solid var(--faint); }
.st-table tbody th { font-weight: normal; }
.st-table thead tr > * { border-bottom: 2px solid var(--ink); vertical-align: bottom; }
.st-table .num { text-align: right; white-space: nowrap; }
.st-table th.num { white-space: normal; min-width: 3rem; }
.st-table .short { white-space: nowrap; }
.st-scroll tbody :is(td, th):not(.num, .short) { min-width: 7rem; }
.st-table tbody tr:last-child > * { border-bottom: 1px solid var(--ink); }
.st-note { color: var(--quiet); font-size: 0.85rem; margin: 0.3rem 0 0; }
@media screen and (max-width: 40rem) {
  .st-scroll tbody :is(td, th):not(.num, .short) { min-width: 9rem; }
  .st-table caption { position: sticky; left: 0; width: calc(100vw - 2.5rem); }
}
@page { size: A4; margin: 16mm 15mm 18mm; }
@media print {
  html { font-size: 10pt; }
  body > header, main { max-width: none; padding: 0; }
  .st-skip, .st-contents { display: none; }
  a { color: inherit; text-decoration: none; }
  .st-scroll { overflow: visible; background: none; }
  .st-table { font-size: 8.5pt; line-height: 1.35; }
  .st-table th, .st-table td { padding: 0.2rem 0.25rem; }
  .st-table th.num { min-width: 0; }
  .st-scroll tbody :is(td, th):not(.num, .short) { min-width: 4.6rem; }
  .st-table thead { display: table-header-group; }
  .st-table tr { break-inside: avoid; }
  .st-note, figcaption { break-before: avoid; }
  p, li { orphans: 3; widows: 3; }
}
"""
"""The one style sheet of every page; texts keep a contrast of 4.5 to 1 or more; print is light.

The dark palette is for screens that ask for one; pictures are white cards in it."""

# The policy makes "no outside request" a property the browser enforces, not only a habit of ours.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:"
_MAIN = "main-part"


def page(
    title: str,
    body_html: str,
    *,
    style: str = STYLE,
    below_title: str = "",
    contents: Sequence[tuple[str, str]] = (),
) -> str:
    """Return one self-contained HTML5 page.

    Parameters
    ----------
    title : str
        Plain text; it is escaped and becomes both the title and the first heading.
    body_html : str
        HTML of the main part, already escaped where it carries text from data; its headings
        begin with ``h2``.
    style : str
        Style sheet placed in the page.
    below_title : str
        Plain text below the heading, such as the date.
    contents : sequence of (str, str)
        The id and the text of each heading that the page's contents list; none: no list.

    Returns
    -------
    str
        The page, from ``<!DOCTYPE html>`` on: a link that skips to the main part, then header,
        contents and main part as landmarks. A content policy in it forbids every outside request
        and every script.
    """
    safe = escape(title)
    below = f'<p class="st-date">{escape(below_title)}</p>\n' if below_title else ""
    return (
        "<!DOCTYPE html>\n"
        f'<html lang="{escape(say("page.language"))}">\n'
        "<head>\n"
        '<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{safe}</title>\n"
        f"<style>\n{style}</style>\n"
        "</head>\n"
        "<body>\n"
        f'<a class="st-skip" href="#{_MAIN}">{escape(say("page.skip"))}</a>\n'
        f"<header>\n<h1>{safe}</h1>\n{below}</header>\n"
        f"{_contents(contents)}"
        f'<main id="{_MAIN}" tabindex="-1">\n'
        f"{body_html}\n"
        "</main>\n"
        "</body>\n"
        "</html>\n"
    )


def _contents(headings: Sequence[tuple[str, str]]) -> str:
    """The list of contents, its entries linked to the headings."""
    if not headings:
        return ""
    entries = "".join(
        f'<li><a href="#{escape(anchor)}">{escape(text)}</a></li>\n' for anchor, text in headings
    )
    name = escape(say("page.contents"))
    return f'<nav class="st-contents" aria-label="{name}">\n<ol>\n{entries}</ol>\n</nav>\n'


def scrolling(table_html: str, *, name: str) -> str:
    """Return a table in a frame of its own, in which it scrolls where the page is narrower.

    Parameters
    ----------
    table_html : str
        The ``table`` element.
    name : str
        Plain text: what the table is, told to those who reach the frame with the keyboard, from
        where the arrow keys scroll it.

    Returns
    -------
    str
        A ``div`` of class ``st-scroll``.
    """
    return (
        f'<div class="st-scroll" role="group" aria-label="{escape(name)}" tabindex="0">\n'
        f"{table_html}\n</div>\n"
    )
