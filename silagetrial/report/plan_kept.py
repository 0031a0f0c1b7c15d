"""Whether the analysis plan filed beforehand was kept: in one sentence, and point by point."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import count
from silagetrial.planning.analysis_plan import SHOWN_DIGITS, filed_plan
from silagetrial.planning.deviations import FORESEEN, as_planned, deviations
from silagetrial.planning.deviations_made import TO_COME, openings_done
from silagetrial.planning.foreseen import foreseen_in_words

__all__ = ["contents", "foreseen", "planned_to_see", "points", "sentence"]


def sentence(analysis: Analysis) -> Prose:
    """Return whether the trial was analysed as planned, and under which hash the plan is filed."""
    filed = filed_plan(analysis.trial.source)
    if filed is None:
        return Prose((say("plan.none_filed"),))
    table, digits = deviations(analysis.trial, analysis), filed.sha256[:SHOWN_DIGITS]
    plan = (
        say("plan.of_date", date=filed.date, digits=digits)
        if filed.date
        else say("plan.undated", digits=digits)
    )
    rules = int((table.frame["kind"] == FORESEEN).sum())
    to_come = int((table.frame["kind"] == TO_COME).sum())
    so_far = [_so_far(analysis.trial)] if to_come else []
    if as_planned(table):
        kept = say("plan.kept_so_far", plan=plan) if to_come else say("plan.kept", plan=plan)
        used = [say("plan.rules_used", rules=count(rules, "rule"))] if rules else []
        return Prose((" ".join([kept, *so_far, *used]),))
    off = count(len(table) - rules - to_come, "deviation")
    return Prose((" ".join([say("plan.not_kept", deviations=off, plan=plan), *so_far]),))


def _so_far(trial: Trial) -> str:
    """How far the trial is."""
    openings = count(len(trial.settings.openings), "opening")
    return say("plan.so_far", done=len(openings_done(trial)), openings=openings)


def points(analysis: Analysis) -> Table | Prose:
    """Return each deviation from the plan, and each rule of it that came into use."""
    table = deviations(analysis.trial, analysis)
    return replace(table, name="plan_kept") if len(table) else Prose(())


def foreseen(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return what the plan said the trial would show of a response; nothing where it said nothing.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    """
    name = result.response.name
    seen = planned_to_see(trial, name)
    if seen is None:
        return Prose(())
    return Prose((say("plan.foreseen", said=foreseen_in_words(name, seen)),))


def planned_to_see(trial: Trial, response: str) -> dict[str, Any] | None:
    """Return what the plan filed beforehand said the trial would show of a response.

    Returns
    -------
    dict or None
        The fields of `planning.Detectable`; None where no plan was filed, or it says nothing.
    """
    filed = filed_plan(trial.source)
    if filed is None or filed.content is None:
        return None
    seen: dict[str, Any] | None = filed.content["power"]["detectable"].get(response)
    return seen


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
