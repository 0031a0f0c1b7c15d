"""What was seen beside the laboratory."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["OPENED"]

OPENED: Final = Section(
    name="opened",
    heading="heading.opened",
    uses=("tables",),
    cells=(
        Cell(
            "opened-seen",
            "display(tables.mould(trial), tables.at_air(trial), tables.temperatures(trial))",
        ),
    ),
)
