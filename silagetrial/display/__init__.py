"""How values are shown: tables as text, HTML or CSV, and a self-contained HTML page."""

from silagetrial.display.cells import MISSING
from silagetrial.display.page import STYLE, page
from silagetrial.display.table import Table

__all__ = ["MISSING", "STYLE", "Table", "page"]
