"""The answer box: short paragraphs for who must decide, the first screen of a report.

What was found at the planned opening and whether it matters, response by response; whether the
difference grows with storage; how far the answer reaches. Nothing further down the report
contradicts it: where another look at the same numbers has another verdict, the box says so itself.
"""

from __future__ import annotations

from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import count, joined, level_name, number
from silagetrial.report.doubts import doubt_of
from silagetrial.report.findings import (
    at_openings,
    due_at,
    growths,
    of_bindings,
    planned,
    planned_opening,
)
from silagetrial.report.nearest import nearest, of_plan, tested
from silagetrial.report.reach import holds_for
from silagetrial.report.seen import points
from silagetrial.report.sentences import adjusted_too, by_how_much
from silagetrial.report.words import (
    averaged,
    could_have_seen,
    name_of,
    planned_sentences,
    storage,
    why_not,
)

__all__ = ["answer", "seen", "summary"]

_WORSE_HIGHER: Final = ("butyric_acid", "dm_loss")
FRAGILE: Final = 6
"""With fewer degrees of freedom for the error of the binding the answer hangs on few bales."""


def answer(analysis: Analysis) -> Prose:
    """Return the answer, and where an answer is refused, why."""
    return Prose(summary(analysis), kind="answer")


def seen(analysis: Analysis) -> Prose:
    """Return what the trial could and could not see, a point each: units, sizes, lost bales."""
    return Prose(tuple(points(analysis)), kind="list")


def summary(analysis: Analysis) -> tuple[str, ...]:
    """Return short paragraphs: what was found, whether it grows, how far the answer reaches.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of str
        A paragraph for each response, one for growth with storage or for what would be enough,
        one for the reach of the answer.
    """
    trial, results = analysis.trial, list(analysis.responses.values())
    invented = say("scope.invented") if trial.settings.invented else ""
    answered = [result for result in results if result.answered]
    if not answered:
        measured = any(len(result.records.rows) for result in results)
        shows = say("refusal.shows_measured") if measured else say("refusal.shows_missing")
        last = _sentences([shows, say("scope.nothing_safe"), invented])
        return (*_no_answers(results), _enough(results), last)
    found = [_found(trial, result) for result in results]
    grown = [_grown(trial, result) for result in answered]
    counted = [_counted(trial, result) for result in answered]
    found[-1] = _sentences([found[-1], *_opposite(trial, answered)])
    return (
        *found,
        _sentences([*grown, *counted]),
        _sentences([*_fragile(trial, answered), holds_for(trial, answered[0]), invented]),
    )


def _sentences(parts: list[str]) -> str:
    return " ".join(dict.fromkeys(part for part in parts if part))


def _no_answers(results: list[ResponseAnalysis]) -> list[str]:
    """Why nothing is answered; a reason that holds for every response is said once."""
    found = {result.refusal.found for result in results if result.refusal is not None}
    if len(found) > 1 or len(results) < 2 or not all(len(r.records.rows) for r in results):
        return [why_not(result) for result in results]
    labels = joined([result.response.label for result in results])
    return [say("refusal.no_answers", labels=labels, found=found.pop())]


def _enough(results: list[ResponseAnalysis]) -> str:
    """What would be enough for an answer."""
    whys = [result.refusal for result in results if len(result.records.rows)]
    said = _sentences(
        [
            say("refusal.enough_and_remedy", expected=why.expected, remedy=why.remedy)
            for why in whys
            if why is not None
        ]
    )
    return said or say("refusal.no_growth_without_values")


def _found(trial: Trial, result: ResponseAnalysis) -> str:
    """One response: the comparison planned, else the one nearest to it; what speaks against it."""
    if not result.answered:
        return why_not(result)
    finding = planned(trial, result)
    if finding is None:
        return _found_elsewhere(trial, result)
    lines = [*planned_sentences(trial, result, finding), doubt_of(trial, result, finding)]
    alpha, primary = trial.settings.analysis.alpha, trial.settings.analysis.primary
    among = of_bindings(at_openings(trial, result), finding)
    second = result.response.name != primary and among is not None and among.joint
    # One response was named first; that another's comparison stands by itself alone is less.
    if second and among is not None and finding.p < alpha <= among.p:
        lines.append(adjusted_too(finding, among, alpha=alpha))
    return _sentences(lines)


def _found_elsewhere(trial: Trial, result: ResponseAnalysis) -> str:
    """The planned bindings averaged over the openings compared; with one opening, there."""
    alpha, opening = trial.settings.analysis.alpha, planned_opening(trial)
    finding = nearest(trial, result)
    said = {"first": finding.first, "second": finding.second, "what": name_of(result)}
    due = due_at(trial, opening)
    missing = (
        say("comparison.missing_due", **said, opening=opening, due=due)
        if due
        else say("comparison.missing", **said, opening=opening)
    )
    if finding.opening is not None:
        lines = planned_sentences(trial, result, finding)
    else:
        level = level_name(1 - alpha)
        clause = by_how_much(finding, what=name_of(result), level=level, alpha=alpha)
        lines = [averaged(result, clause)]
        if not finding.p < alpha:
            lines.append(could_have_seen(trial, result, finding))
    return _sentences([missing, *lines, doubt_of(trial, result, finding)])


def _opposite(trial: Trial, answered: list[ResponseAnalysis]) -> list[str]:
    """Where butyric acid and DM loss, of both of which more is worse, point opposite ways."""
    alpha, sides = trial.settings.analysis.alpha, {}
    for result in answered:
        finding = planned(trial, result)
        if finding is not None and finding.p < alpha and result.response.name in _WORSE_HIGHER:
            sides[finding.model_scale() > 0] = (result, finding)
    if len(sides) < 2:
        return []
    (lower, finding), (higher, _) = sides[False], sides[True]
    return [
        say(
            "comparison.opposite",
            first=finding.first,
            second=finding.second,
            lower=name_of(lower),
            higher=name_of(higher),
        )
    ]


def _fragile(trial: Trial, answered: list[ResponseAnalysis]) -> list[str]:
    """Answers that hang on few degrees of freedom, of the design or of the test itself."""
    few = {r.response.label: df for r in answered if (df := _few_df(trial, r))}
    if not few:
        return []
    if len(set(few.values())) == 1 and len(few) == len(answered):
        return [say("doubt.fragile", df=next(iter(few.values())))]
    return [say("doubt.fragile_one", label=label, df=df) for label, df in few.items()]


def _few_df(trial: Trial, result: ResponseAnalysis) -> str:
    """The degrees of freedom for the error where they are few, in words; else empty."""
    if result.model is not None and result.model.error_df < FRAGILE:
        return count(result.model.error_df, "degree of freedom")
    df = float(tested(result, nearest(trial, result))["df"])
    if df >= FRAGILE:
        return ""
    return say("doubt.fragile_df", number=number(df, digits=2), noun=noun("degree of freedom", 2))


def _grown(trial: Trial, result: ResponseAnalysis) -> str:
    """Whether the planned difference grows; with several comparisons, the first of them."""
    lines, changes = storage(trial, result).lines, growths(trial, result)
    if not changes:
        return " ".join(lines)
    return lines[changes.index(of_plan(trial, changes))]


def _counted(trial: Trial, result: ResponseAnalysis) -> str:
    """Openings that are not modelled, because too many values are below the limit."""
    there = set(result.records.counts.frame.get("opening", []))
    openings = [o.name for o in trial.settings.openings if o.name in there]
    if not openings:
        return ""
    return say("growth.counted", label=result.response.label, openings=joined(openings))
