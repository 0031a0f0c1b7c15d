"""What every report ends with: methods, references, cautions, how to run it again."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["CAUTIONS", "METHODS", "PAPER", "REFERENCES", "RERUN", "SYMBOLS"]

METHODS: Final = Section(
    name="methods",
    heading="heading.methods",
    uses=("methods",),
    cells=(Cell("methods-list", "display(methods.methods(analysis, log))"),),
)

SYMBOLS: Final = Section(
    name="symbols",
    heading="heading.symbols",
    uses=("methods",),
    cells=(Cell("methods-symbols", "display(*methods.in_symbols(analysis))"),),
    level=3,
)

PAPER: Final = Section(
    name="paper",
    heading="heading.paper",
    uses=("paper",),
    cells=(Cell("methods-paper", "display(paper.paragraph(analysis, log))"),),
    level=3,
)

REFERENCES: Final = Section(
    name="references",
    heading="heading.references",
    uses=("methods",),
    cells=(Cell("reference-list", "display(methods.references(analysis))"),),
    level=3,
)

CAUTIONS: Final = Section(
    name="cautions",
    heading="heading.cautions",
    uses=("cautions",),
    cells=(Cell("caution-list", "display(cautions.cautions(), cautions.deferral())"),),
)

RERUN: Final = Section(
    name="rerun",
    heading="heading.rerun",
    uses=("cited", "methods", "paper", "results"),
    cells=(
        Cell(
            "rerun-steps",
            'results.write(analysis, "results.json", log=log)\n'
            'paper.write(paper.paragraph(analysis, log), "methods.txt")\n'
            'cited.write(methods.cited(analysis), "references.bib")\n'
            "methods.rerun()",
            stage="writing the results",
        ),
    ),
)
