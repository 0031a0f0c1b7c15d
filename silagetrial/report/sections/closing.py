"""What every report ends with: methods, references, cautions, how to run it again."""

from __future__ import annotations

from typing import Final

from silagetrial.report.sections.section import Cell, Section

__all__ = ["CAUTIONS", "METHODS", "REFERENCES", "RERUN"]

METHODS: Final = Section(
    name="methods",
    heading="Methods",
    uses=("methods",),
    cells=(Cell("methods-list", "display(methods.methods(analysis))"),),
)

REFERENCES: Final = Section(
    name="references",
    heading="References",
    uses=("methods",),
    cells=(Cell("reference-list", "display(methods.references())"),),
    level=3,
)

CAUTIONS: Final = Section(
    name="cautions",
    heading="Cautions",
    uses=("cautions",),
    cells=(Cell("caution-list", "display(cautions.cautions(), cautions.deferral())"),),
)

RERUN: Final = Section(
    name="rerun",
    heading="Run it again",
    uses=("methods", "results"),
    cells=(
        Cell(
            "rerun-steps",
            'results.write(analysis, "results.json")\nmethods.rerun()',
            stage="writing the results",
        ),
    ),
)
