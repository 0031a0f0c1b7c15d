"""What speaks for or against the model: its witnesses and its residuals."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["RESIDUALS", "WITNESSES"]


def _witnesses(of: str) -> Cell:
    """The paired t and statsmodels beside the response the notebook calls `of`."""
    return Cell(
        f"witnesses-{of}",
        f"display(methods.witnesses(trial, {of}), tables.exact(trial, {of}))\n"
        f"display(tables.witness({of}))",
    )


WITNESSES: Final = Section(
    name="witnesses",
    heading="heading.witnesses",
    uses=("methods", "tables"),
    cells=(_witnesses("butyric"), _witnesses("loss")),
)

RESIDUALS: Final = Section(
    name="residuals",
    heading="heading.residuals",
    uses=("figures",),
    cells=(
        Cell(
            "residual-figures",
            "display(figures.residuals(trial, butyric), figures.residuals(trial, loss))",
            stage="drawing the residual checks",
        ),
    ),
)
