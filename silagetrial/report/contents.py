"""What a report folder holds: the names of its files."""

from __future__ import annotations

from typing import Final

__all__ = [
    "DATA",
    "FIGURES",
    "HTML",
    "MANIFEST",
    "NAMES",
    "NOTEBOOK",
    "PDF",
    "RESULTS",
    "TABLES",
]

DATA: Final = "data"
FIGURES: Final = "figures"
HTML: Final = "report.html"
MANIFEST: Final = "manifest.json"
NOTEBOOK: Final = "report.ipynb"
PDF: Final = "report.pdf"
RESULTS: Final = "results.json"
TABLES: Final = "tables"

NAMES: Final = frozenset({DATA, FIGURES, HTML, MANIFEST, NOTEBOOK, PDF, RESULTS, TABLES})
"""All that may lie in the folder itself."""
