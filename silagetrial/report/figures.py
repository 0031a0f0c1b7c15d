"""What the report draws; each figure is one panel, one column of print wide."""

from __future__ import annotations

from silagetrial.report.figures_answer import answer
from silagetrial.report.figures_comparison import comparison
from silagetrial.report.figures_curve import curve
from silagetrial.report.figures_days import days
from silagetrial.report.figures_means import means
from silagetrial.report.figures_raw import raw
from silagetrial.report.figures_residuals import residuals

__all__ = ["answer", "comparison", "curve", "days", "means", "raw", "residuals"]
