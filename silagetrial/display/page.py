"""One self-contained, accessible HTML page: no outside request, ready for print."""

from __future__ import annotations

from html import escape

__all__ = ["STYLE", "page"]

STYLE = """\
:root { color-scheme: light; --ink: #1b1b1b; --quiet: #4d4d4d; --line: #b8b8b8; --key: #0072b2; }
* { box-sizing: border-box; }
html { font-size: 100%; -webkit-text-size-adjust: 100%; }
body { margin: 0; color: var(--ink); background: #fff; line-height: 1.5;
  font-family: system-ui, -apple-system, "Segoe UI", Roboto, "Liberation Sans", sans-serif; }
main { max-width: 60rem; margin: 0 auto; padding: 1.5rem 1.25rem 4rem; }
h1, h2, h3 { line-height: 1.25; margin: 2rem 0 0.6rem; break-after: avoid; }
h1 { font-size: 1.8rem; margin-top: 0.5rem; }
h2 { font-size: 1.35rem; border-bottom: 1px solid var(--line); padding-bottom: 0.2rem; }
h3 { font-size: 1.1rem; }
p, li { max-width: 46rem; }
a { color: var(--key); }
a:focus-visible, summary:focus-visible { outline: 3px solid var(--key); outline-offset: 2px; }
img, svg { max-width: 100%; height: auto; }
figure { margin: 1.25rem 0; break-inside: avoid; }
figcaption { color: var(--quiet); font-size: 0.9rem; margin-top: 0.35rem; max-width: 46rem; }
pre { overflow-x: auto; background: #f5f5f5; padding: 0.75rem; font-size: 0.85rem; }
.st-block { margin: 1.25rem 0; overflow-x: auto; }
.st-table { border-collapse: collapse; font-size: 0.9rem; font-variant-numeric: tabular-nums; }
.st-table caption { text-align: left; font-weight: 600; padding: 0 0 0.4rem; }
.st-table th, .st-table td { padding: 0.28rem 0.7rem; text-align: left; vertical-align: top;
  border-bottom: 1px solid #e2e2e2; }
.st-table thead th { border-bottom: 2px solid var(--ink); vertical-align: bottom; }
.st-table .num { text-align: right; white-space: nowrap; }
.st-table tbody tr:last-child td { border-bottom: 1px solid var(--ink); }
.st-note { color: var(--quiet); font-size: 0.85rem; margin: 0.3rem 0 0; }
@page { size: A4; margin: 16mm 15mm 18mm; }
@media print {
  body { font-size: 10pt; }
  main { max-width: none; padding: 0; }
  a { color: inherit; text-decoration: none; }
  .st-block { overflow: visible; }
  .st-table { font-size: 8.5pt; line-height: 1.35; }
  .st-table thead { display: table-header-group; }
  .st-table tr { break-inside: avoid; }
  .st-note, figcaption { break-before: avoid; }
  p, li { orphans: 3; widows: 3; }
}
"""
"""The one style sheet of every page and of the report; colours keep at least 4.5:1 on white."""

# The policy makes "no outside request" a property the browser enforces, not only a habit of ours.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:"


def page(title: str, body_html: str, *, style: str = STYLE) -> str:
    """Return one self-contained HTML5 page.

    Parameters
    ----------
    title : str
        Plain text; it is escaped and becomes both the title and the first heading.
    body_html : str
        HTML below the heading, already escaped where it carries text from data.
    style : str
        Style sheet placed in the page.

    Returns
    -------
    str
        The page, from ``<!DOCTYPE html>`` on. A content policy in it forbids every outside
        request and every script.
    """
    safe = escape(title)
    return (
        "<!DOCTYPE html>\n"
        '<html lang="en">\n'
        "<head>\n"
        '<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{safe}</title>\n"
        f"<style>\n{style}</style>\n"
        "</head>\n"
        "<body>\n"
        "<main>\n"
        f"<h1>{safe}</h1>\n"
        f"{body_html}\n"
        "</main>\n"
        "</body>\n"
        "</html>\n"
    )
