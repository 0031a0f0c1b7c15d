"""The bindings compared, response by response: butyric acid, DM loss, and further ones planned."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["BUTYRIC", "FURTHER", "LOSS"]

_USES: Final = ("figures", "tables", "words")


def _cells(of: str, label: str) -> tuple[Cell, ...]:
    """Cells that compare the bindings in the response the notebook calls `of`."""
    return (
        Cell(
            f"{of}-comparison",
            f"display(words.comparison(trial, {of}), figures.comparison(trial, {of}))\n"
            f"display(tables.differences(trial, {of}))\n"
            f"display(tables.refused({of}), tables.bootstrap(trial, {of}))",
            stage=f"comparing the bindings in {label}",
        ),
        Cell(f"{of}-storage", f"display(words.storage(trial, {of}), tables.growth(trial, {of}))"),
        Cell(
            f"{of}-unseen",
            f"display(words.unseen(trial, {of}), plan_kept.foreseen(trial, {of}))\n"
            f"display(tables.half_widths(trial, {of}))",
        ),
        Cell(
            f"{of}-means",
            f"display(figures.means(trial, {of}), tables.means(trial, {of}))",
            stage=f"drawing the adjusted means of {label}",
        ),
        Cell(
            f"{of}-planned",
            f"display(tables.claim(trial, {of}), tables.shares({of}))\n"
            f"display(figures.curve(trial, {of}), tables.curve(trial, {of}))",
        ),
    )


BUTYRIC: Final = Section(
    name="butyric",
    heading="heading.butyric",
    uses=(*_USES, "plan_kept"),
    cells=_cells("butyric", "butyric acid"),
)

LOSS: Final = Section(
    name="loss",
    heading="heading.loss",
    uses=(*_USES, "methods", "plan_kept"),
    cells=(
        *_cells("loss", "DM loss"),
        Cell("loss-correction", "display(methods.notes(loss), tables.correction(trial, loss))"),
    ),
)

FURTHER: Final = Section(
    name="further",
    heading="heading.further",
    uses=_USES,
    cells=(
        Cell(
            "further-results",
            "for other in analysis.further:\n"
            "    display(words.comparison(trial, other), figures.comparison(trial, other))\n"
            "    display(tables.differences(trial, other), tables.refused(other))\n"
            "    display(tables.bootstrap(trial, other), tables.growth(trial, other))\n"
            "    display(figures.means(trial, other), tables.means(trial, other))\n"
            "    display(tables.claim(trial, other), tables.shares(other))\n"
            "    display(figures.curve(trial, other), tables.curve(trial, other))",
        ),
    ),
)
