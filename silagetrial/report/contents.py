"""What a report folder holds: the names of its files."""

from __future__ import annotations

from typing import Final

__all__ = [
    "DATA",
    "HTML",
    "MANIFEST",
    "NOTEBOOK",
    "RESULTS",
]

DATA: Final = "data"
HTML: Final = "report.html"
MANIFEST: Final = "manifest.json"
NOTEBOOK: Final = "report.ipynb"
RESULTS: Final = "results.json"
