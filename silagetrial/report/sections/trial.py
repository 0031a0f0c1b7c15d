"""The trial as it was made: design, plan, what is missing, days in storage, warnings."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["TRIAL"]

TRIAL: Final = Section(
    name="trial",
    heading="heading.trial",
    uses=("figures", "methods", "plan_kept", "tables"),
    cells=(
        Cell(
            "trial-design",
            "display(methods.design(trial), tables.held_equal(trial), tables.bales(trial))",
        ),
        Cell("trial-plan", "display(plan_kept.sentence(analysis), plan_kept.points(analysis))"),
        Cell("trial-left-out", "display(tables.left_out(analysis))"),
        Cell(
            "trial-storage",
            "display(figures.days(analysis), tables.storage(analysis))",
            stage="drawing the days in storage",
        ),
        Cell("trial-warnings", "display(tables.warnings(trial))"),
    ),
)
