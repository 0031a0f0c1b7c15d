"""The answer box: three short paragraphs for who must decide, the first screen of a report.

What was found at the planned opening and whether it matters; whether the difference grows with
storage; how far the answer reaches. Nothing further down the report contradicts it: where another
look at the same numbers has another verdict, the box says so itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.phrases import block_word, count, joined, level_name
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    due_at,
    growths,
    of_bindings,
    planned,
    planned_opening,
)
from silagetrial.report.sentences import adjusted_too, by_how_much
from silagetrial.report.words import (
    doubt_of,
    name_of,
    planned_sentence,
    smallest_told,
    storage,
    why_not,
)

__all__ = ["answer", "summary"]

FRAGILE: Final = 6
"""With fewer degrees of freedom for the error of the binding the answer hangs on few bales."""


def answer(analysis: Analysis) -> Prose:
    """Return the answer, and where an answer is refused, why."""
    return Prose(summary(analysis), kind="answer")


def summary(analysis: Analysis) -> tuple[str, str, str]:
    """Return three short paragraphs: what was found, whether it grows, how far it reaches.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of three str
    """
    invented = ["All numbers are invented."] if analysis.trial.settings.invented else []
    results = list(analysis.responses.values())
    answered = [result for result in results if result.answered]
    if not answered:
        measured = any(len(result.records.rows) for result in results)
        what = "what was measured" if measured else "what is there, and what is missing"
        last = [f"The report shows {what}."]
        return " ".join(_no_answers(results)), _enough(results), " ".join([*last, *invented])
    found = [_found(analysis.trial, result) for result in results]
    grown = [_grown(analysis.trial, result) for result in answered]
    counted = [_counted(analysis.trial, result) for result in answered]
    reach = [_scope(answered), *_blind(answered), *invented]
    return (
        _sentences([*found, *_fragile(answered)]),
        _sentences([*grown, *counted]),
        _sentences(reach),
    )


def _sentences(parts: list[str]) -> str:
    return " ".join(dict.fromkeys(part for part in parts if part))


def _no_answers(results: list[ResponseAnalysis]) -> list[str]:
    """Why nothing is answered; a reason that holds for every response is said once."""
    found = {result.refusal.found for result in results if result.refusal is not None}
    if len(found) > 1 or len(results) < 2 or not all(len(r.records.rows) for r in results):
        return [why_not(result) for result in results]
    labels = joined([result.response.label for result in results])
    return [f"{labels}: no answer about the binding: {found.pop()}."]


def _enough(results: list[ResponseAnalysis]) -> str:
    """What would be enough for an answer."""
    return _sentences(
        [
            f"What would be enough: {result.refusal.expected}; {result.refusal.remedy}."
            for result in results
            if result.refusal is not None and len(result.records.rows)
        ]
    ) or "Without values nothing can be said about growth with storage."  # fmt: skip


def _found(trial: Trial, result: ResponseAnalysis) -> str:
    """One response: the comparison planned, else the one nearest to it; what speaks against it."""
    if not result.answered:
        return why_not(result)
    finding = planned(trial, result)
    if finding is None:
        return _found_elsewhere(trial, result)
    lines = [planned_sentence(trial, result, finding), doubt_of(trial, result, finding)]
    alpha, primary = trial.settings.analysis.alpha, trial.settings.analysis.primary
    among = of_bindings(at_openings(trial, result), finding)
    second = result.response.name != primary and among is not None and among.joint
    # One response was named first; that another's comparison stands by itself alone is less.
    if second and among is not None and finding.p < alpha <= among.p:
        lines.append(adjusted_too(finding, among, alpha=alpha))
    return _sentences(lines)


def _found_elsewhere(trial: Trial, result: ResponseAnalysis) -> str:
    """The planned bindings averaged over the openings compared, else at the first there is."""
    alpha, opening = trial.settings.analysis.alpha, planned_opening(trial)
    over = averages(trial, result)
    finding = _planned_of(trial, over or at_openings(trial, result))
    where = f"at {finding.opening}" if finding.opening else "averaged over the openings compared"
    said = by_how_much(finding, what=name_of(result), level=level_name(1 - alpha), alpha=alpha)
    due = due_at(trial, opening)
    none = (
        f"There is no comparison of {finding.first} with {finding.second} in {name_of(result)} at "
        f"{opening}{f' ({due})' if due else ''}; {where}, {said}."
    )
    return _sentences([none, doubt_of(trial, result, finding)])


def _planned_of(trial: Trial, found: Sequence[Finding]) -> Finding:
    """The finding of the planned bindings; where it is missing or none are planned, the first."""
    wanted = set(trial.settings.analysis.contrast)
    return next((f for f in found if {f.first, f.second} == wanted), found[0])


def _fragile(answered: list[ResponseAnalysis]) -> list[str]:
    """Answers that hang on few degrees of freedom."""
    few = {
        result.response.label: result.model.error_df
        for result in answered
        if result.model is not None and result.model.error_df < FRAGILE
    }
    if not few:
        return []
    if len(set(few.values())) == 1 and len(few) == len(answered):
        return [f"There are only {_degrees(next(iter(few.values())))} for the error: fragile."]
    return [f"{label}: only {_degrees(df)} for the error: fragile." for label, df in few.items()]


def _degrees(df: int) -> str:
    return count(df, "degree of freedom", "degrees of freedom")


def _grown(trial: Trial, result: ResponseAnalysis) -> str:
    """Whether the planned difference grows; with several comparisons, the first of them."""
    lines, changes = storage(trial, result).lines, growths(trial, result)
    if not changes:
        return " ".join(lines)
    return lines[changes.index(_planned_of(trial, changes))]


def _counted(trial: Trial, result: ResponseAnalysis) -> str:
    """Openings that are not modelled, because too many values are below the limit."""
    there = set(result.records.counts.frame.get("opening", []))
    openings = [o.name for o in trial.settings.openings if o.name in there]
    if not openings:
        return ""
    return (
        f"{result.response.label} at {joined(openings)} is reported as counts: more than half of "
        "the results of a binding are below the laboratory's limit."
    )


def _scope(answered: Sequence[ResponseAnalysis]) -> str:
    """Say what the answer is about: ``These 3 farms only, 70 bales in 36 pairs``.

    Where responses are of different units, each says its own.
    """
    result = answered[0]
    scope = "" if result.model is None else result.model.scope
    only = "" if scope.startswith("farms like") else " only"
    said = _replicates(result)
    if len({each.records.unit for each in answered}) > 1:
        said = "; ".join(f"{_replicates(each)} ({name_of(each)})" for each in answered)
    return f"{scope[0].upper()}{scope[1:]}{only}, {said}."


def _replicates(result: ResponseAnalysis) -> str:
    rows = result.records.rows
    pairs, bales = rows["pair"].nunique(), result.records.unit.counted(rows["bale"].nunique())
    word = block_word(list(dict.fromkeys(rows["binding"])))
    return f"{bales} in {count(pairs, word)}" if pairs else bales


def _blind(answered: list[ResponseAnalysis]) -> list[str]:
    """What the trial could not tell from no difference, in sizes a reader can picture."""
    told = {result.response.label: smallest_told(result) for result in answered}
    names = {result.response.label: name_of(result) for result in answered}
    seen = [f"{reach} ({names[label]})" for label, reach in told.items() if reach]
    lines = []
    if seen:
        sizes = f"{', or '.join(seen)}{',' if len(seen) > 1 else ''}"
        lines.append(
            f"At one opening an estimate had to be at least {sizes} to be told from no difference."
        )
    blind = [names[label] for label, reach in told.items() if not reach]
    if blind:
        lines.append(f"No estimate of {joined(blind)} at one opening could be told from none.")
    return lines
