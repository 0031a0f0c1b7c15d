"""What was measured, bale by bale, before any model."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["MEASURED"]

MEASURED: Final = Section(
    name="measured",
    heading="heading.measured",
    uses=("figures", "methods", "tables"),
    cells=(
        Cell(
            "measured-butyric",
            "display(methods.notes(butyric), figures.raw(trial, butyric), tables.found(butyric))\n"
            "display(tables.counts(trial, butyric))",
            stage="drawing what was measured",
        ),
        Cell("measured-loss", "display(figures.raw(trial, loss), tables.found(loss))"),
    ),
)
