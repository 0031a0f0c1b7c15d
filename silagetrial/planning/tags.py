"""Tags for the bales: a number that can be read from a tractor, and the same number as a QR code.

A tag never shows the binding, nor the opening drawn: whoever handles the bale need not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any, Final

import segno

from silagetrial.display.page import STYLE, page
from silagetrial.display.phrases import block_word
from silagetrial.planning.forms import cautions_block
from silagetrial.planning.layout import Layout

__all__ = ["qr_code", "tag_page"]

TAG_STYLE: Final = (
    STYLE
    + """
.st-tags { display: grid; grid-template-columns: 1fr 1fr; border: 1px dashed #777;
  margin-bottom: 1.5rem; break-after: page; }
.st-tag { border: 1px dashed #777; padding: 6mm; height: 140mm; display: grid; overflow: hidden;
  grid-template-rows: auto 1fr auto; text-align: center; break-inside: avoid; }
.st-tag .st-number { font-size: var(--size); font-weight: 800; line-height: 1.05;
  letter-spacing: -0.01em; white-space: nowrap; }
.st-tag .st-qr { align-self: center; }
.st-tag .st-qr svg { width: 56mm; height: 56mm; }
.st-tag .st-small { font-size: 12pt; line-height: 1.3; overflow-wrap: anywhere; }
.st-screen { max-width: 46rem; }
@media screen and (max-width: 50rem) {
  .st-tags { grid-template-columns: 1fr; }
  .st-tag .st-number { font-size: calc(0.7 * var(--size)); }
}
@page { size: A4; margin: 5mm; }
@media print {
  h1 { font-size: 12pt; margin: 0; }
  .st-first { break-after: page; padding: 10mm; }
  .st-last { padding: 10mm; }
  .st-tags { margin: 0; }
}
"""
)

_ON_A_PAGE: Final = 4
_WIDTH_MM: Final = 84.0
"""Room for the number across a tag."""


def tag_page(layout: Layout) -> str:
    """Return the tags of all bales, four an A4 page, in the order of baling.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    str
        One self-contained page of HTML: how to make the tags last first, the cautions at the end.
    """
    rows = layout.bales.to_dict("records")
    word = block_word(layout.plan.settings.compare)
    tags = [_tag(row, word) for row in rows]
    sheets = "".join(
        f'<div class="st-tags">\n{"".join(tags[n : n + _ON_A_PAGE])}</div>\n'
        for n in range(0, len(tags), _ON_A_PAGE)
    )
    first = (
        '<div class="st-first">\n'
        "<p>Print the tags on weatherproof film or laminate them, cut them apart, and fix one to "
        "each bale as soon as it is wrapped, on the film and not through it; write the number on "
        "the film with a marker as well. The code holds the number of the bale and nothing else."
        "</p></div>\n"
    )
    last = f'<div class="st-last">\n{cautions_block(level=2)}</div>\n'
    return page(f"Tags: {layout.plan.settings.title}", first + sheets + last, style=TAG_STYLE)


def _tag(row: Mapping[Any, Any], word: str) -> str:
    bale = str(row["bale"])
    # A bold capital is up to 0.85 as wide as the letters are high, a digit 0.7.
    size = min(42.0, _WIDTH_MM / (0.78 * len(bale)))
    return (
        '<div class="st-tag">\n'
        f'<div class="st-number" style="--size:{size:.1f}mm">{escape(bale)}</div>\n'
        f'<div class="st-qr">{qr_code(bale)}</div>\n'
        f'<div class="st-small">{escape(str(row["site"]))}<br>{word} {escape(str(row["pair"]))}'
        "</div>\n</div>\n"
    )


def qr_code(text: str) -> str:
    """Return a QR code as inline SVG, with the highest error correction: a tag gets dirty.

    Parameters
    ----------
    text : str
        What the code holds.

    References
    ----------
    ISO/IEC 18004:2024, QR code bar code symbology specification (error correction level H).
    """
    code = segno.make(text, error="h", micro=False, boost_error=False)
    drawn = code.svg_inline(scale=4, border=4, omitsize=True, dark="#000", light="#fff")
    label = escape(f"QR code of {text}", quote=True)
    return str(drawn).replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)
