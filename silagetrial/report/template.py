"""The notebook's source: a short text that calls and does not compute.

Nothing of a trial ever enters the source: titles, names and numbers come out of ``data/`` when
the notebook runs, so that a text in the data can never become code.
"""

from __future__ import annotations

import datetime as dt
from typing import Final

import jupytext
from nbformat import NotebookNode

__all__ = ["SOURCE", "STAGES", "report_notebook"]

SOURCE: Final = """\
# %% id="read" tags=["only-in-notebook"]
from IPython.display import display

from silagetrial import analyse, read_trial
from silagetrial.report import (
    box, cautions, figures, methods, plan_kept, results, tables, words,
)

trial = read_trial("data")
words.heading(trial)

# %% id="analyse"
analysis = analyse(trial)
butyric = analysis["butyric_acid"]
loss = analysis["dm_loss"]
words.question(trial)

# %% [markdown] id="answer"
# ## The answer

# %% id="answer-results"
display(box.answer(analysis), figures.comparisons(analysis))

# %% [markdown] id="trial"
# ## The trial

# %% id="trial-design"
display(methods.design(trial), tables.held_equal(trial), tables.bales(trial))

# %% id="trial-plan"
display(plan_kept.sentence(analysis), plan_kept.points(analysis))

# %% id="trial-left-out"
display(tables.left_out(analysis))

# %% id="trial-storage"
display(figures.days(analysis), tables.storage(analysis))

# %% id="trial-warnings"
display(tables.warnings(trial))

# %% [markdown] id="measured"
# ## What was measured

# %% id="measured-butyric"
display(methods.notes(butyric), figures.raw(trial, butyric), tables.found(butyric))
display(tables.counts(trial, butyric))

# %% id="measured-loss"
display(figures.raw(trial, loss), tables.found(loss))

# %% [markdown] id="butyric"
# ## Butyric acid

# %% id="butyric-comparison"
display(words.comparison(trial, butyric), tables.differences(trial, butyric))
display(tables.refused(butyric), tables.bootstrap(trial, butyric))

# %% id="butyric-storage"
display(words.storage(trial, butyric), tables.growth(trial, butyric))

# %% id="butyric-unseen"
display(words.unseen(trial, butyric), plan_kept.foreseen(trial, butyric))
display(tables.half_widths(trial, butyric))

# %% id="butyric-means"
display(figures.means(trial, butyric), tables.means(trial, butyric))

# %% id="butyric-planned"
display(tables.claim(trial, butyric), *tables.shares(butyric))
display(figures.curve(trial, butyric), *tables.curve(trial, butyric))

# %% [markdown] id="loss"
# ## DM loss

# %% id="loss-comparison"
display(words.comparison(trial, loss), tables.differences(trial, loss))
display(tables.refused(loss), tables.bootstrap(trial, loss))

# %% id="loss-storage"
display(words.storage(trial, loss), tables.growth(trial, loss))

# %% id="loss-unseen"
display(words.unseen(trial, loss), plan_kept.foreseen(trial, loss))
display(tables.half_widths(trial, loss))

# %% id="loss-means"
display(figures.means(trial, loss), tables.means(trial, loss))

# %% id="loss-planned"
display(tables.claim(trial, loss), *tables.shares(loss))
display(figures.curve(trial, loss), *tables.curve(trial, loss))

# %% id="loss-correction"
display(methods.notes(loss), tables.correction(trial, loss))

# %% [markdown] id="further"
# ## Further responses

# %% id="further-results"
for other in analysis.further:
    display(words.comparison(trial, other), tables.differences(trial, other))
    display(tables.bootstrap(trial, other), tables.growth(trial, other))
    display(figures.means(trial, other), tables.means(trial, other))
    display(tables.claim(trial, other), *tables.shares(other))
    display(figures.curve(trial, other), *tables.curve(trial, other))

# %% [markdown] id="model"
# ## The model, and why

# %% id="model-terms"
display(methods.model(butyric), methods.model(loss), *tables.terms(analysis))

# %% id="model-butyric"
display(tables.tests(butyric), tables.variances(butyric), tables.variance_intervals(butyric))
display(tables.sensitivity(trial, butyric), tables.sd_ratios(butyric), tables.blups(butyric))

# %% id="model-loss"
display(tables.tests(loss), tables.variances(loss), tables.variance_intervals(loss))
display(tables.sensitivity(trial, loss), tables.sd_ratios(loss), tables.blups(loss))

# %% [markdown] id="witnesses"
# ## Two independent checks

# %% id="witnesses-butyric"
display(methods.witnesses(trial, butyric), tables.exact(trial, butyric))
display(tables.witness(butyric))

# %% id="witnesses-loss"
display(methods.witnesses(trial, loss), tables.exact(trial, loss))
display(tables.witness(loss))

# %% [markdown] id="residuals"
# ## Residual checks

# %% id="residual-figures"
display(figures.residuals(trial, butyric), figures.residuals(trial, loss))

# %% [markdown] id="methods"
# ## Methods

# %% id="methods-list"
display(methods.methods(analysis))

# %% [markdown] id="references"
# ### References

# %% id="reference-list"
display(methods.references())

# %% [markdown] id="cautions"
# ## Cautions

# %% id="caution-list"
display(cautions.cautions(), cautions.deferral())

# %% [markdown] id="rerun"
# ## Run it again

# %% id="rerun-steps"
results.write(analysis, "results.json")
methods.rerun()
"""
"""The notebook as percent-format text; every cell names its id."""

STAGES: Final = {
    "read": "starting the notebook",
    "analyse": "fitting the models and checking them another way",
    "answer-results": "writing the answer",
    "trial-storage": "drawing the days in storage",
    "measured-butyric": "drawing what was measured",
    "butyric-means": "drawing the adjusted means of butyric acid",
    "loss-means": "drawing the adjusted means of DM loss",
    "residual-figures": "drawing the residual checks",
    "rerun-steps": "writing the results",
}
"""What is told while a cell runs; of the other cells, which take no time, nothing is."""


def report_notebook(*, date: dt.date | None = None, source: str = SOURCE) -> NotebookNode:
    """Return the notebook, not yet run.

    Parameters
    ----------
    date : datetime.date, optional
        The date shown on the page; it is kept in the notebook's metadata.
    source : str
        Percent-format text in which every cell gives its ``id``.

    Returns
    -------
    NotebookNode
        The same for the same source and date: cell ids are those of the source.
    """
    notebook: NotebookNode = jupytext.reads(source, fmt="py:percent")
    for cell in notebook.cells:
        cell.id = cell.metadata["id"]
        kept = {name: value for name, value in cell.metadata.items() if name == "tags"}
        cell.metadata.clear()
        cell.metadata.update(kept)
    notebook.metadata.clear()
    notebook.metadata.update(
        kernelspec={"name": "python3", "display_name": "Python 3", "language": "python"},
        silagetrial={"date": None if date is None else date.isoformat()},
    )
    return notebook
