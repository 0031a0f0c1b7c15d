"""The sections of the report, in their order; another analysis joins by a line of its own here."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.answer import ANSWER
from silagetrial.report.sections.checks import RESIDUALS, WITNESSES
from silagetrial.report.sections.closing import CAUTIONS, METHODS, PAPER, REFERENCES, RERUN, SYMBOLS
from silagetrial.report.sections.comparison import BUTYRIC, FURTHER, LOSS
from silagetrial.report.sections.measured import MEASURED
from silagetrial.report.sections.model import MODEL
from silagetrial.report.sections.opened import OPENED
from silagetrial.report.sections.section import Cell, Section
from silagetrial.report.sections.trial import TRIAL

__all__ = ["SECTIONS", "Cell", "Section"]

SECTIONS: Final = (
    ANSWER,
    TRIAL,
    MEASURED,
    BUTYRIC,
    LOSS,
    FURTHER,
    OPENED,
    MODEL,
    WITNESSES,
    RESIDUALS,
    METHODS,
    SYMBOLS,
    PAPER,
    REFERENCES,
    CAUTIONS,
    RERUN,
)
