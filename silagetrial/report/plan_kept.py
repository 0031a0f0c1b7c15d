"""Whether the analysis plan filed beforehand was kept: in one sentence, and point by point."""

from __future__ import annotations

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Prose
from silagetrial.display.phrases import count
from silagetrial.planning.analysis_plan import SHOWN_DIGITS, filed_plan
from silagetrial.planning.deviations import FORESEEN, as_planned, deviations
from silagetrial.planning.deviations_made import TO_COME, openings_done
from silagetrial.planning.foreseen import foreseen_in_words

__all__ = ["contents", "foreseen", "points", "sentence"]


def sentence(analysis: Analysis) -> Prose:
    """Return whether the trial was analysed as planned, and under which hash the plan is filed."""
    filed = filed_plan(analysis.trial.source)
    if filed is None:
        return Prose(
            (
                "No analysis plan was filed beforehand. Whether its questions and settings were "
                "chosen before the data were seen cannot be told from the trial's files.",
            )
        )
    table = deviations(analysis.trial, analysis)
    name = f"analysis plan of {filed.date}" if filed.date else "analysis plan"
    name += f" (SHA-256 {filed.sha256[:SHOWN_DIGITS]})"
    rules = int((table.frame["kind"] == FORESEEN).sum())
    to_come = int((table.frame["kind"] == TO_COME).sum())
    so_far = _so_far(analysis.trial) if to_come else ""
    if as_planned(table):
        begin = "As planned so far" if to_come else "As planned"
        lines = [f"{begin}: the {name} was kept in every point.", so_far]
        if rules:
            lines.append(f"{count(rules, 'rule')} of the plan came into use; see the table.")
        return Prose((" ".join(line for line in lines if line),))
    off = len(table) - rules - to_come
    return Prose(
        (
            f"Not all as planned: {count(off, 'deviation')} from the {name}, each in the table. "
            "A result that rests on something changed after the data were seen is a suggestion, "
            f"not a test. {so_far}".strip(),
        )
    )


def _so_far(trial: Trial) -> str:
    """How far the trial is."""
    openings = trial.settings.openings
    return (
        f"{openings_done(trial)} of {count(len(openings), 'opening')} done; what is due stands in "
        "the table."
    )


def points(analysis: Analysis) -> Table | Prose:
    """Return each deviation from the plan, and each rule of it that came into use."""
    table = deviations(analysis.trial, analysis)
    return table if len(table) else Prose(())


def foreseen(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return what the plan said the trial would show of a response; nothing where it said nothing.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    """
    filed = filed_plan(trial.source)
    seen = {} if filed is None or filed.content is None else filed.content["power"]["detectable"]
    if result.response.name not in seen:
        return Prose(())
    said = foreseen_in_words(result.response.name, seen[result.response.name])
    return Prose((f"As planned before the data: {said}",))


def contents(analysis: Analysis) -> dict[str, object] | None:
    """Return the same for ``results.json``; None where no plan was filed."""
    filed = filed_plan(analysis.trial.source)
    if filed is None:
        return None
    table = deviations(analysis.trial, analysis)
    return {
        "filed": filed.date,
        "sha256": filed.sha256,
        "intact": filed.intact,
        "as_planned": as_planned(table),
        "deviations": table,
    }
