"""How values are shown: tables as text, HTML or CSV, and a self-contained HTML page."""

from silagetrial.display.page import STYLE, page
from silagetrial.display.table import MISSING, Table

__all__ = ["MISSING", "STYLE", "Table", "page"]
