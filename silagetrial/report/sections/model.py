"""The model of each response, and why it is this one."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["MODEL"]


def _numbers(of: str) -> Cell:
    """Tests, variances and units' effects of the response the notebook calls `of`."""
    return Cell(
        f"model-{of}",
        f"display(tables.tests({of}), tables.variances({of}), tables.variance_intervals({of}))\n"
        f"display(tables.sensitivity(trial, {of}), tables.sd_ratios({of}), tables.blups({of}))",
    )


MODEL: Final = Section(
    name="model",
    heading="heading.model",
    uses=("methods", "tables"),
    cells=(
        Cell(
            "model-terms",
            "display(methods.model(butyric), methods.model(loss), tables.terms(analysis))",
        ),
        _numbers("butyric"),
        _numbers("loss"),
    ),
)
