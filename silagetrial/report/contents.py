"""What a report folder holds: the names of its files."""

from __future__ import annotations

from typing import Final

__all__ = [
    "DATA",
    "FIGURES",
    "HTML",
    "LOOKS",
    "MANIFEST",
    "METHODS",
    "NAMES",
    "NOTEBOOK",
    "PDF",
    "REFERENCES",
    "RESULTS",
    "TABLES",
]

DATA: Final = "data"
FIGURES: Final = "figures"
HTML: Final = "report.html"
LOOKS: Final = "looks.json"
MANIFEST: Final = "manifest.json"
METHODS: Final = "methods.txt"
NOTEBOOK: Final = "report.ipynb"
PDF: Final = "report.pdf"
REFERENCES: Final = "references.bib"
RESULTS: Final = "results.json"
TABLES: Final = "tables"

NAMES: Final = frozenset(
    {
        DATA,
        FIGURES,
        HTML,
        LOOKS,
        MANIFEST,
        METHODS,
        NOTEBOOK,
        PDF,
        REFERENCES,
        RESULTS,
        TABLES,
    }
)
"""All that may lie in the folder itself."""
