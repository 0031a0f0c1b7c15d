"""Sections of the report: one kind, each in its place, composed into the notebook in order."""

from __future__ import annotations

import ast
import importlib

from silagetrial.display.language import say
from silagetrial.report.sections import SECTIONS, Cell, Section
from silagetrial.report.template import STAGES, report_notebook, source_of

CELLS = [
    "read", "analyse", "answer", "answer-results", "answer-seen", "trial", "trial-design",
    "trial-plan",
    "trial-left-out", "trial-storage", "trial-warnings", "measured", "measured-butyric",
    "measured-loss", "butyric", "butyric-comparison", "butyric-storage", "butyric-unseen",
    "butyric-means", "butyric-planned", "loss", "loss-comparison", "loss-storage", "loss-unseen",
    "loss-means", "loss-planned", "loss-correction", "further", "further-results",
    "opened", "opened-seen", "model",
    "model-terms", "model-butyric", "model-loss", "witnesses", "witnesses-butyric",
    "witnesses-loss", "residuals", "residual-figures", "methods", "methods-list",
    "symbols", "methods-symbols", "paper", "methods-paper", "references",
    "reference-list", "cautions", "caution-list", "rerun", "rerun-steps",
]  # fmt: skip
"""Ids are kept from version to version: links to a part of a report go by them."""


def test_the_notebook_is_its_sections_in_order() -> None:
    notebook = report_notebook()
    assert [cell.id for cell in notebook.cells] == CELLS
    headings = [cell for cell in notebook.cells if cell.cell_type == "markdown"]
    assert [cell.id for cell in headings] == [section.name for section in SECTIONS]
    assert [cell.source.lstrip("# ") for cell in headings] == [say(s.heading) for s in SECTIONS]
    assert set(STAGES) <= set(CELLS)


def calls_of(section: Section) -> set[tuple[str, str]]:
    """Modules and what is taken of them: ``("tables", "answer")``."""
    known = {"trial", "analysis", "butyric", "loss", "log"}
    return {
        (node.value.id, node.attr)
        for cell in section.cells
        for node in ast.walk(ast.parse(cell.source))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
        if node.value.id not in known
    }


def test_each_section_says_which_modules_it_uses_and_calls_what_they_have() -> None:
    for section in SECTIONS:
        calls = calls_of(section)
        assert {module for module, _ in calls} == set(section.uses), section.name
        for module, name in calls:
            assert name in importlib.import_module(f"silagetrial.report.{module}").__all__


def test_a_section_joins_without_touching_the_rest() -> None:
    money = Section(
        "money", "heading.methods", (Cell("money-table", "display(record.plain)"),), ("record",)
    )
    before, after = source_of(), source_of((*SECTIONS, money))
    assert "record" not in before.partition("trial = read_trial")[0]
    assert "record" in after.partition("trial = read_trial")[0]
    assert after.endswith(
        '\n# %% [markdown] id="money"\n# ## Methods\n\n'
        '# %% id="money-table"\ndisplay(record.plain)\n'
    )
    cells = {cell.id: cell.source for cell in report_notebook(source=before).cells}
    again = {cell.id: cell.source for cell in report_notebook(source=after).cells}
    assert {name: again[name] for name in CELLS[1:]} == {name: cells[name] for name in CELLS[1:]}
