"""Page one: the answer, one figure, one table."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["ANSWER"]

ANSWER: Final = Section(
    name="answer",
    heading="heading.answer",
    uses=("box", "cautions", "figures", "tables"),
    cells=(
        Cell(
            "answer-results",
            "display(box.answer(analysis), figures.answer(analysis), tables.answer(analysis))",
            stage="writing the answer",
        ),
        Cell("answer-seen", "display(box.seen(analysis), cautions.short())"),
    ),
)
